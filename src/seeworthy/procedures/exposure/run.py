"""Run of `exposure`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence
from typing import Any

import cv2
import numpy as np

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import earned, number, spread_of
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Outcome, Picture, Result, result
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.media.frames import Stage
from seeworthy.observe.edge_passes import EdgeWatch
from seeworthy.observe.evidence import ORANGE, VERMILION, canvas, encode
from seeworthy.observe.steadied import SteadyingWatch, refuse_steadied
from seeworthy.optics.tone import Tone
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.exposure.adaptation import Adaptation, LightTrace, measure_adaptation
from seeworthy.procedures.exposure.figures import blur_figure, trace_figure
from seeworthy.procedures.exposure.measure import Exposure, measure_exposure

_FAR = 0.3  # of the width, from where the edge rested: there the lens is another (a judgement)


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Keep bands of rows of moving edges, and a trace of the light of every clip."""

    def linear(stage: Stage) -> Callable[[Any], Any]:
        return inputs.light(stage).linear

    watches = [Watch(source, LightTrace(linear)) for source in inputs.all_files()]
    rest = inputs.all_files("rest")
    if rest:
        watches += [Watch(s, EdgeWatch(linear, moving=True)) for s in inputs.all_files()]
        watches.append(Watch(rest[0], EdgeWatch(linear, moving=False)))
        watches += [
            Watch(s, SteadyingWatch(), optional=True, alike="steadied") for s in inputs.all_files()
        ]
    return watches


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return exposure time, adaptation time, or both, as the clips allow."""
    count = len(inputs.all_files())
    watches = list(seen.watches)
    traces: list[LightTrace] = [w.observer for w in watches[:count]]  # type: ignore[misc]
    # Of a clip each, and the one at rest.
    edges: list[EdgeWatch] = [w.observer for w in watches[count : 2 * count + 1]]  # type: ignore[misc]
    refusals: list[CannotMeasure] = []
    held = [
        refuse_steadied(
            w.observer, w.source.name, "What smears an edge is not the motion that shows.",
            "Else put the camera on a stand and move the edge.",
        )
        for w in watches[2 * count + 1 :]
    ]  # fmt: skip
    refusals += [h for h in held if h is not None]
    exposure, shown = _exposure(edges, held, refusals) if edges else (None, None)
    steps = _adaptation(traces, refusals)
    if exposure is None and not steps:
        _refuse(refusals, edges)
    pictures = [] if exposure is None or shown is None else [_picture(exposure, shown)]
    results = [] if exposure is None else [_time_result(exposure)]
    tones = [inputs.tone(t.stage) for t in traces if t.stage is not None]
    tone = tones[0] if tones else Tone()
    results += [_step_result(s, tone) for s in steps]
    figures = [] if exposure is None else [blur_figure(exposure)]
    figures += [trace_figure(s, k) for k, s in enumerate(steps)]
    return Outcome(
        tuple(results),
        _findings(exposure, steps, tone),
        (*_doubts(exposure, steps, inputs, traces, refusals if edges else []), *tone.said),
        tuple(pictures),
        tuple(figures),
        sentence=_sentence(exposure, steps, results),
    )


def _exposure(
    edges: list[EdgeWatch], steadied: list[CannotMeasure | None], refusals: list[CannotMeasure]
) -> tuple[Exposure, EdgeWatch] | tuple[None, None]:
    """Return the exposure and the watch of the clip that tells it."""
    *moving, rest = edges
    found: list[tuple[Exposure, EdgeWatch]] = []
    for watch, held in zip(moving, steadied, strict=True):
        if held is not None:
            continue
        try:
            found.append((measure_exposure(watch, rest), watch))
        except CannotMeasure as refusal:
            refusals.append(refusal)
    # Of two clips with a moving edge the one with more passes is the better measured.
    return max(found, key=lambda e: len(e[0].passes)) if found else (None, None)


def _adaptation(traces: list[LightTrace], refusals: list[CannotMeasure]) -> list[Adaptation]:
    steps: list[Adaptation] = []
    for trace in traces:
        try:
            steps += measure_adaptation(trace)
        except CannotMeasure as refusal:
            refusals.append(refusal)
    steps.sort(key=lambda s: not s.brighter)
    return steps


def _refuse(refusals: list[CannotMeasure], edges: list[EdgeWatch]) -> None:
    said = list(dict.fromkeys(r.message for r in refusals))
    hints = list(dict.fromkeys(r.hint for r in refusals if r.hint))
    if not edges:
        hints.append("For the exposure time give the same edge at rest, --with rest=FILE.")
    raise CannotMeasure(" ".join(said), " ".join(hints))


def _time_result(found: Exposure) -> Result:
    ms = 1000.0
    conditions: dict[str, Any] = {}
    interval = None
    if found.bound:
        conditions["bound"] = "upper"
        interval = (0.0, found.time * ms)
    return result(
        "exposure_time", found.time * ms, n=len(found.passes), dof=found.dof, interval=interval,
        conditions=conditions, evidence=["moving_edge.png"], budget=found.budget,
    )  # fmt: skip


def _step_result(step: Adaptation, tone: Tone) -> Result:
    size = max(1, round(abs(step.stops)))
    conditions: dict[str, Any] = {
        "step": "dark to bright" if step.brighter else "bright to dark",
        # To the nearest stop, so that takes of one lamp are alike.
        "size": f"about {size} stop{'s' if size > 1 else ''}",
    }
    if step.clipped:
        conditions["bound"] = "upper"
    curve = tone.of_run(step.time, step.stops, step.settled)
    parts = (Component("trace and frames", step.u, "s", source="scatter"), curve)
    room = coverage_factor() * curve.part
    ends = (
        max(0.0, step.time - math.hypot(step.time - step.low, room)),
        step.time + math.hypot(step.high - step.time, room),
    )
    return result("adaptation_time", step.time, interval=ends, conditions=conditions, budget=parts)


def _findings(exposure: Exposure | None, steps: list[Adaptation], tone: Tone) -> dict[str, Any]:
    findings: dict[str, Any] = {"tone": tone.words}
    if exposure is not None:
        findings["image_speed_px_s"] = round(
            statistics.median(abs(p.speed) for p in exposure.passes), 1
        )
        findings["blur_px"] = round(statistics.median(p.length for p in exposure.passes), 2)
        findings["edge_at_rest_px"] = round(exposure.rest_width, 2)
    if steps:
        findings["light_step_stops"] = [round(s.stops, 2) for s in steps]
        findings["adaptation_time_linear_s"] = [round(s.linear, 3) for s in steps if not s.clipped]
        findings["overshoots"] = any(s.rings for s in steps)
    return findings


def _doubts(
    exposure: Exposure | None,
    steps: list[Adaptation],
    inputs: Inputs,
    traces: list[LightTrace],
    refusals: list[CannotMeasure],
) -> tuple[str, ...]:
    said: list[str] = []
    if exposure is None:
        said += [f"No exposure time: {r.message}" for r in refusals[:1]]
    else:
        if exposure.bound:
            said.append(
                "The edge is blurred less by the motion than by the lens: the exposure time is an "
                "upper bound. A faster edge would tell more."
            )
        if exposure.far > _FAR:
            said.append(
                "The edge at rest stands far from where the moving one was seen; a lens that is "
                "softer there adds to the blur."
            )
        if exposure.time > 1.05 * exposure.interval and not exposure.bound:
            said.append("The exposure comes out longer than the time between frames.")
    if any(s.clipped for s in steps):
        said.append(
            "Right after the step the picture was clipped, so the adaptation time is an upper "
            "bound. A smaller step of light would tell more."
        )
    if any(s.rings for s in steps):
        said.append("The exposure overshoots before it settles.")
    for trace in traces:
        if trace.stage is not None:
            said += inputs.light(trace.stage).assumptions
    return tuple(dict.fromkeys(said))


def _sentence(exposure: Exposure | None, steps: list[Adaptation], results: Sequence[Result]) -> str:
    said = []
    if exposure is not None:
        one = results[0]
        spread = spread_of(*one.interval, one.u) / one.value
        part = (
            f"1/{number(1 / exposure.time, spread / exposure.time)} s" if exposure.time < 0.5
            else f"{earned(one, 1e-3)} s"
        )  # fmt: skip
        if exposure.bound:
            said.append(f"Each picture is exposed for {part} at the most in this light")
        else:
            said.append(f"Each picture is exposed for about {part} in this light")
    if steps:
        step = steps[0]
        way = "from dark to bright" if step.brighter else "from bright to dark"
        one = next(r for r in results if r.measurand == "adaptation_time")
        high = number(step.high, spread_of(*one.interval, one.u))
        span = f"{earned(one)} s" if not step.clipped else f"at most {high} s"
        said.append(f"{way} the camera adapts within {span}")
    text = "; ".join(said)
    return text[:1].upper() + text[1:] + "."


def _picture(found: Exposure, watch: EdgeWatch) -> Picture:
    best = max(found.passes, key=lambda p: p.line.bands - 0.01 * abs(p.line.x))
    bands = watch.frames[best.line.frame]
    # The bands one below the other, each drawn high enough to be seen.
    tall = max(1, 480 // bands.shape[0])
    bytes_ = np.clip(255 * np.clip(bands, 0, 1) ** 0.45, 0, 255).astype(np.uint8)
    drawn = canvas(np.repeat(bytes_, tall, axis=0))
    for b, row in enumerate(watch.rows):
        x = float(np.polyval(best.line.lean, row))
        for offset, colour in (
            (-best.length / 2, ORANGE),
            (0.0, VERMILION),
            (best.length / 2, ORANGE),
        ):
            at = round(x + offset)
            cv2.line(drawn, (at, b * tall), (at, b * tall + tall - 1), colour, 1)
    caption = (
        f"Thin bands of rows of one frame, the moving edge and the {best.length:.1f} px over which "
        "it is smeared."
    )
    return encode("moving_edge.png", caption, drawn)
