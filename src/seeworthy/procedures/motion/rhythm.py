"""Rhythms in the rotation: the swing, and vibration up to what frames and rows allow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.observe.motion_flow import turns
from seeworthy.observe.motion_tracks import FramePair
from seeworthy.optics.turning import TurningLens
from seeworthy.procedures.motion.measure import RotationRates

Floats = npt.NDArray[np.float64]

# A peak must stand this far above the middle of its neighbours. In noise a bin is 15 times
# the median with a chance of 2^-15, so that one in a thousand clips of a minute lies.
_STANDS_OUT = 15.0
_TURNS_SEEN = 3.0  # periods that a clip must hold for a swing to be one
_SEEN_ABOVE = 3.0  # a swing is this many times its own uncertainty
SWING_BELOW = 2.5  # Hz: above, nothing on a line or wing swings as a whole (a judgement)
# Bands of rows: evenly spaced ones cannot tell a frequency from one that lies further by the
# inverse of the time between them, which for twelve is beyond 400 Hz for read-outs up to 30 ms.
_BANDS = 12
# A read-out time is known to so much of itself at best (judgement; 0.3 of 20 ms is usual).
_ROWS_KNOWN = 0.02
# The true frequency must explain this much more than its rivals: odds of e^4.5, some 1 %.
_SURER = 9.0
_FASTEST = 400.0  # Hz
# What bands of rows and the following of corners smooth beside (fitted on our own rendered
# clips, seed 1: 7 to 15 % short).
_ROWS_SMOOTH = 0.1
_EXPOSED = 0.25  # of the frame interval, the longest exposure reckoned with


@dataclass(frozen=True, slots=True)
class Rhythm:
    """One rhythm.

    Attributes:
        frequency, u_frequency: Hz.
        amplitude, u_amplitude: deg, half of the swing to and fro.
        rivals: Other frequencies that the frames show alike; empty where rows told them apart.
    """

    axis: int
    frequency: float
    u_frequency: float
    amplitude: float
    u_amplitude: float
    rivals: tuple[float, ...] = ()


def even(rates: RotationRates) -> tuple[Floats, Floats]:
    """Return the longest stretch without holes, times and rates on an even grid.

    Holes up to a quarter of a second are bridged by straight lines.
    """
    seen = np.isfinite(rates.rate).all(1)
    time, rate = rates.time[seen], rates.rate[seen]
    breaks = np.flatnonzero(np.diff(time) > max(0.25, 3 * rates.interval)) + 1
    parts = np.split(np.arange(len(time)), breaks)
    part = max(parts, key=len)
    grid = np.arange(time[part[0]], time[part[-1]], rates.interval)
    return grid, np.stack([np.interp(grid, time[part], rate[part, i]) for i in range(3)], axis=1)


def spectrum(grid: Floats, rate: Floats, interval: float) -> tuple[Floats, Floats]:
    """Return frequencies and spectral density of each axis, Hz and (deg/s)²/Hz, (f, 3)."""
    n = len(grid)
    window = np.hanning(n)[:, None]
    power = np.abs(np.fft.rfft((rate - rate.mean(0)) * window, axis=0)) ** 2
    density = 2 * power * interval / float((window**2).sum())
    f = np.asarray(np.fft.rfftfreq(n, interval), float)
    return f, np.asarray(np.degrees(np.degrees(density)))


def swing(grid: Floats, rate: Floats, interval: float) -> Rhythm | None:
    """Return the swing of the axis that swings widest, None where none stands out."""
    found = []
    for axis in range(3):
        one = _peak(grid, rate[:, axis], interval, _TURNS_SEEN / (grid[-1] - grid[0]), SWING_BELOW)
        if one is not None and one[2] > _SEEN_ABOVE * one[3]:
            found.append(Rhythm(axis, *one))
    return max(found, key=lambda r: r.amplitude, default=None)


def _peak(
    grid: Floats, rate: Floats, interval: float, low: float, high: float
) -> tuple[float, float, float, float] | None:
    """Return frequency, u, amplitude of the angle (deg), u of the strongest line."""
    n = len(grid)
    length = grid[-1] - grid[0] + interval
    power = np.abs(np.fft.rfft((rate - rate.mean()) * np.hanning(n))) ** 2
    f = np.fft.rfftfreq(n, interval)
    allowed = np.flatnonzero((f >= low) & (f <= min(high, 0.45 / interval)))
    if len(allowed) < 4:
        return None
    # In the angle, since slow and wide is what a swing is.
    angle = power[allowed] / f[allowed] ** 2
    best = allowed[int(np.argmax(angle))]
    near = power[max(1, best - 12) : best + 13]
    away = np.abs(np.arange(max(1, best - 12), max(1, best - 12) + len(near)) - best) > 2
    if not away.any() or power[best] < _STANDS_OUT * float(np.median(near[away])):
        return None
    frequency = _line(grid, rate, float(f[best]), 0.6 / length)
    part, left = _fit_line(grid, rate, frequency)
    # Noise near the line, not all over: from the spectrum of what is left there.
    rest = np.abs(np.fft.rfft(left)) ** 2
    around = rest[max(1, best - 8) : best + 9]
    close = rest[max(1, best - 2) : best + 3]
    sigma = math.sqrt(max(float(around.mean()), float(close.mean())) / n)
    u_f = math.sqrt(6) * sigma / (math.pi * part * length * math.sqrt(n)) if part else math.inf
    amplitude = math.degrees(part / (2 * math.pi * frequency))
    u_a = math.degrees(sigma * math.sqrt(2 / n) / (2 * math.pi * frequency))
    return frequency, u_f, amplitude, u_a


def _line(grid: Floats, rate: Floats, start: float, reach: float) -> float:
    """Return the frequency near `start` whose sine explains most."""
    low, high = start - reach, start + reach
    for _ in range(4):
        tried = np.linspace(max(low, 1e-4), high, 21)
        left = [float((_fit_line(grid, rate, float(v))[1] ** 2).sum()) for v in tried]
        best = float(tried[int(np.argmin(left))])
        step = tried[1] - tried[0]
        low, high = best - 1.5 * step, best + 1.5 * step
    return best


def _fit_line(grid: Floats, rate: Floats, frequency: float) -> tuple[float, Floats]:
    phase = 2 * math.pi * frequency * (grid - grid[0])
    design = np.column_stack([np.cos(phase), np.sin(phase), np.ones(len(grid))])
    c = np.linalg.lstsq(design, rate, rcond=None)[0]
    return math.hypot(c[0], c[1]), rate - design @ c


def vibration(
    pairs: Sequence[FramePair],
    lens: TurningLens,
    width: int,
    height: int,
    *,
    row_time: float | None,
    interval: float,
) -> Rhythm | None:
    """Return the strongest line above the swings; its true frequency where rows tell it.

    Each band of rows is a camera of its own that looks a little later. From frame to frame all see
    a fast vibration at the same false frequency, but at phases that differ by the true one: the sum
    over the bands with the phases of the true frequency is the largest.

    Args:
        row_time: s per row, None where the read-out is not known.
    """
    series = _by_rows(pairs, lens, width, height, row_time or 0.0, interval)
    if series is None:
        return None
    values, places = series  # (n, bands, 2), rows from the middle
    n = len(values)
    window = np.hanning(n)[:, None, None]
    lines = np.fft.fft((values - values.mean(0)) * window, axis=0)
    rate = 1 / interval
    f = np.arange(n) / n * rate
    power = np.abs(lines).sum(1) ** 2
    found = None
    for axis in (0, 1):
        wide = np.flatnonzero((f > SWING_BELOW) & (f < rate / 2))
        if len(wide) < 16:
            continue
        best = int(wide[np.argmax(power[wide, axis])])
        near = power[np.clip(np.arange(best - 20, best + 21), 1, n - 1), axis]
        away = np.abs(np.arange(-20, 21)) > 3
        if power[best, axis] < _STANDS_OUT * float(np.median(near[away])):
            continue
        one = _true(lines[:, :, axis], best, places, row_time, rate, float(window.sum()), axis)
        if found is None or one.amplitude > found.amplitude:
            found = one
    return found


def _true(
    lines: npt.NDArray[np.complex128],
    best: int,
    places: Floats,
    row_time: float | None,
    rate: float,
    whole: float,
    axis: int,
) -> Rhythm:
    n = len(lines)
    seen = best / n * rate
    bands = lines[best]
    noise = np.abs(lines[np.clip(np.r_[best - 20 : best - 3, best + 4 : best + 21], 1, n - 1)]) ** 2
    level = float(noise.mean())
    top = _FASTEST if row_time is not None else rate / 2
    tried = [s * seen + k * rate for k in range(int(top / rate) + 2) for s in (1, -1)]
    tried = [v for v in tried if SWING_BELOW < v <= top]
    scores = []
    for v in tried:
        # a false frequency below none turns the other way
        turns_ = bands if abs((v / rate) % 1 - best / n) < 1e-6 else np.conj(bands)
        delay = 2 * math.pi * v * (row_time or 0.0) * places
        together = abs((turns_ * np.exp(-1j * delay)).sum()) ** 2 / len(bands)
        scores.append(together / level)
    order = np.argsort(scores)[::-1]
    first = tried[int(order[0])]
    if row_time is None:
        rivals = tuple(s * seen + k * rate for k in (1, 2) for s in (-1, 1))
    else:
        # A row time that is a little off takes from a score by the square of the phases that it
        # turns: a rival may have lost that much.
        spread = float(np.std(places))
        turned = [2 * math.pi * v * row_time * spread * _ROWS_KNOWN for v in tried]
        best_score = scores[int(order[0])]
        allowed = [_SURER + best_score * min(t * t, 1.0) for t in turned]
        rivals = tuple(
            tried[int(i)] for i in order[1:] if best_score - scores[int(i)] < allowed[int(i)]
        )
    # Between two frames a vibration shows by 2 sin(π f T) of its angle, less what the rows of
    # a band take together.
    band_time = abs(row_time or 0.0) * abs(float(places[1] - places[0]))
    gain = max(2 * abs(math.sin(math.pi * first / rate)), 0.05) * max(
        float(np.sinc(first * band_time)), 0.2
    )
    strength = math.sqrt(max(scores[int(order[0])] - 1, 0) * level / len(bands)) * 2 / whole
    u = math.sqrt(level / len(bands)) * 2 / whole
    u_f = math.sqrt(6 / max(2 * scores[int(order[0])], 1)) * rate / n / math.pi
    # One bin, as a window spreads a line: a third of it is what its middle may be off.
    u_f = math.hypot(u_f, rate / n / 3)
    value = math.degrees(strength / gain)
    # An exposure of up to a quarter of the interval smooths it further: rectangular.
    least = max(float(np.sinc(first * _EXPOSED / rate)), 0.2)
    smoothed = value * math.hypot((1 / least - 1) / math.sqrt(12), _ROWS_SMOOTH)
    value *= (1 + 1 / least) / 2
    return Rhythm(axis, first, u_f, value, math.hypot(math.degrees(u / gain), smoothed), rivals)


def _by_rows(
    pairs: Sequence[FramePair],
    lens: TurningLens,
    width: int,
    height: int,
    row_time: float,
    interval: float,
) -> tuple[Floats, Floats] | None:
    """Return the turn between frames as each band of rows saw it, (n, bands, 2), rad."""
    out = []
    first = 0
    for flow, turn in turns(pairs, lens, width, height, row_time):
        m, weight = flow.middle, turn.weight
        row = _rows_of(pairs[first : first + len(m)], m.shape[1], height)
        first += len(m)
        left = turn.residual
        dt = np.where(flow.there, flow.end - flow.start, 0.0)
        depth = np.maximum(m[..., 2], 0.2)
        # What a fast shake shears passes for roll and approach, and belongs to the rows.
        rate = np.nan_to_num(turn.rate)
        up = left[..., 1] / depth + dt * (rate[:, :1] + turn.approach[:, None] * m[..., 1])
        side = -left[..., 0] / depth + dt * (rate[:, 1:2] - m[..., 1] / depth * rate[:, 2:])
        chunk = np.full((len(m), _BANDS, 2), np.nan)
        for band in range(_BANDS):
            w = weight * (row == band)
            sums = w.sum(1)
            with np.errstate(invalid="ignore", divide="ignore"):
                chunk[:, band, 0] = (w * up).sum(1) / sums
                chunk[:, band, 1] = (w * side).sum(1) / sums
        out.append(chunk)
    values = np.concatenate(out)
    seen = np.isfinite(values[:, :, 0])
    bands = seen.mean(0) > 0.7
    if bands.sum() < 2 or len(values) < 64:
        return None
    values = values[:, bands]
    index = np.arange(len(values))
    for b in range(values.shape[1]):
        for a in range(2):
            good = np.isfinite(values[:, b, a])
            values[:, b, a] = np.interp(index, index[good], values[good, b, a])
    places = (np.flatnonzero(bands) + 0.5) / _BANDS * height - height / 2
    return values, places


def _rows_of(pairs: Sequence[FramePair], most: int, height: int) -> npt.NDArray[np.int64]:
    """Return the band of rows of every point, (pairs, most); -1 where there is none."""
    found = np.full((len(pairs), most), -1)
    for i, pair in enumerate(pairs):
        middle = (pair.points[:, 1] + pair.points[:, 3]) / 2
        found[i, : len(middle)] = np.clip(middle / height * _BANDS, 0, _BANDS - 1).astype(int)
    return found
