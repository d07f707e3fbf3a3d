"""One sensor's log: times put in order, repeats merged, gaps and wild samples found."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.statistics import robust_spread

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Series:
    """Samples of one sensor.

    Attributes:
        time: array (N,). s, rising.
        values: array (N,) or (N, axes). SI.
        step: Smallest step between two different values (resolution), same unit.
        dropped: Samples left out: not a number, repeated time, out of order or wild.
        repeated: Of these, samples whose time came before.
        gaps: tuple of (float, float). Start and end of stretches without samples, s.
    """

    time: Floats
    values: Floats
    step: float
    dropped: int = 0
    repeated: int = 0
    gaps: tuple[tuple[float, float], ...] = ()

    @property
    def period(self) -> float:
        """Usual time between samples, s."""
        return float(np.median(np.diff(self.time)))

    def part(self, keep: NDArray[np.bool_]) -> Series:
        """Return the samples where `keep` is true."""
        lost = int(np.count_nonzero(~keep))
        return replace(
            self, time=self.time[keep], values=self.values[keep], dropped=self.dropped + lost
        )


def spread_stamps(time: Floats) -> Floats | None:
    """Return times for rows whose clock only ticks now and then, None where it does not.

    A clock of whole seconds gives 20 rows one time. Where nearly every tick has as many rows,
    the logger kept its pace: its rows lie evenly behind their tick; the first tick's rows end
    with it, the last one's begin with it. Three rows a tick at least and one more or less; a
    judgement.
    """
    ticks, first, counts = np.unique(time, return_index=True, return_counts=True)
    inner = counts[1:-1]
    if ticks.size < 5 or np.any(np.diff(time) < 0):
        return None
    usual, steps = float(np.median(inner)), np.diff(ticks)
    step = float(np.median(steps))
    even = np.abs(inner - usual) <= 1
    if usual < 3 or np.mean(even) < 0.9 or np.mean(np.abs(steps / step - 1) < 0.1) < 0.9:
        return None
    out = np.array(time, float)
    for i, (start, n) in enumerate(zip(first, counts, strict=True)):
        inside = 0 < i < ticks.size - 1
        rows = (np.arange(n) + 0.5) / (n if inside else max(usual, n))
        out[start : start + n] += step * (rows if i else rows + 1 - n / max(usual, n))
    return out


def clean(time: Floats, values: Floats, what: str = "log") -> Series:
    """Put samples in order and merge those of one time.

    Args:
        time: array (N,). s; NaN allowed.
        values: array (N,) or (N, axes). NaN allowed.
        what: Name for messages.

    Raises:
        CannotMeasure: Fewer than eight samples, or time that runs backwards.
    """
    t, y = np.asarray(time, float), np.asarray(values, float)
    good = np.isfinite(t) & np.isfinite(y.reshape(len(y), -1)).all(axis=1)
    t, y = t[good], y[good]
    if t.size < 8:
        raise CannotMeasure(
            f"The {what} holds {t.size} usable samples; a flight needs at least 8.",
            "Log faster, or check that the right columns were taken (option columns=).",
        )
    back = np.flatnonzero(np.diff(t) < 0)
    usual = float(np.median(np.abs(np.diff(t)))) or 1e-9
    if back.size > max(2, t.size // 200) or (back.size and np.diff(t).min() < -20 * usual):
        raise CannotMeasure(
            f"Time runs backwards in the {what} (at {t[back[0]]:.3f} s).",
            "The file may hold two recordings, or another column is the time: cut it to one "
            "flight, or name the column with option columns=time:HEADER.",
        )
    order = np.argsort(t, kind="stable")
    t, y = t[order], y[order]
    times, where, counts = np.unique(t, return_inverse=True, return_counts=True)
    merged = np.zeros((times.size, *y.shape[1:]))
    np.add.at(merged, where, y)
    merged /= counts.reshape(-1, *[1] * (y.ndim - 1))
    if times.size < 8:
        raise CannotMeasure(
            f"The {what} holds only {times.size} different times.",
            "Check which column is the time (option columns=time:HEADER).",
        )
    steps = np.diff(times)
    wide = np.flatnonzero(steps > max(5 * float(np.median(steps)), 0.3))
    gaps = tuple((float(times[i]), float(times[i + 1])) for i in wide)
    repeated = int(t.size - times.size)
    lost = int(np.count_nonzero(~good)) + repeated
    return Series(times, merged, _step(y), lost, repeated, gaps)


def _step(y: Floats) -> float:
    """Return the smallest step that values of this log take often."""
    levels = np.unique(y.ravel())
    if levels.size < 2:
        return 0.0
    steps = np.diff(levels)
    span = float(levels[-1] - levels[0])
    real = steps[steps > 1e-9 * max(span, 1e-12)]
    # A low percentile, not the least: rounding leaves a few crumbs.
    return float(np.percentile(real, 2)) if real.size else 0.0


def without_wild(series: Series, reach: int = 4) -> Series:
    """Leave out samples far from the running median of their neighbours (height in m).

    A height cannot leave its neighbours by more than some hundred metres within a few
    samples; broken telegrams at the end of a log do. What is subtler (pressure waves of
    an ejection charge) is left to the robust smoother.
    """
    t, y = series.time, series.values
    last = y.size - 1
    # Mirrored at the ends, so that a broken last sample does not outvote its neighbours.
    middle = ndimage.median_filter(y, size=2 * reach + 1, mode="mirror")
    place = np.arange(y.size)
    span = t[np.minimum(place + reach, last)] - t[np.maximum(place - reach, 0)]
    spread = np.maximum(span, series.period)
    # 400 m/s is faster than anything this bench measures.
    limit = 100.0 + 400.0 * spread
    return series.part(np.abs(y - middle) <= limit)


def rest_noise(values: Floats, step: float) -> float:
    """Return the standard deviation of white noise in samples, from their differences.

    The median of differences ignores motion and steps; a sensor that does not move
    still has its resolution (rectangular, step/√12).
    """
    floor = step / np.sqrt(12.0)
    if values.size < 3:
        return float(floor)
    difference = np.diff(values)
    sigma = robust_spread(difference) / np.sqrt(2)
    sigma = max(sigma, float(np.std(values, ddof=1)) if values.size < 6 else 0.0)
    return float(np.hypot(sigma, 0.0) if sigma > floor else floor)


def thin(series: Series, start: float, end: float, most: int) -> Series:
    """Average a long series into bins outside ``[start, end]`` so that about `most` stay."""
    t = series.time
    outside = (t < start) | (t > end)
    extra = int(np.count_nonzero(outside)) - max(most - int(np.count_nonzero(~outside)), 200)
    if extra <= 0:
        return series
    room = max(most - int(np.count_nonzero(~outside)), 200)
    width = (t[-1] - t[0]) / room
    label = np.where(outside, np.floor((t - t[0]) / width), -1)
    change = np.r_[True, (np.diff(label) != 0) | ~outside[1:]]
    group = np.cumsum(change) - 1
    counts = np.bincount(group)
    times = np.bincount(group, t) / counts
    flat = series.values.reshape(t.size, -1)
    binned = np.stack([np.bincount(group, flat[:, k]) / counts for k in range(flat.shape[1])], 1)
    return replace(series, time=times, values=binned.reshape(times.size, *series.values.shape[1:]))
