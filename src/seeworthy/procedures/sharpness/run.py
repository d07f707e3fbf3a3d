"""Run of `sharpness`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Any

import cv2
import numpy as np

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.digits import earned, number, spread_of
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Outcome, Picture, Result, result
from seeworthy.ground.uncertainty import FOUR_APART, interval
from seeworthy.media.light import light_of
from seeworthy.observe.blocks import SteadyBlocks
from seeworthy.observe.evidence import BLUE, canvas, draw_outline, encode
from seeworthy.observe.marked import marked_box
from seeworthy.optics.tone import Tone
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.sharpness.figures import PLACES, figures
from seeworthy.procedures.sharpness.lateral import (
    RgbMean,
    lateral,
    lateral_finding,
    lateral_results,
)
from seeworthy.procedures.sharpness.lines import frame_word, in_lines, tenth_in_lines
from seeworthy.procedures.sharpness.measure import (
    CODER,
    EdgeRegion,
    EdgeResult,
    Place,
    by_place,
    corner_figures,
    find_edges,
    measure_edge,
    position_of,
)
from seeworthy.targets.find import find

_CLIPPED = 0.25  # share of the picture
_SHARPENED = 5.0  # % overshoot from which a picture counts as sharpened
_GRAINY = 0.01  # share of MTF50 that the coder may have taken, from which it is said (a judgement)
_OFFERED = 4  # edges of a scene that are offered for marking


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Average the steadiest frames in blocks, and in colour."""
    _regions(inputs)
    colours = RgbMean(light=partial(light_of, still=inputs.file().guess_kind() == "still"))
    return [Watch(inputs.file(), SteadyBlocks()), Watch(inputs.file(), colours)]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Measure every edge that was found and what follows from them."""
    watcher = next(w.observer for w in seen.watches if isinstance(w.observer, SteadyBlocks))
    colours = next(w.observer for w in seen.watches if isinstance(w.observer, RgbMean))
    if watcher.mean is None or watcher.stage is None:
        raise CannotMeasure("The file holds no whole frame.", "Film it again.")
    still = inputs.file().guess_kind() == "still"
    tone = inputs.tone(watcher.stage, still=still)
    frames, clip, assumed = _light(watcher, tone, still)
    found = _where(inputs, watcher.mean)
    if found is None:
        raise _unmarked(watcher.mean, frames, clip)
    regions, how = found
    edges, refused = _measure(frames, regions, clip)
    picture = _draw(watcher.mean, edges)
    if not edges:
        first = _why(frames, clip, refused)
        raise CannotMeasure(first.message, first.hint, (picture,))
    places = by_place(edges)
    corners = corner_figures(places)
    warnings = [*assumed, *_doubts(edges, refused, watcher.count), *_one_way(edges, how)]
    results = _results(places, corners, edges, tone, watcher.mean.shape)
    shifts = lateral(colours.rgb, regions) if colours.rgb is not None else []
    results += lateral_results(shifts, watcher.mean.shape, halved=colours.halved)
    return Outcome(
        tuple(results),
        {
            **_findings(edges, refused, how, watcher.count, tone),
            "lateral_colour_px": lateral_finding(shifts),
        },
        tuple(warnings),
        (picture,),
        figures(edges, places),
        how,
        _sentence(places, edges, results),
    )


_HOW = (
    "Film the target of `seeworthy target edges`, or any dark-bright edge 2° to 15° off the "
    "upright or level, sharp, still and not clipped; mark one with --option region=x,y,w,h."
)


def _light(
    watcher: SteadyBlocks, tone: Tone, still: bool
) -> tuple[list[Any], tuple[float, float], list[str]]:
    assert watcher.stage is not None
    light = tone.light(watcher.stage, still=still)
    assert watcher.mean is not None
    means = watcher.blocks if len(watcher.blocks) > 1 else [watcher.mean]
    low = float(light.linear([light.black + 1])[0])
    high = float(light.linear([light.white - 1])[0])
    return [light.linear(m) for m in means], (low, high), [*light.assumptions, *tone.said]


def _regions(inputs: Inputs) -> list[tuple[int, int, int, int]]:
    return [marked_box(text, least=16) for text in inputs.options.get("region", ())]


def _where(inputs: Inputs, mean: Any) -> tuple[list[EdgeRegion], str] | None:
    """Return the regions marked by the user or of our target; None where there is neither.

    An edge of a scene is never taken unasked: whether it is sharp itself, and at one distance,
    only the user knows.
    """
    marked = _regions(inputs)
    if marked:
        return [_marked(box, i, mean) for i, box in enumerate(marked, 1)], "marked region"
    trouble = None
    for name in ("edges", "edges-high"):
        try:
            found = find(mean, name, mirrored=inputs.option("mirrored") == "yes")
        except CannotMeasure as error:
            trouble = trouble or error
            continue
        return [
            EdgeRegion(r.name, r.position, r.orientation, found.region(r.name))
            for r in found.layout.regions
        ], "target"
    if trouble is not None and trouble.reason == "other target":
        raise trouble
    return None


def _marked(box: tuple[int, int, int, int], number: int, mean: Any) -> EdgeRegion:
    x, y, w, h = box
    corners = np.array([[x, y], [x + w - 1, y], [x + w - 1, y + h - 1], [x, y + h - 1]], float)
    where = position_of(corners.mean(axis=0), mean.shape)
    return EdgeRegion(f"region {number}", where, _orientation(mean[y : y + h, x : x + w]), corners)


def _unmarked(mean: Any, frames: Sequence[Any], clip: tuple[float, float]) -> CannotMeasure:
    """Say that there is no target, and which edges of the scene could be marked instead."""
    edges, _ = _measure(frames, find_edges(np.mean(frames, axis=0)), clip)
    offered = edges[:_OFFERED]
    drawn = canvas(mean)
    for e in offered:
        draw_outline(drawn, e.region.corners, BLUE, 2)
    clipped = float(np.mean(frames[0] >= clip[1]))
    if not offered and clipped > _CLIPPED:
        said = _why(frames, clip, [])
        return CannotMeasure(said.message, said.hint, (encode("edges.png", "The picture.", drawn),))
    hint = _HOW + " If the camera mirrors its picture, add --option mirrored=yes."
    if offered:
        boxes = ", ".join(f"region={_box(e.region)}" for e in offered)
        hint += f" Edges of this scene that could be marked, if they are sharp: {boxes}."
    caption = "Edges of the scene that could be marked." if offered else "No target was found here."
    return CannotMeasure(
        "The edges target was not found, and no edge was marked: other edges are not measured "
        "unasked, because nobody can tell whether they are sharp themselves.",
        hint,
        (encode("edges.png", caption, np.asarray(drawn)),),
    )


def _box(region: EdgeRegion) -> str:
    x, y = np.floor(region.corners.min(axis=0)).astype(int)
    w, h = np.ceil(np.ptp(region.corners, axis=0)).astype(int)
    return f"{x},{y},{w},{h}"


def _orientation(tile: Any) -> str:
    if tile.size == 0:
        return "vertical"
    across = float(np.abs(np.diff(tile.mean(axis=0))).sum())
    down = float(np.abs(np.diff(tile.mean(axis=1))).sum())
    return "vertical" if across >= down else "horizontal"


def _measure(
    frames: Sequence[Any], regions: Sequence[EdgeRegion], clip: tuple[float, float]
) -> tuple[list[EdgeResult], list[CannotMeasure]]:
    edges, refused = [], []
    for region in regions:
        try:
            edges.append(measure_edge(frames, region, clip))
        except CannotMeasure as error:
            refused.append(error)
    return edges, refused


def _results(
    places: dict[tuple[str, str], Place],
    corners: dict[str, Place],
    edges: Sequence[EdgeResult],
    tone: Tone,
    shape: Sequence[int],
) -> list[Result]:
    levels = edge_levels(edges)
    frame = {"frame": frame_word(shape)}
    found = [
        result(
            f"mtf50_{position}", p.value, n=p.n,
            conditions={"position": position, "orientation": orientation, **frame},
            evidence=["edges.png"], budget=_budget(p, levels, tone),
        )
        for (position, orientation), p in sorted(places.items())
    ]  # fmt: skip
    for name, p in corners.items():
        # Ratios of places do not feel the curve: it acts on all edges of one contrast alike.
        ratio = name in ("decentring", "focus_evenness")
        budget = _ratio_budget(p) if ratio else _budget(p, levels, tone)
        u = combined(budget)
        low, high = interval(p.value, u)
        if name == "decentring":
            # Sharpest over softest cannot be under 1, and of four equal corners the noise alone
            # sets the extremes two deviations apart on the average: room is left below.
            low = max(1.0, low - FOUR_APART * p.u / math.sqrt(2))
        ends = (low, high)
        found.append(
            result(
                name, p.value, n=p.n, interval=ends, evidence=["edges.png"], budget=budget,
                conditions={} if ratio else frame,
            )
        )  # fmt: skip
    found = in_lines(found, shape) + tenth_in_lines(edges, levels, tone, shape) + found
    over = sum(e.overshoot for e in edges) / len(edges)
    u = math.sqrt(sum(e.u_overshoot**2 for e in edges)) / len(edges)
    budget = (
        Component("scatter of the means of frames", u, "%", source="scatter"),
        # The plateaus beside the edge are known to half a percent.
        Component("plateaus beside the edge", 0.5, "%"),
        tone.of_share(over, math.sqrt(levels[0] * levels[1])),
    )
    ends = interval(over, combined(budget), least=0.0)
    found.append(result("edge_overshoot", over, n=len(edges), interval=ends, budget=budget))
    return found


def edge_levels(edges: Sequence[EdgeResult]) -> tuple[float, float]:
    """Return light on both sides, bright and dark, of the edge of the largest contrast."""
    sides = [(e.edge.high, max(e.edge.low, 1e-3)) for e in edges]
    return max(sides, key=lambda s: s[0] / s[1])


def _budget(place: Place, levels: tuple[float, float], tone: Tone) -> tuple[Component, ...]:
    study = "scatter of frames and edges, floor and coder from our own rendered clips (seeds 1, 9)"
    return (
        Component("scatter, slant and coding", place.u, "cy/px", source=study),
        tone.of_edge(place.value, *levels),
    )


def _ratio_budget(place: Place) -> tuple[Component, ...]:
    source = "scatter of frames and edges; the curve acts on all of one contrast alike"
    return (Component("scatter, slant and coding of the places", place.u, source=source),)


def _findings(
    edges: Sequence[EdgeResult], refused: Sequence[CannotMeasure], how: str, frames: int, tone: Tone
) -> dict[str, Any]:
    peak = max(e.sfr.peak for e in edges)
    return {
        "edges_from": how,
        "places_measured": [p.replace("_", " ") for p in _places_of(edges)],
        "edges_used": len(edges),
        "edges_refused": len(refused),
        "frames": frames,
        "sharpened": bool(_overshoot(edges) > _SHARPENED),
        "highest_response": round(peak, 3),
        "tone": tone.words,
    }


def _places_of(edges: Sequence[EdgeResult]) -> list[str]:
    seen = {e.region.position for e in edges}
    return [p for p in PLACES if p in seen]


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
    coder = CODER * sum(e.grain for e in edges) ** 2 / len(edges) ** 2
    if coder > _GRAINY:
        found.append(
            f"The picture is grainy, and coding takes fine detail along with grain: MTF50 is that "
            f"of the picture as coded. About {100 * coder:.0f} % is left open for what the lens "
            "gives; use more light."
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


def _one_way(edges: Sequence[EdgeResult], how: str) -> list[str]:
    """Say what marked edges of one direction cannot say."""
    directions = {e.region.orientation for e in edges}
    if how == "target" or len(directions) > 1:
        return []
    return [
        f"Only {directions.pop()} edges were marked: blur along them, of a moving camera, does "
        "not show."
    ]


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


def _sentence(
    places: dict[tuple[str, str], Place], edges: Sequence[EdgeResult], results: Sequence[Result]
) -> str:
    values = {
        place: [p.value for (position, _), p in places.items() if position == place]
        for place in _places_of(edges)
    }
    # The middle is named where the middle was measured, another place by its own name.
    place = "centre" if "centre" in values else max(values, key=lambda k: max(values[k]))
    value = sum(values[place]) / len(values[place])
    where = "in the middle" if place == "centre" else f"at the {place.replace('_', ' ')}"
    # Of that place alone: its widest relative interval tells the digits.
    spread = max(
        spread_of(*r.interval, r.u) / r.value
        for r in results
        if r.measurand.startswith("mtf50_") and place in r.measurand and r.value > 0
    )
    line = number(0.5 / value, 0.5 / value * spread)
    parts = [f"It keeps detail down to about {line} px a line {where}"]
    if place != "centre":
        parts.append("the middle was not measured")
    by = {r.measurand: r for r in reversed(results)}
    if "focus_evenness" in by:
        parts.append(f"the corners keep {earned(by['focus_evenness'], 100)} % of that")
    if "decentring" in by and by["decentring"].interval[0] > 1.1:
        parts.append("one corner is clearly softer than the opposite: the lens is decentred")
    if _overshoot(edges) > _SHARPENED:
        parts.append("part of it is sharpening in the camera")
    return "; ".join(parts) + "."
