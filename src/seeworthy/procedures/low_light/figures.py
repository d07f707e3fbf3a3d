"""What `low-light` shows: pictures of the takes, SNR and sharpness against light."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from seeworthy.ground.digits import number, said, spread_of
from seeworthy.ground.results import Axis, Figure, Mark, Picture
from seeworthy.ground.uncertainty import interval
from seeworthy.observe.evidence import BLUE, ORANGE, canvas, draw_outline, encode
from seeworthy.optics.light_reading import like
from seeworthy.procedures.low_light.measure import Usable
from seeworthy.procedures.low_light.takes import LightTake, UsableLimits


def sentence(takes: Sequence[LightTake], usable: Usable) -> str:
    """Say it for a flyer."""
    level = like(usable.lux)
    near = f"about like: {level.condition[:1].lower()}{level.condition[1:]}"
    shown = number(usable.lux, spread_of(*usable.interval, usable.u))
    if usable.bound == "upper":
        return f"The picture stays usable down to {shown} lx at least ({near})."
    if usable.bound == "lower":
        return f"The picture is not usable at {shown} lx; it needs more light ({near})."
    shown = said(usable.lux, *usable.interval, "lx", usable.u)
    return (
        f"The picture is usable down to about {shown} ({near}); below, "
        f"{usable.binds} is lost first."
    )


def picture(take: LightTake) -> Picture:
    """Draw the edges and greys that were measured on the mean of a take."""
    drawn: Any = canvas(take.mean)
    for edge in take.measured:
        draw_outline(drawn, edge.region.corners, BLUE, 1)
    for x, y, w, h in take.boxes:
        corners = np.array([[x, y], [x + w - 1, y], [x + w - 1, y + h - 1], [x, y + h - 1]])
        draw_outline(drawn, corners, ORANGE, 1)
    return encode(
        take.evidence,
        f"At {take.lux.value:.3g} lx: edges (blue) and greys (orange) measured, contrast "
        "stretched.",
        drawn,
    )


def figures(takes: Sequence[LightTake], usable: Usable, limits: UsableLimits) -> tuple[Figure, ...]:
    """Return SNR and sharpness against light, where there are any."""
    x = Axis("light", "light", "lx", "log")
    here = Mark("rule", value=round(usable.lux, 4), across="x", label="least usable")
    found = []
    greys = [(t.lux.value, t.grey) for t in takes if t.grey is not None]
    if len(greys) > 1:
        columns: dict[str, list[Any]] = {"light": [], "snr": [], "low": [], "high": []}
        for lux, grey in sorted(greys, key=lambda p: p[0]):
            columns["light"].append(round(lux, 4))
            columns["snr"].append(round(grey.snr, 2))
            low, high = interval(grey.snr, grey.u_snr, max(grey.dof, 1.0))
            columns["low"].append(round(low, 2))
            columns["high"].append(round(high, 2))
        found.append(
            Figure(
                "snr_light", "Signal over noise against light",
                "Where the line falls below the limit, grain drowns the picture.", columns, x,
                Axis("snr", "signal over noise at 18 % grey", "dB"),
                (
                    Mark("band", low="low", high="high"), Mark("line", y="snr"),
                    Mark("points", y="snr"), Mark("rule", value=limits.snr, label="limit"), here,
                ),
            )
        )  # fmt: skip
    kept = [(t.lux.value, t.kept) for t in takes if t.kept is not None]
    if len(kept) > 1:
        columns = {"light": [], "kept": [], "low": [], "high": []}
        for lux, (value, u) in sorted(kept):
            columns["light"].append(round(lux, 4))
            columns["kept"].append(round(value, 4))
            low, high = interval(value, u, least=0.0)
            columns["low"].append(round(low, 4))
            columns["high"].append(round(high, 4))
        found.append(
            Figure(
                "sharpness_light", "Sharpness kept against light",
                "Denoising washes fine detail away as the light goes down.", columns, x,
                Axis("kept", "sharpness against bright light", zero=True),
                (
                    Mark("band", low="low", high="high"), Mark("line", y="kept"),
                    Mark("points", y="kept"), Mark("rule", value=limits.sharpness, label="limit"),
                    here,
                ),
            )
        )  # fmt: skip
    return tuple(found)
