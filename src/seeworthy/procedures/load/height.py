"""What a height log says by itself: ascent, boost, apogee, robust against pressure waves.

A height log shows a boost only through its second derivative. A short boost leaves
speed and time of launch sharp but its length vague; so a pulse (acceleration changing
linearly) followed by a drag coast is fitted, whose covariance tells what the log can
and cannot tell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.statistics import robust_spread
from seeworthy.ground.uncertainty import interval
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.series import Series
from seeworthy.procedures.load.smoother import Smoothed, smooth

Floats = NDArray[np.float64]

COAST_JERK = 6.0
"""Driving noise of a coast: drag changes dv/dt by a few m/s² per second, (m/s³)²·s."""
PORT = 0.02
"""Static-port error in fast flight, part of the dynamic pressure; from real flights."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """A fitted boost: posterior means, standard deviations and 95 % intervals.

    Attributes
    ----------
    launch, u_launch : float
        s.
    length, u_length, length_span
        Duration of the push, s.
    speed, u_speed : float
        At burnout, m/s.
    mean, u_mean, mean_span
        Mean dv/dt of the push, m/s².
    misfit : float
        Root mean square residual over the stated noise.
    """

    launch: float
    u_launch: float
    length: float
    u_length: float
    length_span: tuple[float, float]
    speed: float
    u_speed: float
    mean: float
    u_mean: float
    mean_span: tuple[float, float]
    misfit: float


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


def fit_pulse(t: Floats, h: Floats, noise: Floats, guess: tuple[float, float, float]) -> Pulse:
    """Fit a boost to a height log, over all launch times and lengths that make sense.

    For one launch time and length the heights are linear in the rest: pad height,
    acceleration at the start, its change, deceleration of the coast and its change. So
    the sum of squares is found exactly on a grid of the two; weighted by
    ``exp(−χ²/2)`` it gives means and intervals, also where a short boost leaves its
    length open.

    Parameters
    ----------
    t, h : arrays, (N,)
        Around the boost and the first part of the coast.
    noise : array, (N,)
        Standard deviations, m.
    guess : (launch, length, speed)
    """
    launch, length, speed = guess
    period = float(np.median(np.diff(t)))
    reach = max(0.6 * length, 4 * period, 0.3)
    launches = np.linspace(launch - reach, launch + reach, 25)
    lengths = np.geomspace(max(0.02, 0.1 * length), max(2.0 * length, 4 * period), 30)
    for turn in range(3):
        grid = np.array([[_linear(t, h, noise, a, b, speed) for b in lengths] for a in launches])
        chi = grid[..., 0]
        scale = max(1.0, float(chi.min()) / max(t.size - 5, 1))
        weight = np.exp(-(chi - chi.min()) / (2 * scale))
        if turn == 2:
            break
        keep = weight > 1e-4
        rows, cols = np.flatnonzero(keep.any(1)), np.flatnonzero(keep.any(0))
        launches = _zoom(launches, rows)
        lengths = np.exp(_zoom(np.log(lengths), cols))
    weight /= weight.sum()
    return _posterior(grid, weight, launches, lengths, scale, period)


def _zoom(axis: Floats, kept: NDArray[np.intp]) -> Floats:
    low, high = axis[max(kept[0] - 1, 0)], axis[min(kept[-1] + 1, axis.size - 1)]
    return np.linspace(low, high, axis.size)


def _linear(
    t: Floats, h: Floats, noise: Floats, launch: float, length: float, speed: float
) -> tuple[float, float, float]:
    """Return χ² with priors, burnout speed and its variance for one launch and length."""
    x = np.clip(t - launch, 0, None)
    b = np.minimum(x, length)
    c = x - b
    design = np.stack(
        [
            np.ones_like(t),
            b**2 / 2 + length * c,
            b**3 / 6 + length**2 / 2 * c,
            -(c**2) / 2,
            c**3 / 6,
        ],
        1,
    )
    mean = speed / length
    drag = G0 + 6e-4 * speed**2
    centre = np.array([0.0, mean, 0.0, drag, 0.3 * drag])
    width = np.array([max(2.0, 3 * noise[0]), 0.8 * mean, 0.9 * mean / length, 0.6 * drag, drag])
    a = np.vstack([design / noise[:, None], np.diag(1 / width)])
    y = np.r_[h / noise, centre / width]
    normal = a.T @ a
    cov = np.linalg.inv(normal)
    fit = cov @ (a.T @ y)
    miss = y - a @ fit
    gain = np.array([0, length, length**2 / 2, 0, 0])
    # A coast is braked by gravity at least, and a push pushes.
    end = fit[1] + fit[2] * length
    wrong = max(0.0, 0.8 * G0 - fit[3]) + max(0.0, -fit[1]) + max(0.0, -end)
    return float(miss @ miss) + 4 * wrong**2, float(gain @ fit), float(gain @ cov @ gain)


def _posterior(
    grid: Floats, weight: Floats, launches: Floats, lengths: Floats, scale: float, period: float
) -> Pulse:
    speed, var = grid[..., 1], grid[..., 2] * scale
    launch = float(np.sum(weight * launches[:, None]))
    u_launch = float(np.sqrt(np.sum(weight * (launches[:, None] - launch) ** 2)))
    v = float(np.sum(weight * speed))
    u_v = float(np.sqrt(np.sum(weight * ((speed - v) ** 2 + var))))
    by_length = weight.sum(0)
    mean_log = float(by_length @ np.log(lengths))
    u_log = float(np.sqrt(by_length @ (np.log(lengths) - mean_log) ** 2))
    u_log = float(np.hypot(u_log, 0.06))  # a motor is not quite a linear pulse
    length = float(np.exp(mean_log))
    # Symmetric in the logarithm.
    low, high = np.exp(interval(mean_log, u_log))
    u_share = float(np.hypot(u_log, u_v / v))
    mean = v / length
    slow, fast = interval(0.0, u_share)
    return Pulse(
        launch, float(np.hypot(u_launch, period / np.sqrt(12))), length, length * u_log,
        (float(low), float(high)),
        v, u_v, mean, mean * u_share,
        (mean * float(np.exp(slow)), mean * float(np.exp(fast))),
        float(np.sqrt(scale)),
    )  # fmt: skip
