"""A boost in a height log: a pulse and the coast behind it, as a late barometer sees them.

A height log shows a boost only through its second derivative. A short boost leaves speed and
time of launch sharp but its length vague; so a pulse (a push with slope and bow) followed
by a drag coast is fitted, whose covariance tells what the log can and cannot tell. A barometer
behind vents and filters smears a push of a tenth of a second to twice that: its delay is one of
the unknowns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.uncertainty import interval
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.height import LAG, PORT_U

Floats = NDArray[np.float64]

_LAGS = LAG * np.arange(0.0, 2.5, 0.5)
_LAG_SHARE = np.exp(-((_LAGS / LAG) ** 2) / 2) * np.r_[0.5, np.ones(_LAGS.size - 1)]
_DRAG = 2e-3
"""Drag per speed squared where the coast shows none, 1/m, as uncertain as it is large: 2e-3 for
30 mm and a tenth of a kilogram, 1e-3 for 60 mm and 0.8 kg, up to 2e-2 for a bottle of 90 mm and
0.1 kg (half the air's density times area and a drag coefficient of 0.5 over mass)."""
TAIL = 0.15
"""What a push may fade out longer than slope and bow tell, relative: thrust curves end in tails of
a tenth of their mean, which heights do not show (judgement)."""
SLOPE, BOW = 0.45, 0.5
"""How far a push may sink or rise from its mean at its ends, and bow, as standard deviations of
the mean; thrust curves between a triangle and a parabola from zero to zero (judgement). Without
the bow pushes that swell and fade came out a quarter too short (own simulator, seed 1)."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """A fitted boost: posterior means, standard deviations and 95 % intervals.

    Attributes:
        launch, u_launch: s.
        length, u_length, length_span: Duration of the push, s.
        speed, u_speed: At burnout, m/s.
        mean, u_mean, mean_span: Mean dv/dt of the push, m/s².
        misfit: Root mean square residual over the stated noise.
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


def fit_pulse(
    t: Floats,
    h: Floats,
    noise: Floats,
    guess: tuple[float, float, float],
    drag: float | None = None,
) -> Pulse:
    """Fit a boost to a height log, over all launch times, lengths and delays that make sense.

    For one launch time, length and delay the heights are linear in the rest: pad height,
    mean push, slope and bow, deceleration of the coast and its change. So
    the sum of squares is found exactly on a grid of the three; weighted by
    ``exp(−χ²/2)`` it gives means and intervals, also where a short boost leaves its
    length open.

    Args:
        t: (N,), s, around the boost and the first part of the coast.
        h: (N,), m.
        noise: (N,), standard deviations, m.
        guess: Launch, length, speed.
        drag: Deceleration per speed squared that the later coast shows, 1/m; None unknown.
    """
    launch, length, speed = guess
    period = float(np.median(np.diff(t)))
    reach = max(0.6 * length, 4 * period, 0.3)
    launches = np.linspace(launch - reach, launch + reach, 25)
    # Between slow samples a push may be as short as an air launch's.
    lengths = np.geomspace(min(max(0.02, 0.1 * length), 0.05), max(2 * length, 4 * period), 30)
    for turn in range(3):
        grid = np.array([_linear(t, h, noise, a, lengths, speed, drag) for a in launches])
        chi = grid[..., 0]
        scale = max(1.0, float(chi.min()) / max(t.size - 5, 1))
        weight = np.exp(-(chi - chi.min()) / (2 * scale)) * _LAG_SHARE
        if turn == 2:
            break
        keep = weight > 1e-4 * weight.max()
        rows, cols = np.flatnonzero(keep.any((1, 2))), np.flatnonzero(keep.any((0, 2)))
        launches = _zoom(launches, rows)
        lengths = np.exp(_zoom(np.log(lengths), cols))
    weight /= weight.sum()
    return _posterior(grid, weight, launches, lengths, scale, period)


def _zoom(axis: Floats, kept: NDArray[np.intp]) -> Floats:
    low, high = axis[max(kept[0] - 1, 0)], axis[min(kept[-1] + 1, axis.size - 1)]
    return np.linspace(low, high, axis.size)


def _design(t: Floats, launch: float, lengths: Floats, speed: float, brake: float) -> Floats:
    """Return what the unknowns add up to, (lengths, lags, N, 8), behind the sensor's filter.

    Each is a sum of powers that set in at launch or burnout, and a first-order filter turns
    those into closed forms (`_late`). The push is its mean times 1, a slope and a bow, the first
    three Legendre polynomials over its length; the last is what a static port adds that is wrong
    by the whole dynamic pressure, v²/2g, of an even push to `speed` and an even coast.
    """
    x = np.broadcast_to(t - launch, (lengths.size, 1, t.size))
    length = lengths[:, None, None]
    _, on2, on3, on4 = _late(x)
    off1, off2, off3, off4 = _late(x - length)
    even = (on2 - off2) / 2
    ramp = (on3 - off3) / 6 - length * off2 / 2
    gained = (speed / length) ** 2
    square = (on4 - off4) / 12 - length * off3 / 3 - length**2 * off2 / 2
    return np.stack(
        [
            np.ones_like(on2),
            even,
            2 * ramp / length - even,
            6 * square / length**2 - 6 * ramp / length + even,
            -off2 / 2,
            off3 / 6,
            -off4 / 24,
            (
                gained * (on2 - off2)
                - (2 * gained * length + 2 * speed * brake) * off1
                + brake**2 * off2
            )
            / (2 * G0),
        ],
        -1,
    )


def _late(x: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return x, x², x³ and x⁴ from x = 0 on behind first-order filters of all delays.

    The solutions of τ·y′ + y = xⁿ that begin at 0 (any textbook of calculus).
    """
    x = np.clip(x, 0, None)
    tau = np.maximum(_LAGS, 1e-6)[None, :, None]
    gone = np.exp(-x / tau)
    line = x - tau * (1 - gone)
    square = x**2 - 2 * tau * line
    cube = x**3 - 3 * tau * square
    return line, square, cube, x**4 - 4 * tau * cube


def _linear(
    t: Floats, h: Floats, noise: Floats, launch: float, lengths: Floats, speed: float,
    shown: float | None,
) -> Floats:  # fmt: skip
    """Return χ² with priors, burnout speed and its variance, (lengths, lags, 3)."""
    k = _DRAG if shown is None else shown
    drag, open_drag = k * speed**2, max(k, _DRAG) * speed**2 / (1 if shown is None else 2)
    brake = G0 + drag
    weighted = _design(t, launch, lengths, speed, brake) / noise[:, None]
    fades = 2 * k * speed * brake
    bends = 2 * k * brake * (brake + 2 * drag)
    mean = speed / lengths
    one = np.ones_like(mean)
    none = 0 * one
    centre = np.stack(
        [none, mean, none, none, brake * one, fades * one, bends * one, none], -1
    )[:, None]  # fmt: skip
    width = np.stack(
        [max(2.0, 3 * noise[0]) * one, 0.8 * mean, SLOPE * mean, BOW * mean,
         (0.6 * G0 + open_drag) * one, (0.5 * G0 + fades) * one, (0.5 * G0 + bends) * one,
         PORT_U * one],
        -1,
    )[:, None]  # fmt: skip
    y = h / noise
    normal = np.swapaxes(weighted, -1, -2) @ weighted
    normal += (1 / width**2)[..., None] * np.eye(8)
    cov = np.linalg.inv(normal)
    right = np.einsum("lkni,n->lki", weighted, y) + centre / width**2
    fit = np.einsum("lkij,lkj->lki", cov, right)
    miss = y - np.einsum("lkni,lki->lkn", weighted, fit)
    chi = (miss**2).sum(-1) + (((fit - centre) / width) ** 2).sum(-1)
    # A coast is braked by gravity at least, and a push pushes.
    ends = fit[..., 1] + fit[..., 3] - np.abs(fit[..., 2])
    wrong = np.clip(0.8 * G0 - fit[..., 4], 0, None) + np.clip(-ends, 0, None)
    gained = fit[..., 1] * lengths[:, None]
    spread = cov[..., 1, 1] * lengths[:, None] ** 2
    return np.stack([chi + 4 * wrong**2, gained, spread], -1)


def _posterior(
    grid: Floats, weight: Floats, launches: Floats, lengths: Floats, scale: float, period: float
) -> Pulse:
    speed, var = grid[..., 1], grid[..., 2] * scale
    starts = launches[:, None, None]
    launch = float(np.sum(weight * starts))
    u_launch = float(np.sqrt(np.sum(weight * (starts - launch) ** 2)))
    v = float(np.sum(weight * speed))
    u_v = float(np.sqrt(np.sum(weight * ((speed - v) ** 2 + var))))
    by_length = weight.sum((0, 2))
    mean_log = float(by_length @ np.log(lengths))
    u_log = float(np.sqrt(by_length @ (np.log(lengths) - mean_log) ** 2))
    u_log = float(np.hypot(u_log, 0.06))  # a motor is not quite such a pulse
    length = float(np.exp(mean_log))
    # Symmetric in the logarithm.
    low = float(np.exp(interval(mean_log, u_log)[0]))
    high = float(np.exp(interval(mean_log, float(np.hypot(u_log, TAIL)))[1]))
    u_share = float(np.hypot(u_log, u_v / v))
    mean = v / length
    slow = interval(0.0, float(np.hypot(u_share, TAIL)))[0]
    fast = interval(0.0, u_share)[1]
    return Pulse(
        launch, float(np.hypot(u_launch, period / np.sqrt(12))), length, length * u_log,
        (low, high),
        v, u_v, mean, mean * u_share,
        (mean * float(np.exp(slow)), mean * float(np.exp(fast))),
        float(np.sqrt(scale)),
    )  # fmt: skip
