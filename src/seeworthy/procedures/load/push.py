"""The push in an accelerometer log: where it begins, where it ends, what speed it gives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seeworthy.procedures.load.atmosphere import G0

Floats = NDArray[np.float64]

LEAST_SPEED = 3.0
"""A push that gives less speed (m/s) is handling or wind, not a launch."""
LATE, LATE_SLOW, LATE_U = 0.4, 0.6, 0.4
"""What is taken off an end that a filter may have made late, and how uncertain that is, as
parts of the most it can be: loggers filter once, twice or not at all, and surely where the
push takes more than two samples to rise (a judgement)."""
LEAST_MEAN = 0.5 * G0
"""A mean acceleration below this is a slow ascent (balloon, kite), not a boost."""


@dataclass(frozen=True, slots=True)
class Boost:
    """One push.

    Attributes:
        launch, burnout: s; the speed along the path rises between them.
        first, last: Samples of the push.
        speed: Speed gained, m/s.
        open_start: The log begins inside the push.
    """

    launch: float
    burnout: float
    u_launch: float
    u_burnout: float
    first: int
    last: int
    speed: float
    open_start: bool = False


@dataclass(frozen=True, slots=True)
class Felt:
    """Acceleration brought into the flight's own terms.

    Attributes:
        time: array (N,)
        along: array (N,). dv/dt along the flight path, m/s² (true in boost, where attitude is
            kept).
        felt: array (N,). Proper acceleration, m/s²: length of the vector where there are three
            axes.
        sigma: White noise at rest, m/s².
        rest: What the sensor read at rest along its main axis (length for three axes), m/s².
        rest_n: Samples at rest; 0 when the log begins in flight.
        gravity: ``included`` or ``removed``.
        gravity_from: How that was told.
        direction: ``+z``, ``x 0.99 y 0.10 z 0.02``, in the words of the log's axes.
        sin_path: Sine of the flight-path angle at launch.
        u_bias, u_scale: Of `along`: m/s², and relative.
        full_scale: Where the sensor ran into its stop, m/s² of `along`.
        clipped, quiet: array of bool, (N,), or None. Samples there, and samples that are no push.
    """

    time: Floats
    along: Floats
    felt: Floats
    sigma: float
    rest: float
    rest_n: int
    gravity: str
    gravity_from: str
    direction: str
    sin_path: float
    u_bias: float
    u_scale: float
    step: float
    axes: int
    full_scale: float | None = None
    clipped: NDArray[np.bool_] | None = None
    quiet: NDArray[np.bool_] | None = None

    def stuck(self, start: float, end: float) -> bool:
        """Tell whether the sensor stood at its stop between two times."""
        if self.clipped is None:
            return False
        return bool(np.any(self.clipped & (self.time >= start) & (self.time <= end)))


def runs(time: Floats, along: Floats, threshold: float) -> list[tuple[int, int, float]]:
    """Return pushes as (first sample, last sample, speed gained)."""
    above = along > threshold
    edges = np.flatnonzero(np.diff(np.r_[False, above, False].astype(int)))
    spans = [[int(a), int(b) - 1] for a, b in zip(edges[::2], edges[1::2], strict=True)]
    merged: list[list[int]] = []
    for a, b in spans:
        if merged:
            gap = time[a] - time[merged[-1][1]]
            length = max(time[b] - time[a], time[merged[-1][1]] - time[merged[-1][0]])
            few = a - merged[-1][1] <= 3
            if few or gap < 0.15 * length:
                merged[-1][1] = b
                continue
        merged.append([a, b])
    steps = np.gradient(time) if time.size > 1 else np.ones_like(time)
    return [(a, b, float(np.sum(along[a : b + 1] * steps[a : b + 1]))) for a, b in merged]


def find_boost(
    felt: Felt, still: NDArray[np.bool_] | None = None, until: float = np.inf
) -> Boost | None:
    """Return the first push that gives a good part of the flight's speed, or None.

    Args:
        still: Samples that cannot be a push whatever the axis reads.
        until: The top of the flight, s: no push begins later.

    Launch lies midway between the last sample before the push and the first in it, burnout where
    dv/dt falls through zero: midway when it drops within one sample.
    """
    pushes = _pushes(felt, still, until)
    if not pushes:
        return None
    most = max(r[2] for r in pushes)
    first, last, _ = next(r for r in pushes if r[2] > 0.4 * most)
    return _bounded(felt, first, last)


def later_stages(
    felt: Felt, boost: Boost, still: NDArray[np.bool_] | None, until: float
) -> list[Boost]:
    """Return further pushes of one flight: second stages, between burnout and the top.

    A stage gives at least a fifth of the first one's speed and lasts a tenth of a second
    and five samples, which no shock of a parachute or of a separation does; a judgement.
    """
    t = felt.time
    found: list[Boost] = []
    for first, last, gain in _pushes(felt, still, until):
        after = found[-1] if found else boost
        if first <= after.last + 1 or gain < 0.2 * boost.speed:
            continue
        if last - first < 4 or t[last] - t[first] < 0.1 or t[last] > until:
            continue
        # One axis that lies otherwise than on the pad reads up to 1 g for as long as it lies so.
        reads = np.abs(felt.along[first : last + 1] + felt.rest)
        if felt.axes == 1 and float(np.quantile(reads, 0.9)) < 1.2 * G0:
            continue
        stage = _bounded(felt, first, last)
        if stage is not None:
            found.append(stage)
    return found


RESTS = 3.0
"""Rest between two flights, s; a judgement, as between the tops of a height log."""


def launches(felt: Felt) -> list[float]:
    """Return when the flights of a log begin, s: pushes with free flight behind, rest between."""
    t, y = felt.time, felt.along
    calm = np.abs(y) < max(6 * felt.sigma, 1.5)
    stirs = np.flatnonzero(~calm)
    rested = stirs[np.r_[True, np.diff(t[stirs]) > RESTS]] if stirs.size else stirs
    starts = t[rested]
    found: list[float] = []
    for first, last, gain in runs(t, y, max(4 * felt.sigma, 1.5)):
        if gain < LEAST_SPEED or not falls_free(t, y, last, gain):
            continue
        if not found or np.any((starts > found[-1]) & (starts <= t[first] + 1e-9)):
            found.append(float(t[first]))
    return found


def falls_free(time: Floats, y: Floats, last: int, gain: float) -> bool:
    """Tell whether dv/dt after a push is about −1 g or less, as drag and gravity make it.

    Up to where a second stage pushes, if a quarter of a second of free flight stands before it.
    """
    span = max(0.3, min(0.4 * gain / G0, 3.0))
    again = time[(time > time[last] + 0.25) & (y > 0.4 * G0)]
    span = min(span, float(again[0] - time[last])) if again.size else span
    after = y[(time > time[last]) & (time < time[last] + span)]
    return after.size > 2 and float(np.median(after)) < -0.4 * G0


def _pushes(
    felt: Felt, still: NDArray[np.bool_] | None, until: float
) -> list[tuple[int, int, float]]:
    t, y = felt.time, felt.along
    pushing = y if still is None else np.where(still, np.minimum(y, 0.0), y)
    pushes = runs(t, pushing, max(4 * felt.sigma, 1.5))
    return [r for r in pushes if r[2] > LEAST_SPEED and t[r[0]] < until]


def _bounded(felt: Felt, first: int, last: int) -> Boost | None:
    """Give a run of samples its launch, burnout and speed; None for a slow ascent."""
    t, y = felt.time, felt.along
    period = float(np.median(np.diff(t)))
    launch, u_launch, first = _launch(felt, first)
    burnout, u_burnout, last = _burnout(felt, last, _rise(felt, first, launch))
    if burnout <= launch:
        burnout = launch + period
    inside = slice(max(first - 1, 0), last + 2)
    speed = float(np.trapezoid(np.maximum(y[inside], 0), t[inside]))
    if speed / (burnout - launch) < LEAST_MEAN:
        return None
    return Boost(launch, burnout, u_launch, u_burnout, first, last, speed, first == 0)


def _launch(felt: Felt, first: int) -> tuple[float, float, int]:
    """Return when the push began, its uncertainty, and the first sample in it.

    No filter hides a push for long, so it began between the last sample at rest and the first
    above it: anywhere if that one stands high already, else where the line through the next
    two comes from.
    """
    t, y = felt.time, felt.along
    if first == 0:
        return float(t[0]), float(t[1] - t[0]), 0
    # Walk back over a slow onset to the last sample that is still at rest.
    i = first
    while i > 1 and y[i - 1] > 2 * felt.sigma and y[i - 2] > 2 * felt.sigma:
        i -= 1
    beyond = min(i + 1, y.size - 1)
    at, u = _between(t, y, i - 1, i, beyond)
    blurred = felt.sigma * (t[first] - t[i - 1]) / max(float(y[first]), felt.sigma)
    return at, float(np.sqrt(u**2 + (0.3 * (t[first] - t[i])) ** 2 + blurred**2)), i


def _between(t: Floats, y: Floats, rest: int, risen: int, beyond: int) -> tuple[float, float]:
    """Return where a push begins or ends between two samples, and its uncertainty."""
    dt = abs(float(t[risen] - t[rest]))
    steep = float(y[beyond] - y[risen])
    if y[risen] >= 0.5 * y[beyond] or steep <= 0:
        return float(t[rest] + t[risen]) / 2, dt / np.sqrt(12)
    # A ramp, or a jump that the sensor averages: in both the line leads near its foot.
    way = min(float(y[risen]) / steep, 1.0) * float(t[risen] - t[beyond])
    return float(t[risen] + np.clip(way, -dt, dt)), 0.25 * dt


def _rise(felt: Felt, first: int, launch: float) -> float:
    """Return how long the push takes to 63 % of its first level, s: no filter is slower."""
    t, y = felt.time, felt.along
    size = max(4, int(np.searchsorted(t, t[first] + 0.05)) - first)
    part = slice(max(first - 1, 0), first + size)
    return max(_falls(t[part][::-1], y[part][::-1], 0.63 * float(np.max(y[part]))) - launch, 0.0)


def _falls(t: Floats, y: Floats, level: float) -> float:
    """Return when `y` last passes below a level, between samples."""
    k = min(int(np.flatnonzero(y >= level)[-1]), y.size - 2)
    share = float((y[k] - level) / max(y[k] - y[k + 1], 1e-9))
    return float(t[k] + np.clip(share, 0, 1) * (t[k + 1] - t[k]))


def _burnout(felt: Felt, last: int, rise: float) -> tuple[float, float, int]:
    """Return when the push ended, its uncertainty, and the last sample in it.

    `rise` bounds the sensor's filter, behind which a fall passes zero late.
    """
    t, y = felt.time, felt.along
    i = last
    n = t.size
    # Past the threshold a slow tail may still push; three samples below zero end it.
    while i + 1 < n and not (y[i + 1] <= 0 and np.mean(y[i + 1 : i + 4]) <= 0):
        i += 1
        if t[i] - t[last] > 0.5 * max(t[last] - felt.time[0], 0.2):
            break
    if i + 1 >= n:
        return float(t[-1]), float(t[-1] - t[-2]), n - 1
    dt = float(t[i + 1] - t[i])
    # Where a push fades out, its end is a matter of words: a rectangle from a tenth of the
    # peak to zero.
    strong = np.flatnonzero(y[: i + 1] > 0.1 * float(np.max(y[: i + 1])))
    fade = float(t[i] - t[strong[-1]]) / np.sqrt(12) if strong.size else 0.0
    if float(y[i] - y[i + 1]) > 4 * felt.sigma and i > 0:
        end, u = _between(t, y, i + 1, i, i - 1)
        late = _late(t, y, i, end, rise)
        share = LATE if rise < 2 * dt else LATE_SLOW
        # What a filter of the sampling's own bandwidth adds to a fall within one sample.
        u = float(np.sqrt(u**2 + (0.25 * dt) ** 2 + (LATE_U * late) ** 2 + fade**2))
        return end - share * late, u, i
    near = slice(max(i - 4, 0), min(i + 6, n))
    slope, at = np.polyfit(t[near] - t[i], y[near], 1)
    cross = float(np.clip(-at / slope, -4 * dt, 4 * dt)) if slope < 0 else dt / 2
    vague = np.hypot(felt.sigma / 2, felt.u_bias)
    u = vague / max(abs(slope), vague / (6 * dt))
    return float(t[i] + cross), float(np.sqrt(dt**2 / 12 + u**2 + fade**2)), i


def _late(t: Floats, y: Floats, i: int, end: float, rise: float) -> float:
    """Return by how much a filter may have moved the end of the push that sample `i` is in, s.

    Behind a filter a step up and a step down take the same time to 63 % of their way.
    """
    part = slice(max(i - 3, 0), i + 4)
    level, floor = float(np.max(y[part])), float(np.min(y[part]))
    half = _falls(t[part], y[part], level / 2)
    gone = _falls(t[part], y[part], level - 0.63 * (level - floor))
    return max(end - gone + min(rise, max(end - half, 0.0)), 0.0)
