"""The fixed-interval smoother against the batch least-squares answer."""

from __future__ import annotations

import numpy as np
import pytest

from seeworthy.procedures.load.smoother import smooth


def batch(time, jerk, rows, values, noise, start, cov):
    """Condition the whole joint Gaussian at once (slow and plain)."""
    n, m = rows.shape
    mean, joint = np.zeros(n * m), np.zeros((n * m, n * m))
    mean[:m], joint[:m, :m] = start, cov
    for i in range(1, n):
        dt = time[i] - time[i - 1]
        f = np.eye(m)
        f[0, 1], f[0, 2], f[1, 2] = dt, dt**2 / 2, dt
        drive = np.array(
            [
                [dt**5 / 20, dt**4 / 8, dt**3 / 6],
                [dt**4 / 8, dt**3 / 3, dt**2 / 2],
                [dt**3 / 6, dt**2 / 2, dt],
            ]
        )
        now, last = slice(i * m, (i + 1) * m), slice((i - 1) * m, i * m)
        mean[now] = f @ mean[last]
        joint[now, : i * m] = f @ joint[last, : i * m]
        joint[: i * m, now] = joint[now, : i * m].T
        joint[now, now] = f @ joint[last, last] @ f.T
        joint[now, now][:3, :3] += jerk[i] * drive
    see = np.zeros((n, n * m))
    for i in range(n):
        see[i, i * m : (i + 1) * m] = rows[i]
    ok = np.isfinite(values)
    see = see[ok]
    gain = joint @ see.T @ np.linalg.inv(see @ joint @ see.T + np.diag(noise[ok]))
    return mean + gain @ (values[ok] - see @ mean), joint - gain @ see @ joint


def test_equals_the_batch_solution():
    rng = np.random.default_rng(0)
    n, m = 25, 4
    time = np.sort(rng.uniform(0, 3, n))
    time[6] = time[5]
    rows = np.where(np.arange(n)[:, None] % 2, [1.0, 0, 0, 0], [0, 0, 1.0, 1])
    values = rng.normal(size=n)
    values[7] = np.nan
    jerk, noise = rng.uniform(0.5, 4, n), rng.uniform(0.1, 0.4, n)
    start, cov = np.array([0.1, 0, 0, 0.2]), np.diag([1, 2, 3, 0.5])
    out = smooth(time, jerk, rows, values, noise, start, cov)
    mean, joint = batch(time, jerk, rows, values, noise, start, cov)
    assert out.mean.ravel() == pytest.approx(mean, abs=1e-9)
    for i in range(n):
        part = slice(i * m, (i + 1) * m)
        assert out.cov[i] == pytest.approx(joint[part, part], abs=1e-9)


def test_a_slope_turns_path_into_height():
    time = np.linspace(0, 2, 201)
    rows = np.zeros((201, 3))
    rows[:, 2] = 1.0
    jerk, noise = np.full(201, 1e-3), np.full(201, 1e-6)
    cov = np.diag([1e-6, 1e-6, 100.0])
    out = smooth(time, jerk, rows, np.full(201, 5.0), noise, np.zeros(3), cov, slope=0.5)
    assert out.mean[-1, 1] == pytest.approx(10.0, rel=1e-3)
    assert out.mean[-1, 0] == pytest.approx(5.0, rel=1e-3)


def test_the_stated_spread_is_the_real_one():
    rng = np.random.default_rng(5)
    n, q, sigma = 120, 4.0, 0.5
    time = np.arange(n) * 0.05
    rows = np.zeros((n, 3))
    rows[:, 0] = 1.0
    inside = []
    for _ in range(120):
        # Draw the model itself: white jerk, integrated.
        a = np.cumsum(rng.normal(0, np.sqrt(q * 0.05), n))
        v = np.r_[0, np.cumsum((a[1:] + a[:-1]) / 2 * 0.05)]
        h = np.r_[0, np.cumsum((v[1:] + v[:-1]) / 2 * 0.05)]
        seen = h + sigma * rng.normal(size=n)
        out = smooth(
            time, np.full(n, q), rows, seen, np.full(n, sigma**2), np.zeros(3),
            np.diag([1e-4, 1e-4, 1.0]),
        )  # fmt: skip
        k = 60
        inside.append(abs(out.mean[k, 1] - v[k]) < 1.96 * np.sqrt(out.cov[k, 1, 1]))
    assert 0.88 < np.mean(inside) < 0.995
