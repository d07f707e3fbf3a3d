"""Fixed-interval smoothing of height, speed and acceleration with constant unknowns.

The state is ``[h, v, a, c1 … cm]``: height and its first two derivatives, driven by
white jerk of density q(t), and constants (sensor bias, scale, lag) that are learnt on
the way. The result is that of Rauch, Tung and Striebel (1965, AIAA J. 3:1445), worked
backwards in the modified Bryson–Frazier form (Bierman 1977, Factorization Methods for
Discrete Sequential Estimation, Academic Press), which inverts no covariance; both from
memory, checked in the tests against the batch least-squares solution.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Smoothed:
    """What the smoother knows after the whole log.

    Attributes:
        mean: array (N, m)
        cov: array (N, m, m)
        log_likelihood: Of the measurements, for choosing the driving noise.
        innovations: array (N,). Prediction errors over their standard deviation; NaN where nothing
            was measured.
    """

    mean: Floats
    cov: Floats
    log_likelihood: float
    innovations: Floats


def smooth(
    time: Floats,
    jerk: Floats,
    rows: Floats,
    values: Floats,
    noise: Floats,
    start: Floats,
    start_cov: Floats,
    slope: float = 1.0,
) -> Smoothed:
    """Smooth scalar measurements taken one after the other.

    Args:
        time: array (N,). s, never falling; two measurements at one time are two rows.
        jerk: array (N,). Density of the white jerk before each time, (m/s³)²·s.
        rows: array (N, m). Measurement rows: ``value = row · state + noise``.
        values: array (N,). Measured; NaN for a time at which only the state is wanted.
        noise: array (N,). Variance of each measurement.
        start, start_cov: arrays (m,) and (m, m). State at ``time[0]`` before its measurement.
        slope: Rise per path: ``dh/dt = slope · v`` (sine of the flight-path angle).
    """
    n, m = rows.shape
    means = np.empty((n, m))
    covs = np.empty((n, m, m))
    gains = np.zeros((n, m))
    scatter = np.ones(n)
    errors = np.zeros(n)
    x, p = start.astype(float).copy(), start_cov.astype(float).copy()
    like = 0.0
    seen = np.isfinite(values)
    steps = np.diff(time, prepend=time[0])
    moves = [_transition(dt, m, slope) for dt in steps]
    for i in range(n):
        if steps[i] > 0:
            f = moves[i]
            x = f @ x
            p = f @ p @ f.T
            p[:3, :3] += jerk[i] * _drive(steps[i], slope)
        means[i], covs[i] = x, p
        if seen[i]:
            row = rows[i]
            ph = p @ row
            s = float(row @ ph) + noise[i]
            e = values[i] - float(row @ x)
            k = ph / s
            x = x + k * e
            p = p - k[:, None] * ph
            gains[i], scatter[i], errors[i] = k, s, e
            like -= 0.5 * (math.log(2 * math.pi * s) + e * e / s)
    _backwards(means, covs, rows, gains, scatter, errors, seen, steps, moves)
    normal = np.where(seen, errors / np.sqrt(scatter), np.nan)
    return Smoothed(means, covs, like, normal)


def _transition(dt: float, m: int, slope: float) -> Floats:
    f = np.eye(m)
    f[0, 1] = slope * dt
    f[0, 2] = slope * dt * dt / 2
    f[1, 2] = dt
    return f


def _drive(dt: float, slope: float) -> Floats:
    """Return the covariance that white jerk of unit density adds in `dt`."""
    a, b, c = slope * slope * dt**5 / 20, slope * dt**4 / 8, slope * dt**3 / 6
    return np.array([[a, b, c], [b, dt**3 / 3, dt * dt / 2], [c, dt * dt / 2, dt]])


def _backwards(
    means: Floats,
    covs: Floats,
    rows: Floats,
    gains: Floats,
    scatter: Floats,
    errors: Floats,
    seen: NDArray[np.bool_],
    steps: Floats,
    moves: list[Floats],
) -> None:
    """Turn predicted means and covariances into smoothed ones, in place."""
    n, m = means.shape
    lam, big = np.zeros(m), np.zeros((m, m))
    lams, bigs = np.empty((n, m)), np.empty((n, m, m))
    for i in range(n - 1, -1, -1):
        if seen[i]:
            row, k, s = rows[i], gains[i], scatter[i]
            # (I − K H)ᵀ Λ (I − K H), written out for one scalar measurement
            bk = big @ k
            cross = row[:, None] * (bk - row * (0.5 * (float(k @ bk) + 1 / s)))
            big = big - cross - cross.T
            lam = lam - row * (float(k @ lam) + errors[i] / s)
        lams[i], bigs[i] = lam, big
        if steps[i] > 0:
            f = moves[i]
            lam = f.T @ lam
            big = f.T @ big @ f
    means -= np.einsum("nij,nj->ni", covs, lams)
    covs -= covs @ bigs @ covs
