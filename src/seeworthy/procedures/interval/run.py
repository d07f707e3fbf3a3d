"""Run of `interval`: what it asks to see, and what it concludes."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from seeworthy.clock.code import RANGE_MS
from seeworthy.clock.find import find_corners, read_clock
from seeworthy.clock.watch import ClockWatch
from seeworthy.ground.budget import Component
from seeworthy.ground.digits import earned, number, spread_of
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Result, result
from seeworthy.ground.uncertainty import coverage_factor, effective_dof, interval
from seeworthy.media.glimpse import exif_moment
from seeworthy.media.source import Source
from seeworthy.media.stills import Still, read_still
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.interval.measure import Intervals, ShotSeries, intervals

_STILLS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp", ".ppm")
_PPM = 50e-6
"""Rate error of a computer's or a camera's clock, standard (a judgement: quartz of cheap
oscillators is sold with ±50 to ±100 ppm)."""
_VIDEO = 0.2
"""s; shots that follow faster are a film, and `timing` answers (a judgement)."""
_STEPS_LEAST = 3.0
"""Steps of the capture times; shorter intervals cannot be told from missing shots by them: in whole
seconds, 2.9 s are 2 and 3, which do not part from a hole of two (derived)."""
_REFRESH = 60.0  # Hz, of most screens, where the clip does not tell
_TIED = 1.5  # neighbours tied by a half: 1 + 2 · ½² (Bartlett's formula, derived)
_CLOCK_SHARE = 0.8
"""Of the stills that must show the clock before it is believed to be what was filmed."""


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Read the clock in every frame of a clip; stills are read at the end."""
    files = inputs.all_files()
    stills = [f for f in files if _is_still(f)]
    if len(stills) == len(files):
        return ()
    if len(files) > 1:
        raise WrongCall(
            "Clips are measured one by one, and not together with stills.",
            "Give one time-lapse clip, or the stills of one series.",
        )
    return [Watch(files[0], ClockWatch())]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Tell the intervals of the series."""
    if seen.watches:
        watcher: ClockWatch = seen.watches[0].observer  # type: ignore[assignment]
        series, unread = _of_clip(watcher)
        method = "clock"
    else:
        series, unread, method = _of_stills(inputs.all_files())
    found = intervals(series)
    set_to = inputs.reading("set_interval")
    results = _results(found, series, method, None if set_to is None else set_to.value)
    findings = {
        "shots": int(series.times.size),
        "median_s": round(found.median, 4),
        "longest_s": round(found.longest, 4),
        "longest_after": found.after,
        "missed_shots": found.missed,
        "missed_after": [list(hole) for hole in found.holes],
        "unread": unread,
    }
    warnings = []
    if unread:
        warnings.append(
            f"The clock could not be read in {unread} pictures; waits beside them are left out."
        )
    return Outcome(
        tuple(results), findings, tuple(warnings), (), (_figure(series),), method,
        _sentence(found, results, None if set_to is None else set_to.value),
    )  # fmt: skip


def _is_still(source: Source) -> bool:
    return source.name.casefold().endswith(_STILLS)


def _of_clip(watcher: ClockWatch) -> tuple[ShotSeries, int]:
    track = watcher.track()
    if not track.index.size:
        raise CannotMeasure(
            "The bench clock is not in the picture.",
            "Film the clock of `seeworthy target clock`, larger, sharp and not overexposed.",
        )
    steps = np.diff(track.time) / np.maximum(np.diff(track.index), 1)
    if steps.size and float(np.median(steps)) < _VIDEO:
        raise CannotMeasure(
            f"Its pictures follow after {1e3 * float(np.median(steps)):.0f} ms: this is a film and "
            "no time lapse.",
            "Its cadence is what `timing` measures.",
        )
    u = max(float(np.median(track.u)), 1 / (track.refresh or _REFRESH) / math.sqrt(12))
    return ShotSeries(track.time, track.index, u), track.frames - int(track.index.size)


def _of_stills(files: Sequence[Source]) -> tuple[ShotSeries, int, str]:
    """Return the series by the clock, where it is seen, else by the capture times."""
    shown: list[float | None] = []
    taken: list[dt.datetime | None] = []
    refresh = _REFRESH
    for source in files:
        still = read_still(source)
        taken.append(exif_moment(still.taken))
        reading = _clock_in(still)
        shown.append(None if reading is None else reading[0])
        refresh = reading[1] or refresh if reading is not None else refresh
    read = [t for t in shown if t is not None]
    if read and len(read) >= _CLOCK_SHARE * len(files):
        return _by_clock(files, shown, taken, refresh)
    if None in taken or not taken:
        raise CannotMeasure(
            "The pictures show no bench clock, and not all carry their capture time.",
            "Take pictures of the clock of `seeworthy target clock`, or give them as the camera "
            "wrote them.",
        )
    moments = sorted(t for t in taken if t is not None)
    times = np.array([(t - moments[0]).total_seconds() for t in moments])
    step = _step([t.microsecond for t in moments])
    if times.size > 1 and float(np.median(np.diff(times))) < _STEPS_LEAST * step:
        raise CannotMeasure(
            f"Capture times in steps of {step:g} s are too coarse for so short an interval.",
            "Take pictures of the bench clock: `seeworthy target clock`.",
        )
    # A time that was cut off is anywhere in its step.
    return ShotSeries(times, np.arange(times.size), step / math.sqrt(12)), 0, "capture times"


def _step(fractions: Sequence[int]) -> float:
    """Return the step of capture times, s: the largest power of ten that all fractions keep to.

    A camera that always writes the same fraction tells whole seconds.
    """
    if len(set(fractions)) < 2:
        return 1.0
    kept = [k for k in range(7) if all(f % 10**k == 0 for f in fractions)]
    return float(10.0 ** (max(kept) - 6))


def _by_clock(
    files: Sequence[Source],
    shown: Sequence[float | None],
    taken: Sequence[dt.datetime | None],
    refresh: float,
) -> tuple[ShotSeries, int, str]:
    """Put the stills in order: by capture time where all have one, else by name."""
    order = sorted(
        range(len(files)), key=lambda i: ("" if None in taken else str(taken[i]), files[i].name)
    )
    start = next(s for i in order if (s := shown[i]) is not None)
    half = RANGE_MS / 2
    known = [
        (k, ((t - start + half) % RANGE_MS - half) / 1e3)
        for k, i in enumerate(order)
        if (t := shown[i]) is not None
    ]
    number, times = zip(*known, strict=True)
    series = ShotSeries(np.array(times), np.array(number, np.int64), 1 / refresh / math.sqrt(12))
    return series, len(files) - len(known), "clock"


def _clock_in(still: Still) -> tuple[float, float] | None:
    """Return the time shown in a still and the screen's updates a second, ms and 1/s."""
    import cv2

    pixels = (still.pixels >> (still.bits - 8)).astype(np.uint8)
    luma = pixels if still.grey else np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    corners = find_corners(luma)
    reading = None if corners is None else read_clock(luma, corners)
    return None if reading is None else (reading.time_ms, reading.refresh)


