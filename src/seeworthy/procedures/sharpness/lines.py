"""Detail in line widths per picture height, by which cameras of any frame size are compared.

ISO 12233: a cycle is two line widths, so LW/PH = 2 · (cycles per pixel) · (picture height in
px). The picture height is the shorter side of the frame, so that a camera held upright has the
same figure; pixels are taken as square.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.results import Result, result
from seeworthy.ground.uncertainty import interval
from seeworthy.optics.tone import Tone
from seeworthy.procedures.sharpness.measure import (
    FINEST,
    EdgeResult,
    Place,
    by_place,
    corner_figures,
)

TONE_TENTH = 1.6
"""Times what another tone curve does to MTF50 it does to MTF10: for the curves and edges of
`seeworthy.optics.tone.EDGE` 1.5 to 1.7, by arithmetic without noise."""

_STUDY = "scatter of frames and edges, floor and coder from our own rendered clips (seeds 3, 9)"


def per_height(cycles: float, shape: Sequence[int]) -> float:
    """Return line widths per picture height of cy/px in a frame of (rows, columns)."""
    return 2 * cycles * min(shape[:2])


def frame_word(shape: Sequence[int]) -> str:
    """Return the frame size of (rows, columns) as the condition that tells modes apart."""
    return f"{shape[1]}x{shape[0]}"


def in_lines(found: Iterable[Result], shape: Sequence[int]) -> list[Result]:
    """Return results of MTF50 in cy/px as results in LW/PH: everything grows by one factor."""
    scale = per_height(1.0, shape)
    return [
        result(
            r.measurand.replace("mtf50_", "mtf50_ph_"), scale * r.value, n=r.n,
            interval=(scale * r.interval[0], scale * r.interval[1]),
            conditions=r.conditions, evidence=r.evidence,
            budget=[replace(c, sensitivity=c.sensitivity * scale) for c in r.budget],
        )
        for r in found if r.measurand.startswith("mtf50_")
    ]  # fmt: skip


def tenth_in_lines(
    edges: Sequence[EdgeResult], levels: tuple[float, float], tone: Tone, shape: Sequence[int]
) -> list[Result]:
    """Return MTF10 in LW/PH of the centre, by direction, and of the corners' mean.

    What a lens gives beyond half a cycle a pixel folds back as false detail: the most is the
    picture height in px.
    """
    places = by_place(edges, tenth=True)
    found = [
        _tenth("mtf10_ph_centre", p, levels, tone, shape, orientation)
        for (position, orientation), p in sorted(places.items())
        if position == "centre"
    ]
    corners = corner_figures(places).get("mtf50_corner_mean")
    if corners is not None:
        found.append(_tenth("mtf10_ph_corner_mean", corners, levels, tone, shape))
    return found


def _tenth(
    name: str,
    place: Place,
    levels: tuple[float, float],
    tone: Tone,
    shape: Sequence[int],
    orientation: str = "",
) -> Result:
    most, value = per_height(FINEST, shape), per_height(place.value, shape)
    curve = tone.of_edge(value, *levels)
    budget = (
        Component(
            "scatter, slant and coding", place.u, "cy/px", per_height(1.0, shape), source=_STUDY
        ),
        replace(curve, sensitivity=TONE_TENTH * curve.sensitivity),
    )
    low, high = interval(value, combined(budget))
    where = {"position": "centre", "orientation": orientation} if orientation else {}
    where["frame"] = frame_word(shape)
    return result(
        name, min(value, most), n=place.n, interval=(min(low, most), min(high, most)),
        conditions=where, evidence=["edges.png"], budget=budget,
    )  # fmt: skip
