"""Run of `pad-time`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from seeworthy.clock.ends import EndWatch
from seeworthy.clock.watch import ClockWatch
from seeworthy.ground.budget import Component
from seeworthy.ground.digits import earned, said_result
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.examples import as_options
from seeworthy.ground.results import Outcome, Result, result
from seeworthy.ground.uncertainty import effective_dof, lower
from seeworthy.media.frames import Part
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.pad_time.measure import MeanDelay, at_second, delay, mean, start

_HEAD = 2.0  # s of the clip that are looked at
_ROUND = 1.0  # s about the press that are looked at
_ROWS = 0.02 / math.sqrt(12)
"""s; clock and button are in other rows of the witness's picture, which are read up to its
read-out time apart (a judgement: 20 ms, rectangular)."""
_RUNS = 0.02
"""Of a recording time; how much one cell's runs differ where they were not repeated (a
judgement)."""


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Look at the beginning of each clip and at the press in its witness."""
    clips, witnesses = inputs.all_files(), inputs.all_files("witness")
    pressed = inputs.all_readings("pressed")
    if not len(clips) == len(witnesses) == len(pressed):
        raise WrongCall(
            f"{len(clips)} clips, {len(witnesses)} witness clips and {len(pressed)} seconds of the "
            "press were given.",
            "Give one of each per start, in the same order: witness=FILE and --reading "
            'pressed="4.37 s ± 0.02 s".',
        )
    watches = []
    for clip, witness, at in zip(clips, witnesses, pressed, strict=True):
        watches.append(Watch(clip, EndWatch(), (Part(0.0, _HEAD),)))
        begin = max(at.value - _ROUND, 0.0)
        # A press after the witness's end leaves nothing to decode; `at_second` says so.
        part = Part(begin, 2 * _ROUND)
        watches.append(Watch(witness, ClockWatch(), (part,), optional=True))
    return watches


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return every figure whose readings or clips were given."""
    found: list[Result] = []
    findings: dict[str, Any] = {}
    found += _ready(inputs, findings)
    found += _cost(inputs)
    found += _starts(inputs, seen, findings)
    if not found:
        raise CannotMeasure(
            "Nothing was given that tells how it waits or starts.",
            f"Add readings such as {as_options('pad-time.waited')}.",
        )
    return Outcome(tuple(found), findings, sentence=_sentence(found))


def _mean_of(inputs: Inputs, name: str) -> MeanDelay | None:
    given = inputs.all_readings(name)
    return mean([q.value for q in given], [q.u for q in given]) if given else None


def _ready(inputs: Inputs, findings: dict[str, Any]) -> list[Result]:
    """Return how long it stays ready, or that it does so at least."""
    waited, still = _mean_of(inputs, "waited"), inputs.reading("still_ready")
    if waited is not None and still is not None:
        raise WrongCall(
            "It cannot both have switched itself off and still have been ready.",
            "Give `waited` or `still_ready`.",
        )
    if still is not None:
        findings["ready_at_least"] = True
        least = max(lower(still.value, still.u), 0.0)
        part = Component("watch, as typed", still.u, "min", source="reading", common="still_ready")
        return [
            result("ready_time", still.value, interval=(least, math.inf), budget=(part,),
                   conditions={"bound": "lower"})
        ]  # fmt: skip
    if waited is None:
        return []
    findings["ready_at_least"] = False
    parts = _parts(waited, "min", 1.0, "waited")
    return [
        result("ready_time", waited.value, n=waited.n, dof=_dof(parts, (waited,)), budget=parts)
    ]


def _parts(one: MeanDelay, unit: str, by: float, reading: str, name: str = "") -> list[Component]:
    """Return what a mean of readings adds: the instrument, and the scatter of repeats."""
    said = f"{name}, " if name else ""
    parts = [Component(f"{said}as typed", one.stated, unit, by, source="reading",
                       common=reading)]  # fmt: skip
    if one.n > 1:
        parts.append(
            Component(f"{said}scatter", one.scatter, unit, by, f"t ({one.n - 1} dof)",
                      f"{one.n} readings")
        )  # fmt: skip
    return parts


def _dof(parts: Sequence[Component], means: Sequence[MeanDelay]) -> float:
    scattered = iter([m.dof for m in means if m.n > 1])
    pairs = [
        (p.part, next(scattered) if p.distribution.startswith("t (") else math.inf) for p in parts
    ]
    return effective_dof(pairs) if any(u > 0 for u, _ in pairs) else math.inf


def _cost(inputs: Inputs) -> list[Result]:
    """Return how much of the recording time an hour of standing by takes."""
    fresh, after = _mean_of(inputs, "run_fresh"), _mean_of(inputs, "run_stood")
    stood = _mean_of(inputs, "stood")
    if fresh is None and after is None and stood is None:
        return []
    if fresh is None or after is None or stood is None:
        raise CannotMeasure(
            "What standing by costs needs both recording times and how long it stood.",
            "Add " + as_options("pad-time.run_fresh", "pad-time.run_stood", "pad-time.stood") + ".",
        )
    left = after.value / fresh.value
    cost = 100 * (1 - left) / stood.value
    slope = 100 / (fresh.value * stood.value)
    parts = [
        *_parts(fresh, "min", slope * left, "run_fresh", "full cell"),
        *_parts(after, "min", -slope, "run_stood", "after standing by"),
        *_parts(stood, "h", -cost / stood.value, "stood", "waiting"),
    ]
    for one, by, name in ((fresh, slope * left, "full cell"), (after, -slope, "after")):
        if one.n == 1:
            parts.append(
                Component(f"runs of one cell, {name}", _RUNS * one.value, "min", by,
                          source="judgement: runs of one cell differ by 2 %")
            )  # fmt: skip
    dof = _dof(parts, (fresh, after, stood))
    return [result("standby_cost", cost, n=min(fresh.n, after.n), dof=dof, budget=parts)]


def _starts(inputs: Inputs, seen: Seen, findings: dict[str, Any]) -> list[Result]:
    """Return the delay from button to first picture, a mean over the starts."""
    pressed = inputs.all_readings("pressed")
    if not pressed:
        return []
    observers: list[Any] = [w.observer for w in seen.watches]
    delays, reading, clock = [], [], []
    for at, head, witness in zip(pressed, observers[::2], observers[1::2], strict=True):
        begun, u_begun = start(head.track(), head.first)
        down, u_down = at_second(witness.track(), at.value)
        delays.append(delay(down, begun))
        reading.append(at.u)
        clock.append(math.hypot(u_begun, u_down))
    findings["starts"] = [round(d, 3) for d in delays]
    one = mean(delays, reading)
    share = math.sqrt(one.n)  # reading errors of starts are independent of each other
    parts = [
        Component("second of the press, as typed", one.stated / share, "s", source="reading"),
        Component("clock in both clips", sum(clock) / len(clock) / share, "s",
                  source="updates of the screen"),
        Component("rows of the witness", _ROWS, "s", source="judgement: 20 ms of read-out"),
    ]  # fmt: skip
    if one.n > 1:
        parts.append(
            Component("scatter of the starts", one.scatter, "s", 1.0, f"t ({one.n - 1} dof)",
                      f"{one.n} starts")
        )  # fmt: skip
    return [
        result("start_delay", one.value, n=one.n, dof=_dof(parts, (one,)), budget=parts)
    ]  # fmt: skip


def _sentence(found: Sequence[Result]) -> str:
    said = []
    for r in found:
        if r.measurand == "ready_time":
            said.append(f"it stays ready for {said_result(r)}")
        elif r.measurand == "standby_cost":
            said.append(f"an hour of waiting eats {earned(r)} % of the recording time")
        else:
            said.append(f"the first picture comes {earned(r)} s after the button")
    text = "; ".join(said)
    return f"{text[:1].upper()}{text[1:]}."
