"""What `sharpness` draws: curves of the response, and MTF50 over the frame."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.ground.statistics import mean_t
from seeworthy.procedures.sharpness.measure import EdgeResult, Place

PLACES = (
    "top_left", "top", "top_right", "left", "centre", "right", "bottom_left", "bottom",
    "bottom_right",
)  # fmt: skip


def _mean_and_half(values: Sequence[float]) -> tuple[float, float]:
    """Return the mean and half its 95 % interval, 0 where one value stands alone."""
    if len(values) < 2:
        return values[0], 0.0
    found = mean_t(values)
    return found.value, found.interval[1] - found.value


def figures(
    edges: Sequence[EdgeResult], places: dict[tuple[str, str], Place]
) -> tuple[Figure, ...]:
    """Return the curves, and the map where enough places were measured."""
    names_of = ("frequency", "response", "low", "high", "position")
    columns: dict[str, list[Any]] = {name: [] for name in names_of}
    by_position: dict[str, list[EdgeResult]] = {}
    for e in edges:
        by_position.setdefault(e.region.position, []).append(e)
    for position, found in by_position.items():
        for i in range(0, 141, 4):
            columns["frequency"].append(round(float(found[0].sfr.frequency[i]), 4))
            mean, half = _mean_and_half([float(e.sfr.response[i]) for e in found])
            columns["response"].append(round(mean, 4))
            columns["low"].append(round(max(0.0, mean - half), 4))
            columns["high"].append(round(mean + half, 4))
            columns["position"].append(position.replace("_", " "))
    curves = Figure(
        "sfr",
        "Response to fine stripes",
        "Where a curve falls below one half, stripes that fine lose half of their contrast. "
        "Bands: 95 % of a curve, by the scatter of its edges.",
        columns,
        Axis("frequency", "spatial frequency", "cy/px"),
        Axis("response", "response", zero=True),
        (
            Mark("band", low="low", high="high", series="position"),
            Mark("line", y="response", series="position"),
            Mark("rule", value=0.5, label="MTF50"),
        ),
    )
    cells: dict[str, list[Any]] = {"column": [], "row": [], "mtf50": []}
    for i, name in enumerate(PLACES):
        found_places = [p.value for (position, _), p in places.items() if position == name]
        if found_places:
            cells["column"].append(("left", "middle", "right")[i % 3])
            cells["row"].append(("top", "middle", "bottom")[i // 3])
            cells["mtf50"].append(round(sum(found_places) / len(found_places), 4))
    if len(cells["mtf50"]) < 4:
        return (curves,)
    chart = Figure(
        "map",
        "MTF50 over the frame",
        "Darker cells keep finer detail; a camera that is soft in one corner only is decentred.",
        cells,
        Axis("column", "across"),
        Axis("row", "down"),
        (Mark("cells", shade="mtf50", label="MTF50 (cy/px)"),),
    )
    return curves, chart
