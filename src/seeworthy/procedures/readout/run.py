"""Run of `readout`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from seeworthy.ground.errors import BadQuantity, CannotMeasure, WrongCall
from seeworthy.ground.examples import as_options
from seeworthy.ground.propagation import u_rectangular
from seeworthy.ground.results import Outcome, Picture
from seeworthy.observe.motion_tracks import MotionWatch
from seeworthy.observe.row_bands import ReadoutWatch
from seeworthy.observe.steadied import MOST, SteadyingWatch, refuse_steadied, tell_steadied
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.readout.answer import RowTimeAnswer, findings_of, results_of, sentence_of
from seeworthy.procedures.readout.figures import band_figure, lean_figure
from seeworthy.procedures.readout.from_flight import readout_of_flight
from seeworthy.procedures.readout.hand import (
    HandScene,
    hand_row_time,
    image_speed,
    lean_at,
    parts_of,
)
from seeworthy.procedures.readout.horizon import level_line
from seeworthy.procedures.readout.lamp import LampReadout, measure_lamp
from seeworthy.procedures.readout.level import SpiritLevel, either
from seeworthy.procedures.readout.pan import FOLLOWED, judge_pan
from seeworthy.procedures.readout.passing import Passing, measure_passing
from seeworthy.procedures.readout.picture import draw_bands, draw_edges, draw_nothing


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Ask for bands of the moving frames, and for row brightness where a lamp is named."""
    if not inputs.all_files():
        return ()
    if inputs.option("method") == "flight":
        return (Watch(inputs.file(), MotionWatch()),)
    lamp = inputs.reading("lamp_frequency") is not None
    bands = Watch(inputs.file(), ReadoutWatch(lamp_frames=128 if lamp else 0))
    held = SteadyingWatch(FOLLOWED)
    return bands, Watch(inputs.file(), held, optional=True, alike="steadied", reach=FOLLOWED)


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Measure by every method that the inputs allow, the most certain first."""
    watch: Any = seen.watches[0].observer if seen.watches else None
    width, height = _size(inputs, watch)
    answers, refusals, passing = _from_clip(inputs, seen)
    warnings: list[str] = []
    scene = _scene(inputs)
    hand = _by_hand(inputs, scene, passing, (width, height), warnings) if scene else None
    if hand is not None:
        answers.append(hand)
    if not answers:
        if refusals:
            raise refusals[0]
        raise WrongCall(
            "There is neither a clip nor a full set of readings.",
            "Give a clip of passing uprights, or lean, speed, distance and hfov.",
        )
    answers.sort(key=lambda a: math.inf if a.most is not None else a.whole_u / a.row_time)
    for answer in answers:
        warnings += answer.warnings
    if inputs.reading("lamp_frequency") is not None and not any(
        a.method == "lamp" for a in answers
    ):
        warnings += [f"The lamp method did not answer: {r.message}" for r in refusals[:1]]
    best = answers[0]
    findings = findings_of(answers)
    return Outcome(
        tuple(results_of(answers, height, scene, width)),
        findings,
        tuple(warnings),
        tuple(p for a in answers for p in a.pictures),
        tuple(f for a in answers for f in a.figures),
        best.method,
        sentence_of(best, width, height),
    )


def _steadied(inputs: Inputs, seen: Seen) -> CannotMeasure | None:
    """Return why uprights of a picture that was steadied tell nothing."""
    return refuse_steadied(
        seen.watches[1].observer,
        inputs.file().name,
        "Uprights lean by the camera's own motion, which is not the one that shows.",
        f"Else put the camera on a stand and use a lamp ({as_options('readout.lamp_frequency')}).",
    )


def _from_clip(
    inputs: Inputs, seen: Seen
) -> tuple[list[RowTimeAnswer], list[CannotMeasure], Passing | None]:
    watch: Any = seen.watches[0].observer if seen.watches else None
    wanted = inputs.option("method")
    frequency = inputs.reading("lamp_frequency")
    if wanted == "lamp" and frequency is None:
        raise WrongCall(
            "The lamp method needs the lamp's frequency.",
            f"Add {as_options('readout.lamp_frequency')} (twice the mains frequency for mains "
            "lamps).",
        )
    if wanted and watch is None:
        raise WrongCall(f"The method '{wanted}' needs a clip.", "Name the clip.")
    answers: list[RowTimeAnswer] = []
    refusals: list[CannotMeasure] = []
    passing: Passing | None = None
    if watch is None:
        return answers, refusals, passing
    if wanted == "flight":
        return [_flight(inputs, watch)], refusals, passing
    if frequency is not None and wanted in ("", "lamp"):
        try:
            answers.append(_lamp(inputs, watch))
        except CannotMeasure as refusal:
            refusals.append(refusal)
    if wanted in ("", "passing"):
        try:
            steadied = _steadied(inputs, seen)
            if steadied is not None:
                raise steadied
            passing, answer = _passing(inputs, watch, seen.watches[1].observer)
            answers.append(answer)
        except CannotMeasure as refusal:
            refusals.append(_with_frame(refusal, watch))
    return answers, refusals, passing


def _with_frame(refusal: CannotMeasure, watch: ReadoutWatch) -> CannotMeasure:
    """Add a frame to a refusal, so that a person sees what the measure was given."""
    picture = draw_nothing(watch.pictures)
    if picture is None:
        return refusal
    caption = "A frame of the clip: no set of uprights that carries the figure was found in it."
    shown = Picture("readout_refused.png", caption, picture)
    return CannotMeasure(refusal.message, refusal.hint, (shown,))


def _size(inputs: Inputs, watch: ReadoutWatch | MotionWatch | None) -> tuple[int, int]:
    """Return columns and rows of the frame; 1280x720 unless said otherwise."""
    if watch is not None and watch.width:
        return watch.width, watch.height
    text = inputs.option("size", "1280x720")
    match = re.fullmatch(r"\s*(\d{2,5})\s*[x×*]\s*(\d{2,5})\s*", text)
    if not match:
        raise BadQuantity(f"'{text}' is not a frame size.", "Write it like 1280x720.")
    return int(match.group(1)), int(match.group(2))


def _scene(inputs: Inputs) -> HandScene | None:
    given = {name: inputs.reading(name) for name in ("speed", "distance", "hfov")}
    speed, distance, hfov = given.values()
    if speed is None or distance is None or hfov is None:
        if inputs.reading("lean") is not None:
            missing = ", ".join(name for name, value in given.items() if value is None)
            raise WrongCall(
                f"A lean by hand needs speed, distance and hfov too; missing: {missing}.",
                f"Add {as_options('readout.speed', 'readout.distance', 'readout.hfov')}.",
            )
        return None
    if not 1 <= hfov.value < 170:
        raise BadQuantity(
            f"A horizontal view of {hfov.value:g}° cannot be used here.",
            "Give the angle from side to side, between 1 and 170 degrees.",
        )
    return HandScene(
        (speed.value, speed.u),
        (distance.value, distance.u),
        (math.radians(hfov.value), math.radians(hfov.u)),
    )


def _passing(inputs: Inputs, watch: ReadoutWatch, held: Any) -> tuple[Passing, RowTimeAnswer]:
    roll = inputs.reading("roll")
    level = SpiritLevel.of_roll(roll.value, roll.u) if roll is not None else None
    if inputs.option("level") == "horizon":
        level = either(level, level_line(watch.pictures))
    found = measure_passing(watch, level=level)
    unknown = inputs.option("steadying") != "off"
    found = judge_pan(found, held.motion.pairs, watch.width, steadied=unknown)
    fit = found.fit
    picture = draw_edges(found, watch.pictures)
    objects = len(fit.normal)
    findings: dict[str, Any] = {
        "uprights_used": objects,
        "edges_used": len(found.tracks),
        "edges_left_out": found.left_out,
        "fastest_speed_px_s": round(float(max(abs(fit.speed))), 1),
        "lean_px": round(found.lean, 2),
        "both_directions": bool(fit.speed.min() < 0 < fit.speed.max()),
        "level": found.level.rests_on if found.level else "both directions of the clip",
        "roll_deg": round(math.degrees(math.atan(fit.roll)), 3),
        "side_lean_deg": round(math.degrees(math.atan(fit.pitch)), 3),
        "upright_scatter_deg": round(math.degrees(math.atan(fit.tilt)), 3),
        "bend_percent": round(100 * fit.bend, 2),
        "frame_interval_ms": round(1e3 * watch.interval, 4),
    }
    warnings: tuple[str, ...] = ()
    if found.within is not None:
        findings["swept_widths"] = round(found.swept, 2)
        warnings = (
            "The whole picture pans, so a camera that steadies it may have held back a part of "
            "what it shows. If yours does not, or it was switched off, say so with --option "
            "steadying=off; else pan through several widths of the picture each way.",
        )
    hfov = inputs.reading("hfov")
    if hfov is not None:
        # Uprights of a pitched camera meet at a point f / tan(pitch) above or below the middle.
        slope = fit.pitch / math.tan(math.radians(hfov.value) / 2)
        findings["pitch_deg"] = round(math.degrees(math.atan(slope)), 3)
    pictures: tuple[Picture, ...] = ()
    if picture is not None:
        caption = "Edges found on one frame, with image speed and lean over the frame."
        pictures = (Picture("readout_edges.png", caption, picture),)
    answer = RowTimeAnswer(
        "passing",
        found.row_time,
        found.u,
        found.dof,
        objects,
        None if found.most is not None else found.upwards,
        found.most,
        found.within,
        found.parts,
        findings,
        pictures,
        (lean_figure(found, watch.height),),
        warnings,
    )
    return found, answer


def _flight(inputs: Inputs, watch: MotionWatch) -> RowTimeAnswer:
    told = tell_steadied(watch.pairs[:MOST], watch.width, watch.height)
    name = inputs.file().name
    if told.state == "yes":
        raise told.refusal(name, "Its rows lean by the camera's own motion, not the one it shows.")
    if told.state != "no" and inputs.option("steadying") != "off":
        raise CannotMeasure(
            f"Whether the camera steadied '{name}' cannot be told, and a share that was taken out "
            "passes for a longer read-out.",
            "If it cannot steady, or that was switched off, say so: --option steadying=off.",
        )
    found = readout_of_flight(watch.pairs, watch.width, watch.height)
    sides = [[round(1e3 * abs(v), 3), round(1e3 * u, 3)] for v, u in found.by_axis]
    return RowTimeAnswer(
        "flight", abs(found.readout) / watch.height, found.u / watch.height, found.dof, found.pairs,
        found.readout < 0,
        parts=tuple(replace(c, u=c.u / watch.height) for c in found.parts),
        findings={"by_axis_ms": sides, "moved_px": round(found.moved, 2)},
    )  # fmt: skip


def _lamp(inputs: Inputs, watch: ReadoutWatch) -> RowTimeAnswer:
    reading = inputs.reading("lamp_frequency")
    assert reading is not None
    mains = inputs.option("lamp") == "mains"
    factor = 2 if mains else 1
    frequency, u = factor * reading.value, factor * reading.u
    if not reading.stated:
        u = _tolerance(frequency, u, mains)
    times, rows, light = watch.rows()
    found = measure_lamp(times, rows, light, frequency, u, watch.height, watch.interval)
    pictures: tuple[Picture, ...] = ()
    if watch.first is not None:
        caption = "First frame with the brightness of its rows (blue) and the fitted bands (red)."
        pictures = (Picture("readout_bands.png", caption, draw_bands(found, watch.first)),)
    findings = {
        "bands_per_frame": round(found.bands, 3),
        "flicker_frequency_hz": round(found.frequency, 4),
        "band_depth": round(found.depth[0], 4),
        "frame_interval_ms": round(1e3 * watch.interval, 4),
    }
    return RowTimeAnswer(
        "lamp",
        found.row_time,
        found.u,
        found.dof,
        found.frames,
        found.upwards,
        parts=found.parts,
        findings=findings,
        pictures=pictures,
        figures=(band_figure(found),),
        warnings=_doubt_lamp(found, reading.value, mains),
    )


def _tolerance(frequency: float, digits: float, mains: bool) -> float:
    """Return the standard uncertainty of a frequency that was typed without one, by kind of lamp.

    A lamp on the mains goes with it: 0.1 % either way, rectangular (what large grids keep nearly
    always; EN 50160 allows 1 %, from memory). Of any other lamp nothing is known but the digits.
    """
    on_mains = mains or any(abs(frequency / f - 1) < 0.005 for f in (100.0, 120.0))
    limit = u_rectangular(1e-3 * frequency)
    return limit if on_mains else max(digits, limit)


def _doubt_lamp(found: LampReadout, typed: float, mains: bool) -> tuple[str, ...]:
    said = []
    if not found.agrees:
        said.append(
            f"From frame to frame the bands run at {found.frequency:.2f} Hz by the camera's clock, "
            "not at what was typed: that is used."
        )
    if not mains and (abs(typed - 50) < 0.6 or abs(typed - 60) < 0.6):
        said.append(
            f"{typed:g} Hz is a mains frequency: a lamp on the mains flickers at twice that. If "
            "this is such a lamp, give --option lamp=mains; else the result stands."
        )
    if len(found.depth) > 1 and found.depth[1] > 3 * found.depth[0]:
        said.append(
            "The light flickers mostly at twice the stated frequency. Check whether the mains "
            "frequency was typed instead of the light's."
        )
    return tuple(said)


def _by_hand(
    inputs: Inputs,
    scene: HandScene,
    passing: Passing | None,
    size: tuple[int, int],
    warnings: list[str],
) -> RowTimeAnswer | None:
    width, _ = size
    lean = inputs.reading("lean")
    if lean is not None:
        if not 0 < lean.value < 60:
            raise BadQuantity(
                f"A lean of {lean.value:g}° is not usable.", "Give 0.1 to 60 degrees."
            )
        angle = math.radians(lean.value)
        slope = (math.tan(angle), math.radians(lean.u) / math.cos(angle) ** 2)
        n, source = 1, "lean read by hand"
        if not inputs.all_files() and not inputs.option("size"):
            warnings.append("A frame of 1280x720 was assumed; give --option size= for another.")
    else:
        if passing is None:
            return None
        expected = image_speed(scene, width)
        found = lean_at(passing, expected)
        if found is None:
            warnings.append(
                f"By the readings uprights pass at about {expected:.0f} px/s, but none does: "
                "check speed, distance and hfov, and that the distance is that of the uprights."
            )
            return None
        (slope, n), source = found, "lean measured in the clip"
    time = hand_row_time(slope, scene, width)
    parts = parts_of(time, ("slope of the uprights", slope[1], "", source), scene)
    return RowTimeAnswer(
        "hand", time.value, time.u, time.dof, n, parts=parts, findings={"hand_lean": source}
    )
