"""Run of `shading`: what it asks to see, and what it concludes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import cv2
import numpy as np

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.digits import earned, expanded, number, said_result
from seeworthy.ground.errors import BadQuantity, CannotMeasure
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Picture, Result, result
from seeworthy.ground.uncertainty import interval
from seeworthy.observe.evidence import BLUE, canvas, draw_cross, encode
from seeworthy.observe.flat import FlatMean
from seeworthy.optics.tone import Tone
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.shading.budget import budgets, told_apart, wall
from seeworthy.procedures.shading.gain_map import gain_map
from seeworthy.procedures.shading.measure import MeasuredShading, measure_shading
from seeworthy.procedures.shading.middle import Wide, exaggerated, find_wide
from seeworthy.procedures.shading.moved import check_shift, wall_of
from seeworthy.procedures.shading.spots import Spot
from seeworthy.procedures.shading.turned_take import check_same_lens


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Average each file in blocks."""
    if inputs.all_files("moved"):
        check_shift(*_shift(inputs)[:2])
    sources = [inputs.file(), *inputs.all_files("turned"), *inputs.all_files("moved")]
    return [Watch(source, FlatMean(light=inputs.light)) for source in sources]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return fall-off, tint and hot spot of the flat field."""
    watchers: list[FlatMean] = [w.observer for w in seen.watches]  # type: ignore[misc]
    stages = [w.stage for w in watchers if w.stage is not None]
    fields = [w.mean for w in watchers if w.mean is not None]
    if len(fields) < len(watchers) or not stages:
        raise CannotMeasure("The file holds no whole frame.", "Film it again.")
    if len({(s.width, s.height) for s in stages}) > 1:
        raise CannotMeasure(
            "The two takes have different frame sizes.", "Film both in the same mode."
        )
    size = (stages[0].width, stages[0].height)
    surface, bend = _wall(inputs), None
    try:
        if inputs.all_files("moved"):
            right, down, u_shift = _shift(inputs)
            bend = wall_of(fields[0], [fields.pop()], (right, down), u_shift, surface.u)
            fields = [f / bend.light(*f.shape[:2]) for f in fields]
            surface = told_apart(bend)
        found = measure_shading(fields[0], size, fields[1] if len(fields) > 1 else None)
        if len(fields) > 1:
            check_same_lens(fields[0], fields[1])
    except CannotMeasure as error:
        raise CannotMeasure(error.message, error.hint, (_picture(watchers[0], None),)) from None
    field = np.mean(fields, axis=0)
    wide = find_wide(field, size, found.centre) if found.spot is None else None
    part = found.spot or wide
    hues = () if part is None else (_hue_picture(field, size, part),)
    tone = inputs.tone(stages[0])
    parts = budgets(found, surface, tone)
    way = "turned" if found.turned else "one take"
    method = way if bend is None else f"{way}, and moved"
    return Outcome(
        (results := _results(found, parts, method)),
        {
            **_findings(found, wide, watchers[0].count, tone),
            "wall_stops": None if bend is None else round(bend.drop, 3),
        },
        (*_doubts(found, wide), *tone.said),
        (_picture(watchers[0], found), *hues),
        _figures(found),
        method,
        _sentence(found, wide, *results[::2]),
        _correction(fields, found, size),
    )


def _results(
    found: MeasuredShading, parts: Mapping[str, tuple[Component, ...]], method: str
) -> tuple[Result, ...]:
    positive = interval(found.colour, combined(parts["colour_shading"]), least=0.0)
    values = (
        ("corner_shading", found.corner, 4, None),
        ("corner_shading_worst", found.worst, 1, None),
        ("colour_shading", found.colour, 4, positive),
    )
    how: dict[str, Any] = {"conditions": {"method": method}, "evidence": ["flat_field.png"]}
    return tuple(
        result(name, value, n=n, interval=ends, budget=parts[name], **how)
        for name, value, n, ends in values
    )


def _shift(inputs: Inputs) -> tuple[float, float, float]:
    """Return how far the camera was shifted, right and down, and the uncertainty of either."""
    ways = [inputs.reading(name) for name in ("moved_right", "moved_down")]
    given = [w for w in ways if w is not None]
    right, down = (0.0 if w is None else w.value for w in ways)
    return right, down, max((w.u for w in given), default=0.0)


def _wall(inputs: Inputs) -> Component:
    """Return what the readings, or a judgement, say of the surface."""
    evenness, dfov = inputs.reading("evenness"), inputs.reading("dfov")
    if evenness is not None and evenness.value < 0:
        raise BadQuantity(
            "Evenness below zero says nothing.", "Type how far it differs: 0.05 stops"
        )
    return wall(
        None if evenness is None else (evenness.value, evenness.u),
        None if dfov is None else dfov.value,
    )


def _correction(
    fields: Sequence[Any], found: MeasuredShading, size: tuple[int, int]
) -> dict[str, Any]:
    """Return the gain that evens out the lens, lamp left out, as `correct` wants it."""
    spot = found.spot
    # A stain of the wall looks like a spot of the camera's: it turns with a turned take, and
    # hardly lies on the optical centre.
    own = spot is not None and (found.turned or spot.centred)
    gain = gain_map(fields, found.lamp, found.centre, size, spot if own else None)
    rows, columns = gain.gain.shape[:2]
    told: dict[str, Any] = {}
    if spot is not None and gain.spot is not None:
        told["spot"] = {
            "x": round(spot.x, 1),
            "y": round(spot.y, 1),
            "size_px": round(spot.size, 1),
            "stops": [round(v, 4) for v in gain.spot],
        }
    elif spot is not None:
        told["spot_left"] = "one take: camera or wall"
    return {
        **told,
        "kind": "shading",
        "size": list(size),
        "grid": [columns, rows],
        "gain": [[round(float(g), 5) for g in gain.gain[..., k].ravel()] for k in range(3)],
        "cap": gain.cap,
        "capped": round(gain.capped, 4),
    }


def _findings(found: MeasuredShading, wide: Wide | None, frames: int, tone: Tone) -> dict[str, Any]:
    spot = found.spot
    return {
        "hot_spot": None
        if spot is None
        else {
            "x": round(spot.x),
            "y": round(spot.y),
            "size_px": round(spot.size),
            "strength": round(spot.strength, 4),
            "hue": spot.hue,
            "on_optical_centre": spot.centred,
        },
        "wide_tint": None
        if wide is None
        else {
            "x": round(wide.x),
            "y": round(wide.y),
            "size_px": round(wide.size),
            "strength": round(wide.strength, 4),
            "u": round(wide.u, 4),
            "hue": wide.hue,
            "on_optical_centre": wide.centred,
        },
        "optical_centre_px": [round(v, 1) for v in found.centre],
        "slope_stops": [round(v, 3) for v in found.lamp],
        "slope_is": "the lamp's" if found.turned else "lamp or lens, not told apart",
        "frames": frames,
        "tone": tone.words,
    }


def _doubts(found: MeasuredShading, wide: Wide | None) -> tuple[str, ...]:
    said = []
    slope = max(abs(v) for v in found.lamp)
    if not found.turned and slope > 0.1:
        said.append(
            f"The light slopes by {slope:.2f} stops across the picture: lamp and lens cannot be "
            "told apart. Film a second take with the camera turned by 180° (turned=)."
        )
    part = found.spot or wide
    if part is not None and part.centred:
        what = "hot spot" if wide is None else "wide tint"
        said.append(
            f"The {what} lies round the optical centre: whether lens, filter or sensor makes it "
            "cannot be told from a flat field."
        )
    elif wide is not None:
        said.append(
            "The wide tint lies off the optical centre: the sensor, stray light, or the surface "
            "and its lamp; a turned take (turned=) tells the surface from the camera."
            if not found.turned
            else "The wide tint lies off the optical centre and turns with the camera: the sensor "
            "or stray light in the lens, more than fall-off of the lens."
        )
    return tuple(said)


def _sentence(found: MeasuredShading, wide: Wide | None, corner: Result, colour: Result) -> str:
    dark = f"The corners are {said_result(corner)} darker than the middle"
    tint = "no tint that shows" if found.colour < 0.004 else f"a tint of {earned(colour)} Δu'v'"
    part = found.spot or wide
    if part is None:
        return f"{dark}, with {tint}."
    where = "the middle" if part.centred else f"the part round {part.x:.0f}, {part.y:.0f} px"
    # A spot has no uncertainty of its own: two digits.
    strength = number(part.strength, expanded(wide.u) if wide else part.strength)
    against = "what is round it (a hot spot)" if wide is None else "the border"
    return (
        f"{dark}, with {tint}; {where} is more {part.hue} than {against} by {strength} "
        f"Δu'v', over about {part.size:.0f} px."
    )


def _hue_picture(field: Any, size: tuple[int, int], part: Spot | Wide) -> Picture:
    times = float(np.clip(0.06 / part.strength, 2, 20))
    made = cv2.resize(exaggerated(field, times), (640, round(640 * size[1] / size[0])))
    drawn = np.ascontiguousarray(made[..., ::-1])
    scale = 640 / size[0]
    place = (round(part.x * scale), round(part.y * scale))
    cv2.circle(drawn, place, round(part.size * scale / 2), (40, 40, 40), 1, cv2.LINE_AA)
    caption = (
        f"Hues of the field at even light, their differences from the border {times:.0f} times "
        f"enlarged; the ring is where the tint is half as strong as at ({part.x:.0f}, "
        f"{part.y:.0f}) px."
    )
    return encode("hues.png", caption, drawn)


def _picture(watcher: FlatMean, found: MeasuredShading | None) -> Picture:
    assert watcher.luma is not None
    drawn = canvas(watcher.luma)
    if found is not None:
        draw_cross(drawn, found.centre, BLUE)
        if found.spot is not None:
            place = (round(found.spot.x), round(found.spot.y))
            cv2.circle(drawn, place, max(8, round(found.spot.size)), (0, 94, 213), 2)
    return encode("flat_field.png", "The flat field, its optical centre and any hot spot.", drawn)


def _figures(found: MeasuredShading) -> tuple[Figure, ...]:
    rows, columns = found.stops.shape
    cells: dict[str, list[Any]] = {"x": [], "y": [], "stops": [], "tint": []}
    for r in range(1, rows, 4):
        for c in range(1, columns, 4):
            cells["x"].append(round((c + 0.5) / columns * 100))
            cells["y"].append(round((r + 0.5) / rows * 100))
            cells["stops"].append(round(float(found.stops[r, c]), 3))
            cells["tint"].append(round(float(found.tint[r, c]) * 1000, 2))
    across, down = Axis("x", "across", "%"), Axis("y", "down", "%")
    return (
        Figure(
            "fall-off", "Fall-off of light", "Darker cells get less light than the centre.", cells,
            across, down, (Mark("cells", shade="stops", label="stops"),),
        ),
        Figure(
            "tint", "Tint", "Cells with another hue than the centre, in thousandths of Δu'v'.",
            cells, across, down, (Mark("cells", shade="tint", label="Δu'v' × 1000"),),
        ),
    )  # fmt: skip