def _results(
    found: Intervals, series: ShotSeries, method: str, set_to: float | None
) -> list[Result]:
    """Return interval, its error where it was set, and the scatter where times are fine enough."""
    n = found.single
    reading = series.u * math.sqrt(2 * found.runs) / found.counted
    spread = found.scatter / math.sqrt(found.counted)
    parts = (
        Component("scatter of the intervals", spread, "s", 1.0, f"t ({n - 1} dof)", "scatter"),
        Component("reading of first and last", reading, "s", source="updates of the screen"
                  if method == "clock" else "step of the capture times"),
        Component("rate of the clock", _PPM, "", found.mean, source="judgement: quartz, 50 ppm"),
    )  # fmt: skip
    dof = effective_dof([(parts[0].part, n - 1.0), (parts[1].part, math.inf),
                         (parts[2].part, math.inf)])  # fmt: skip
    where: dict[str, Any] = {"method": method}
    if set_to is not None:
        where["set"] = set_to
    results = [result("shot_interval", found.mean, n=n, dof=dof, conditions=where, budget=parts)]
    if set_to is not None:
        share = [Component(c.name, c.u, c.unit, 100 * c.sensitivity / set_to, c.distribution,
                           c.source) for c in parts]  # fmt: skip
        results.append(
            result("interval_error", 100 * (found.mean / set_to - 1), n=n, dof=dof,
                   conditions=where, budget=share)
        )  # fmt: skip
    if method == "clock":
        results.append(_scatter(found, series, where))
    return results


def _scatter(found: Intervals, series: ShotSeries, where: dict[str, Any]) -> Result:
    """Return the scatter less what reading the clock adds.

    The logarithm of a variance is as good as normal. Its relative variance is 2 / (n - 1), and
    half as much again for a timer that keeps to a grid: neighbouring intervals then share a shot
    and are tied by a half (Bartlett's formula, from memory); which timer it is is not known.
    Long exposures are read better than is stated, so that too much might be taken off: the
    interval's upper end takes nothing off.
    """
    seen = found.scatter**2
    read = 2 * series.u**2
    value = math.sqrt(max(seen - read, 0.0))
    less, more = interval(0.0, math.sqrt(_TIED * 2 / (found.single - 1)))
    low = math.sqrt(max(seen * math.exp(less) - read, 0.0))
    high = math.sqrt(seen * math.exp(more))
    u = (high - low) / 2 / coverage_factor()
    return result(
        "interval_scatter", 1e3 * value, 1e3 * u, n=found.single, conditions=where,
        interval=(1e3 * min(low, value), 1e3 * max(high, value)),
    )  # fmt: skip


def _sentence(found: Intervals, results: Sequence[Result], set_to: float | None) -> str:
    text = f"It takes a picture every {earned(results[0])} s"
    if set_to is not None:
        text += f", set to {set_to:.4g} s"
    holes = (
        "none is missing"
        if not found.missed
        else f"{found.missed} {'is' if found.missed == 1 else 'are'} missing"
    )
    longest = number(found.longest, spread_of(*results[0].interval, results[0].u))
    return f"{text}; {holes}, and the longest wait is {longest} s."


def _figure(series: ShotSeries) -> Figure:
    """Interval by interval."""
    waits = np.where(np.diff(series.number) == 1, np.diff(series.times), np.nan)
    columns: dict[str, list[Any]] = {
        "shot": [int(i) + 1 for i in series.number[:-1]],
        "wait": [round(float(w), 4) if math.isfinite(w) else None for w in waits],
    }
    return Figure(
        "intervals",
        "Wait after each shot",
        "A level row of points is an even time lapse; a point twice as high is a missing picture.",
        columns,
        Axis("shot", "shot"),
        Axis("wait", "wait until the next", "s", zero=True),
        (Mark("points", y="wait"),),
    )
