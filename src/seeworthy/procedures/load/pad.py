"""Which part of the logs holds the launch: carried about, waiting, hanging and lying is not it.

Two mistakes are met here. A sensor that is turned over changes its reading by up to 2 g for
as long as it stays so, which adds up to any speed; a push makes it feel clearly more than
1 g. And a craft under its parachute does so after the top of the flight; a push comes before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.push import LEAST_SPEED, runs
from seeworthy.procedures.load.series import Series, rest_noise

Floats = NDArray[np.float64]

PUSHED = 1.35 * G0
"""A sensor that feels less is at rest, turned about or swinging: 1 g, a third for swing and
scale; a judgement."""
WAIT = 10.0
"""Rest before launch that is looked at, s: long enough for the mean, short enough that the
craft was on its pad."""
LEAST_RISE = 3.0
"""Metres of height that wind, warming and weather make on a pad; a judgement from pad logs."""
DRIFT = 0.5
"""A height that rises slower than this, m/s, drifts with the weather; a judgement."""


@dataclass(frozen=True, slots=True)
class Rise:
    """A flight as a height log shows it roughly.

    Attributes:
        start: Last time the height stood near the pad before the top, s.
        top: Time of the top, s.
        height: Rise above the pad, m.
    """

    start: float
    top: float
    height: float


def rough_rise(series: Series, sigma: float) -> Rise | None:
    """Return the rise of a height log, None where it never left the pad."""
    t = series.time
    h = ndimage.median_filter(series.values, size=5, mode="nearest")
    k = int(np.argmax(h))
    # A log may begin high above its zero; the pad is what stood before the climb.
    low = float(np.median(h[: max(3, min(20, k // 3))])) if k >= 6 else float(h[0])
    low = min(low, float(np.median(series.values[:3])))
    rise = float(h[k]) - low
    if rise < max(LEAST_RISE, 8 * sigma):
        return None
    below = np.flatnonzero(h[: k + 1] < low + 0.05 * rise + 2 * sigma)
    start = float(t[below[-1]]) if below.size else float(t[0])
    if rise / max(float(t[k]) - start, 1e-9) < DRIFT:
        return None
    return Rise(start, float(t[k]), rise)


def several(series: Series, rise: Rise, sigma: float) -> list[float]:
    """Return the times of the tops of all flights of a log, one for a log of one flight.

    A flight climbs to a quarter of the highest at least, stays above half its own top for two
    seconds, and between two the craft lies near the pad for three; judgements.
    """
    t = series.time
    h = ndimage.median_filter(series.values, size=5, mode="nearest")
    low = float(np.max(h)) - rise.height
    least = max(0.25 * rise.height, 3 * LEAST_RISE, 16 * sigma)
    tops: list[float] = []
    down = np.r_[True, h - low < 0.1 * rise.height + 2 * sigma, True]
    edges = np.flatnonzero(np.diff(down.astype(int)))
    landed = -np.inf
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        part = h[a:b] - low
        k = a + int(np.argmax(part))
        high = t[a:b][part > 0.5 * (h[k] - low)]
        if h[k] - low < least or float(np.ptp(high)) < 2.0:
            continue
        if not tops or t[a] - landed > 3.0:
            tops.append(float(t[k]))
        landed = float(t[b - 1])
    return tops


def cut_to_flight(series: Series, rise: Rise | None) -> Series:
    """Leave out what an accelerometer log holds before the craft's last rest on the pad."""
    launch = _launch(series, rise)
    if launch is None:
        return series
    t, y = series.time, series.values
    before = np.flatnonzero((t >= t[launch] - WAIT) & (np.arange(t.size) < launch - 1))
    if before.size < 8:
        return series
    last = before[t[before] >= t[before[-1]] - 1.0]
    middle = np.median(y[last if last.size >= 5 else before[-5:]], axis=0)
    sigma = max(rest_noise(y[before, k], series.step) for k in range(y.shape[1]))
    away = np.linalg.norm(y[before] - middle, axis=1) > max(6 * sigma, 1.5)
    calm = before[-1] - int(0.1 * before.size)
    moved = np.flatnonzero(away[:-1] & away[1:] & (before[1:] < calm))
    start = int(before[moved[-1] + 2]) if moved.size and moved[-1] + 2 < before.size else before[0]
    return series if start <= 0 else series.part(np.arange(t.size) >= start)


def _launch(series: Series, rise: Rise | None) -> int | None:
    """Return the first sample of the first hard push, None where there is none to tell."""
    size = np.linalg.norm(series.values, axis=1)
    pushes = [
        (first, gain - G0 * float(series.time[last] - series.time[first]))
        for first, last, gain in runs(series.time, size, PUSHED)
    ]
    pushes = [p for p in pushes if p[1] > LEAST_SPEED]
    if rise is not None:
        near = [p for p in pushes if rise.start - 15.0 <= series.time[p[0]] < rise.top]
        pushes = near or pushes
    if not pushes:
        return None
    most = max(gain for _, gain in pushes)
    return next(first for first, gain in pushes if gain > 0.25 * most)
