"""What a height log says by itself: ascent, boost, apogee, robust against pressure waves.

A height log shows a boost only through its second derivative. A short boost leaves
speed and time of launch sharp but its length vague; so a pulse (acceleration changing
linearly) followed by a drag coast is fitted, whose covariance tells what the log can
and cannot tell.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.statistics import robust_spread
from seeworthy.procedures.load.series import Series
from seeworthy.procedures.load.smoother import Smoothed, smooth

Floats = NDArray[np.float64]

COAST_JERK = 6.0
"""Driving noise of a coast: drag changes dv/dt by a few m/s² per second, (m/s³)²·s."""
PORT = 0.02
"""Static-port error in fast flight, part of the dynamic pressure; from real flights."""
PORT_U = 0.03
"""Standard uncertainty of the static-port error, as part of the dynamic pressure."""
GUSTS = 0.002
"""What of a static-port error comes and goes, part of the dynamic pressure; a judgement."""
LAG = 0.15
"""A barometer's delay (vents, filters in the sensor), s: never negative, half a bell curve of
this width. Pressure sensors are sold with filters of up to 16 samples, a quarter of a second and
more at the rates that loggers use (data sheets); with 0.1 s here delays of 0.25 s pulled the speed
6 % down (own simulator, seed 1)."""


def height_noise(series: Series, until: float) -> float:
    """Return the white noise of the height in m, from the pad or from third differences."""
    rest = series.values[series.time < until]
    floor = series.step / np.sqrt(12)
    if rest.size >= 8:
        return float(max(np.std(np.diff(rest), ddof=1) / np.sqrt(2), floor, 0.02))
    return float(max(_scatter(series.time, series.values), floor, 0.02))


def _scatter(t: Floats, h: Floats) -> float:
    """Return white noise from each sample against the cubic through its four neighbours."""
    limit = 10 * float(np.median(np.diff(t)))
    middle = np.arange(2, t.size - 2)
    middle = middle[t[middle + 2] - t[middle - 2] <= limit][:4000]
    at = middle[:, None] + np.array([-2, -1, 1, 2])
    x = t[at] - t[middle][:, None]
    w = np.ones_like(x)
    for k in range(4):
        for j in range(4):
            if j != k:
                w[:, k] *= -x[:, j] / (x[:, k] - x[:, j])
    misses = (h[middle] - (w * h[at]).sum(1)) / np.sqrt(1 + (w * w).sum(1))
    return robust_spread(misses, about=0) if misses.size else 1.0


def run(
    t: Floats, h: Floats, noise: Floats, jerk: Floats, start: tuple[float, float] | None = None
) -> Smoothed:
    """Smooth a height log with the given noise (variance) and driving noise."""
    rows = np.zeros((t.size, 3))
    rows[:, 0] = 1.0
    head = h[np.isfinite(h)][:3]
    first = float(np.median(head)) if start is None else start[0]
    cov = np.diag([25.0**2, 40.0**2, 100.0**2]) if start is None else np.diag([4.0, 1.0, 1.0])
    mean = np.array([first, 0.0 if start is None else start[1], 0.0])
    return smooth(t, jerk, rows, h, noise, mean, cov)


def spikes(t: Floats, h: Floats, sigma: float, after: float) -> NDArray[np.bool_]:
    """Mark samples after burnout that no free flight can reach (ejection-pressure waves).

    A height-and-speed filter with the driving noise of a coast predicts each sample;
    one that misses by more than five standard deviations is left out. When the misses
    go on for three seconds the craft really did something else, and it is believed.
    """
    bad = np.zeros(t.size, bool)
    first = int(np.searchsorted(t, after))
    m = min(first + max(8, int(np.searchsorted(t, after + 1.0)) - first), t.size)
    if m - first < 6:
        return bad
    fit = np.polyfit(t[first:m] - t[m - 1], h[first:m], 2)
    x = np.array([fit[2], fit[1], 2 * fit[0]])
    p = np.diag([4 * sigma**2 + 0.1, 9.0, 16.0])
    last_good = t[m - 1]
    for i in range(m, t.size):
        if x[1] < -12.0:
            break  # under a parachute nothing is smooth
        dt = t[i] - t[i - 1]
        f = np.array([[1, dt, dt * dt / 2], [0, 1, dt], [0, 0, 1]])
        x, p = f @ x, f @ p @ f.T
        p[2, 2] += (COAST_JERK if x[1] > -5.0 else 60.0) * dt
        s = p[0, 0] + sigma**2 + 0.3**2 + (7e-4 * x[0]) ** 2
        e = h[i] - x[0]
        if e * e > 25 * s:
            bad[i] = True
            # Near the top a charge may ring for seconds; in fast flight nothing does.
            if t[i] - last_good > (3.0 if x[1] < 40.0 else 0.7):
                p = p + np.diag([e * e, 400.0, 100.0])
                last_good = t[i]
            continue
        last_good = t[i]
        k = p[:, 0] / s
        x, p = x + k * e, p - np.outer(k, p[0])
    return bad
