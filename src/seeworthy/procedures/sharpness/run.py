"""Run of `sharpness`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Picture, Result, result
from seeworthy.ground.statistics import mean_t
from seeworthy.media.light import light_of
from seeworthy.observe.blocks import SteadyBlocks
from seeworthy.observe.evidence import BLUE, canvas, draw_outline, encode
from seeworthy.observe.marked import marked_box
from seeworthy.procedures.declare import (
    Inputs,
    Seen,
    Watch,
)
from seeworthy.procedures.sharpness.measure import (
    EdgeResult,
    Place,
    Region,
    by_place,
    corner_figures,
    find_edges,
    measure_edge,
    position_of,
)
from seeworthy.targets.find import find

_CLIPPED = 0.25  # share of the picture
_SHARPENED = 5.0  # % overshoot from which a picture counts as sharpened


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Average the steadiest frames in blocks."""
    _regions(inputs)
    return [Watch(inputs.file(), SteadyBlocks())]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Measure every edge that was found and what follows from them."""
    watcher: SteadyBlocks = seen.watches[0].observer  # type: ignore[assignment]
    if watcher.mean is None or watcher.stage is None:
        raise CannotMeasure("The file holds no whole frame.", "Film it again.")
    frames, clip, assumed = _light(watcher, inputs.file().guess_kind() == "still")
    regions, how = _where(inputs, watcher.mean, frames)
    edges, refused = _measure(frames, regions, clip)
    picture = _draw(watcher.mean, edges)
    if not edges:
        first = _why(frames, clip, refused)
        raise CannotMeasure(first.message, first.hint, (picture,))
    places = by_place(edges)
    corners = corner_figures(places)
    warnings = [*assumed, *_doubts(edges, refused, watcher.count), *_stand_ins(edges, how)]
    results = _results(places, corners, edges)
    return Outcome(
        tuple(results),
        _findings(edges, refused, how, watcher.count),
        tuple(warnings),
        (picture,),
        _figures(edges, places),
        how,
        _sentence(places, corners, edges),
    )


_HOW = (
    "Film the target of `seeworthy target edges`, or any dark-bright edge 2° to 15° off the "
    "upright or level, sharp, still and not clipped; mark one with --option region=x,y,w,h."
)


def _light(watcher: SteadyBlocks, still: bool) -> tuple[list[Any], tuple[float, float], list[str]]:
    assert watcher.stage is not None
    light = light_of(watcher.stage, still=still)
    assert watcher.mean is not None
    means = watcher.blocks if len(watcher.blocks) > 1 else [watcher.mean]
    low = float(light.linear([light.black + 1])[0])
    high = float(light.linear([light.white - 1])[0])
    return [light.linear(m) for m in means], (low, high), list(light.assumptions)


def _regions(inputs: Inputs) -> list[tuple[int, int, int, int]]:
    return [marked_box(text, least=16) for text in inputs.options.get("region", ())]


def _where(inputs: Inputs, mean: Any, frames: Sequence[Any]) -> tuple[list[Region], str]:
    """Return the regions: marked by the user, of our target, or of any edge in the scene."""
    marked = _regions(inputs)
    if marked:
        regions = []
        for i, (x, y, w, h) in enumerate(marked, 1):
            corners = np.array(
                [[x, y], [x + w - 1, y], [x + w - 1, y + h - 1], [x, y + h - 1]], float
            )
            orientation = _orientation(frames[0][y : y + h, x : x + w])
            where = position_of(corners.mean(axis=0), mean.shape)
            regions.append(Region(f"region {i}", where, orientation, corners))
        return regions, "marked region"
    trouble = None
    for name in ("edges", "edges-high"):
        try:
            found = find(mean, name, mirrored=inputs.option("mirrored") == "yes")
        except CannotMeasure as error:
            trouble = trouble or error
            continue
        return [
            Region(r.name, r.position, r.orientation, found.region(r.name))
            for r in found.layout.regions
        ], "target"
    if trouble is not None and "This is the target" in trouble.message:
        raise trouble
    return find_edges(np.mean(frames, axis=0)), "edges of the scene"


def _orientation(tile: Any) -> str:
    if tile.size == 0:
        return "vertical"
    across = float(np.abs(np.diff(tile.mean(axis=0))).sum())
    down = float(np.abs(np.diff(tile.mean(axis=1))).sum())
    return "vertical" if across >= down else "horizontal"


def _measure(
    frames: Sequence[Any], regions: Sequence[Region], clip: tuple[float, float]
) -> tuple[list[EdgeResult], list[CannotMeasure]]:
    edges, refused = [], []
    for region in regions:
        try:
            edges.append(measure_edge(frames, region, clip))
        except CannotMeasure as error:
            refused.append(error)
    return edges, refused


def _results(
    places: dict[tuple[str, str], Place], corners: dict[str, Place], edges: Sequence[EdgeResult]
) -> list[Result]:
    found = [
        result(
            f"mtf50_{position}", p.value, p.u, n=p.n,
            conditions={"position": position, "orientation": orientation},
            evidence=["edges.png"],
        )
        for (position, orientation), p in sorted(places.items())
    ]  # fmt: skip
    for name, p in corners.items():
        low, high = p.value - 1.96 * p.u, p.value + 1.96 * p.u
        if name == "decentring":
            # Sharpest over softest cannot be under 1, and of four equal corners the noise alone
            # sets the extremes two deviations apart on the average: room is left below.
            low = max(1.0, low - 2.06 * p.u / math.sqrt(2))
        interval = (low, high)
        found.append(result(name, p.value, p.u, n=p.n, interval=interval, evidence=["edges.png"]))
    over = sum(e.overshoot for e in edges) / len(edges)
    u = math.sqrt(sum(e.u_overshoot**2 for e in edges)) / len(edges)
    u = math.hypot(u, 0.5)  # the plateaus beside the edge are known to half a percent
    interval = (max(0.0, over - 1.96 * u), over + 1.96 * u)
    found.append(result("edge_overshoot", over, u, n=len(edges), interval=interval))
    return found


def _findings(
    edges: Sequence[EdgeResult], refused: Sequence[CannotMeasure], how: str, frames: int
) -> dict[str, Any]:
    peak = max(e.sfr.peak for e in edges)
    return {
        "edges_from": how,
        "edges_used": len(edges),
        "edges_refused": len(refused),
        "frames": frames,
        "sharpened": bool(_overshoot(edges) > _SHARPENED),
        "highest_response": round(peak, 3),
    }


def _overshoot(edges: Sequence[EdgeResult]) -> float:
    return sum(e.overshoot for e in edges) / len(edges)


def _doubts(
    edges: Sequence[EdgeResult], refused: Sequence[CannotMeasure], frames: int
) -> list[str]:
    found = []
    if _overshoot(edges) > _SHARPENED:
        found.append(
            "The camera sharpens: halos lift the response, so MTF50 looks better than the detail "
            "that the lens gives. Compare cameras with the same sharpening only."
        )
    if frames < 6:
        found.append(
            f"Only {frames} frame{'s' if frames != 1 else ''} stood still; ten seconds on a tripod "
            "make the figures more certain."
        )
    left_out = dict.fromkeys(e.message for e in refused)
    return found + [f"An edge was left out: {text}" for text in left_out]


def _why(
    frames: Sequence[Any], clip: tuple[float, float], refused: Sequence[CannotMeasure]
) -> CannotMeasure:
    """Say why there is no edge at all."""
    clipped = float(np.mean(frames[0] >= clip[1]))
    if clipped > _CLIPPED:
        return CannotMeasure(
            f"{100 * clipped:.0f} % of the picture is clipped at white: edges have no shape there.",
            "Use less light or a shorter exposure, so that the paper is light grey.",
        )
    return refused[0] if refused else CannotMeasure("No slanted edge was found.", _HOW)


def _stand_ins(edges: Sequence[EdgeResult], how: str) -> list[str]:
    """Say what edges of a scene cannot say."""
    if how != "edges of the scene":
        return []
    found = [
        "The edges target was not found; any edges of the scene were measured. If the camera "
        "mirrors its picture, add --option mirrored=yes."
    ]
    directions = {e.region.orientation for e in edges}
    if len(directions) == 1:
        found.append(
            f"Only {directions.pop()} edges were found: blur along them, of a moving camera, "
            "does not show."
        )
    return found


def _draw(mean: Any, edges: Sequence[EdgeResult]) -> Picture:
    drawn = canvas(mean)
    for e in edges:
        draw_outline(drawn, e.region.corners, BLUE, 1)
        x, y = e.region.corners.mean(axis=0)
        place = (int(x) - 18, int(y) - 4)
        text = f"{e.mtf50:.3f}"
        cv2.putText(drawn, text, place, cv2.FONT_HERSHEY_SIMPLEX, 0.42, (0, 0, 0), 3, cv2.LINE_AA)
        white = (255, 255, 255)
        cv2.putText(drawn, text, place, cv2.FONT_HERSHEY_SIMPLEX, 0.42, white, 1, cv2.LINE_AA)
    return encode(
        "edges.png", "The edges that were measured, with MTF50 in cy/px.", np.asarray(drawn)
    )


def _mean_and_half(values: Sequence[float]) -> tuple[float, float]:
    """Return the mean and half its 95 % interval, 0 where one value stands alone."""
    if len(values) < 2:
        return values[0], 0.0
    found = mean_t(values)
    return found.value, found.interval[1] - found.value


def _figures(
    edges: Sequence[EdgeResult], places: dict[tuple[str, str], Place]
) -> tuple[Figure, ...]:
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
    names = (
        "top_left", "top", "top_right", "left", "centre", "right", "bottom_left", "bottom",
        "bottom_right",
    )  # fmt: skip
    cells: dict[str, list[Any]] = {"column": [], "row": [], "mtf50": []}
    for i, name in enumerate(names):
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


def _sentence(
    places: dict[tuple[str, str], Place], corners: dict[str, Place], edges: Sequence[EdgeResult]
) -> str:
    centre = [p.value for (position, _), p in places.items() if position == "centre"]
    value = sum(centre) / len(centre) if centre else max(p.value for p in places.values())
    parts = [f"It keeps detail down to about {0.5 / value:.1f} px a line in the middle"]
    even = corners.get("focus_evenness")
    if even is not None:
        parts.append(f"the corners keep {100 * even.value:.0f} % of that")
    off = corners.get("decentring")
    if off is not None and off.value - 1.96 * off.u > 1.1:
        parts.append("one corner is clearly softer than the opposite: the lens is decentred")
    if _overshoot(edges) > _SHARPENED:
        parts.append("part of it is sharpening in the camera")
    return "; ".join(parts) + "."
