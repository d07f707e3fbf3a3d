"""Run of `tie`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import said_result
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Result, result
from seeworthy.media.sound import open_sound
from seeworthy.media.source import Source
from seeworthy.observe.changes import ChangeWatch
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.tie.axis import G, TimeAxis, acceleration, log_of
from seeworthy.procedures.tie.measure import (
    BIN,
    Matched,
    jumps,
    match,
    sudden_shocks,
    sudden_sounds,
)

Floats = npt.NDArray[np.float64]

_ONSET = 2e-3
"""s, standard, alike in all knocks of a take: a shock rings up in the body within some ms where the
sound is there at once (a judgement; our rendered shocks of 60 Hz come 1 to 2 ms late)."""
_HOLE = 0.01  # s by which the sound's stamps may be off its samples, as in `sync` (a judgement)
_SHOWN = 1200  # points of the figure


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Ask for how much pictures change."""
    open_sound(inputs.file())  # refuses a clip without sound before anything is decoded
    return (Watch(inputs.file(), ChangeWatch()),)


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return how the logger's clock stands to the clip's."""
    watch = seen.watches[0].observer
    assert isinstance(watch, ChangeWatch)
    base = float(seen.passes[inputs.file()].stage.time_base)
    known = [i for i, s in enumerate(watch.stamps) if s is not None]
    stamps = np.array([watch.stamps[i] for i in known], float) * base
    changes = np.array(watch.changes, float)[known]
    if stamps.size < 3:
        raise CannotMeasure("The clip's pictures have no times.", "Give the camera's own file.")
    heard = sudden_sounds(*_power(inputs.file()))
    log = log_of(inputs)
    time, accel = acceleration(log)
    logged, step = sudden_shocks(time, accel)
    found = match(heard, logged, step)
    frame = float(np.median(np.diff(stamps)))
    jumped = jumps(stamps, changes, found.heard)
    late, part = _late(inputs, found.heard - jumped, frame)
    shown = found.heard - late
    results, findings_ = _tied(shown, found, step, part)
    findings = {
        "knocks": [
            [round(float(a), 4), round(float(b), 4)]
            for a, b in zip(shown, found.logged, strict=True)
        ],
        "heard": int(heard.time.size),
        "logged": int(logged.time.size),
        "seen": int(np.isfinite(jumped).sum()),
        "sound_late_ms": round(1e3 * late, 1),
        **findings_,
    }
    here = TimeAxis.of(results, findings).of_clip(time)
    figure = _figure(here, accel, stamps, changes, shown)
    text = f"Add {said_result(results[0])} to the clip's time to get the logger's"
    if len(results) > 1:
        text += f"; its clock runs {said_result(results[1])} faster than the clip's"
    return Outcome(
        results, findings, tuple(log.notes), (), (figure,), "knock", f"{text}."
    )  # fmt: skip


def _power(source: Source) -> tuple[Floats, float]:
    """Return the power of the sound's changes per bin, and the second at which the first begins.

    Only sums over bins are kept: the sound of a long flight fills a small computer.
    """
    sound = open_sound(source)
    parts: list[tuple[int, npt.NDArray[Any], npt.NDArray[np.intp]]] = []
    step, start, place, last = sound.rate * BIN, 0.0, 0, None
    for block in sound.blocks():
        samples = block.samples.mean(axis=1).astype(float)
        if not samples.size:
            continue
        at = None if block.pts is None else float(block.pts * sound.time_base)
        if last is None:
            start, last = at or 0.0, float(samples[0])
        elif at is not None and abs(at - start - place / sound.rate) > _HOLE:
            place, last = max(0, round((at - start) * sound.rate)), float(samples[0])
        # Differences of samples: a knock is high, wind and hum are low.
        change = np.diff(samples, prepend=last) ** 2
        number = ((place + np.arange(change.size) + 0.5) / step).astype(np.intp)
        first = int(number[0])
        parts.append(
            (first, np.bincount(number - first, weights=change), np.bincount(number - first))
        )
        place, last = place + change.size, float(samples[-1])
    if not parts:
        raise CannotMeasure("The sound track is empty.", "Film again with the microphone on.")
    power = np.zeros(max(first + sums.size for first, sums, _ in parts))
    counts = np.zeros(power.size)
    for first, sums, number in parts:
        power[first : first + sums.size] += sums
        counts[first : first + sums.size] += number
    known = counts > 0
    power[known] /= counts[known]
    # A hole is as loud as the clip usually is, or the sound after it would set in at once.
    power[~known] = np.median(power[known])
    return power, start


def _late(inputs: Inputs, seen: Floats, frame: float) -> tuple[float, Component]:
    """Return by how much the sound is late, s, and what that adds in doubt."""
    told = inputs.reading("av_offset")
    jumped = seen[np.isfinite(seen)]
    # A knock falls between the end of the exposure before and that of the first picture that
    # jumps: a frame long, by chance. Alike in all: the exposure, up to a frame (half of one is
    # taken), and that a first swing may be too small for one picture.
    by_eye = float(jumped.mean()) if jumped.size else 0.0
    u_eye = frame / math.sqrt(12) * math.sqrt(1 / max(jumped.size, 1) + 4)
    if told is None:
        if not jumped.size:
            raise CannotMeasure(
                "The picture does not jump at the knock, and how late the sound is was not told.",
                "Knock harder, with something sharp in view, or measure `sync` and add --reading "
                "av_offset.",
            )
        return by_eye, Component("sound against picture, by the jumps", 1e3 * u_eye, "ms",
                                 source="a frame's length and exposure, rectangular")  # fmt: skip
    late, u = told.value / 1e3, told.u / 1e3
    if jumped.size and abs(by_eye - late) > frame + 2 * u:
        raise CannotMeasure(
            f"By the picture the sound is {1e3 * by_eye:.0f} ms late, by the reading "
            f"{1e3 * late:.0f} ms.",
            "Check the reading's sign (late is positive) and that it is of this camera and mode.",
        )
    return late, Component("sound against picture", 1e3 * u, "ms", source="reading",
                           common="av_offset")  # fmt: skip


def _tied(
    shown: Floats, found: Matched, step: float, late: Component
) -> tuple[tuple[Result, ...], dict[str, float]]:
    n = shown.size
    apart, middle = found.logged - shown, float(shown.mean())
    each = math.hypot(step / math.sqrt(12), _ONSET)
    x = shown - middle
    slope = float((x * apart).sum() / (x**2).sum()) if n > 1 else 0.0
    if n > 2:
        rest = apart - apart.mean() - slope * x
        each = max(each, math.sqrt(float((rest**2).sum()) / (n - 2)))
    parts = (
        Component("knocks apart", 1e3 * each / math.sqrt(n), "ms",
                  source="a step of the log, or their scatter"),
        Component("filter of the logger", 1e3 * step / math.sqrt(12), "ms",
                  source="up to a step late, rectangular"),
        Component("onset of a knock", 1e3 * _ONSET, "ms", source="judgement"),
        late,
    )  # fmt: skip
    results = [result("log_offset", 1e3 * float(apart.mean()), n=n, budget=parts)]
    if n > 1:
        u = each / math.sqrt(float((x**2).sum()))
        dof = n - 2 if n > 2 else math.inf
        results.append(result("log_rate", 1e6 * slope, 1e6 * u, n=n, dof=dof))
    return tuple(results), {"middle_s": round(middle, 3)}


def _figure(time: Floats, accel: Floats, stamps: Floats, changes: Floats, knocks: Floats) -> Figure:
    """Return load and change of picture against the clip's time."""
    edges = np.linspace(stamps[0], stamps[-1], min(_SHOWN, stamps.size) + 1)
    load = _largest(time, np.linalg.norm(accel, axis=1) / G, edges)
    picture = _largest(stamps, np.nan_to_num(changes), edges)
    scale = np.nanmax(load) / max(float(np.nanmax(picture)), 1e-9) if np.isfinite(load).any() else 1

    def plain(values: Floats) -> list[float | None]:
        return [round(float(v), 3) if math.isfinite(v) else None for v in values]

    data = {
        "time": plain((edges[1:] + edges[:-1]) / 2),
        "load": plain(load),
        "picture": plain(picture * scale),
    }
    return Figure(
        "tied",
        "Load and picture on one time axis",
        f"The logger's load, and how much each picture differs from the one before (scaled); "
        f"{knocks.size} knocks tie them.",
        data,
        Axis("time", "time in the clip", "s"),
        Axis("load", "load", "g"),
        (Mark("line", y="load", label="load"), Mark("line", y="picture", label="picture")),
    )


def _largest(time: Floats, values: Floats, edges: Floats) -> Floats:
    out = np.full(edges.size - 1, np.nan)
    place = np.searchsorted(edges, time, "right") - 1
    inside = (place >= 0) & (place < out.size)
    np.fmax.at(out, place[inside], values[inside])
    return out
