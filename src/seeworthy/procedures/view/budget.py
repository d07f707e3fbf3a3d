"""What the uncertainty of an angle by tape is made of."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from seeworthy.ground.budget import Component
from seeworthy.procedures.view.measure import SQUARENESS, MeasuredView, Station, measure_view


def budget(
    stations: Sequence[Station], settings: Mapping[str, Any], view: MeasuredView, name: str
) -> tuple[Component, ...]:
    """Return the components of ``hfov``, ``vfov`` or ``dfov``.

    Each is what the angle's variance loses when that influence is taken for exact at every
    distance. Of one distance they are independent; two share readings and are weighed by their
    uncertainties, so that the losses do not quite add up and are scaled until they do.
    """
    whole = getattr(view, name)[1]
    square = settings.get("squareness", SQUARENESS)
    given = settings.get("offset") is not None
    parts: list[tuple[str, float, str, str, str, Sequence[Station], Mapping[str, Any]]] = [
        ("entrance pupil behind the front", view.allowed[1], "m",
         "normal" if given else "rectangular",
         "reading" if given else "judgement: 0 to 10 mm", stations,
         {**settings, "offset": (view.allowed[0], 0.0)}),
        ("target and tape square to the axis", math.degrees(square), "deg", "normal",
         "reading" if "squareness" in settings else "judgement: 2° by eye", stations,
         {**settings, "squareness": 0.0}),
    ]  # fmt: skip
    for title in ("distance", "width", "height"):
        read = [getattr(s, title) for s in stations]
        known = [r for r in read if r is not None]
        if known:
            exact: list[dict[str, Any]] = [{title: r and (r[0], 0.0)} for r in read]
            near = [replace(s, **e) for s, e in zip(stations, exact, strict=True)]
            u = max(r[1] for r in known)
            parts.append((title, u, "m", "normal", "reading", near, settings))
    found = []
    for title, u, unit, shape, source, stand_in, how in parts:
        without = getattr(measure_view(stand_in, **how), name)[1]
        found.append((title, u, unit, shape, source, math.sqrt(max(whole**2 - without**2, 0.0))))
    # Derivatives are taken over steps of u: what is left of their differences is shared out.
    scale = whole / math.hypot(*(f[-1] for f in found))
    signs = {"distance": -1, "width": 1, "height": 1}
    return tuple(
        Component(
            title,
            u,
            unit,
            signs.get(title, 1) * scale * part / u,
            shape,
            source,
            title if title in signs else "",
        )
        for title, u, unit, shape, source, part in found
        if u > 0
    )
