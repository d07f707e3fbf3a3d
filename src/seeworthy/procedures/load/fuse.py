"""Height and acceleration in one fixed-interval smoother, each with its own faults.

The accelerometer has a bias and a scale error; the pressure sensor reads late (its
port and filter) and wrong in fast air (static-port error, a share of the dynamic
pressure), and the air's temperature stretches its heights. All five are constants of
the state with honest priors, so the log itself says how much each is trusted: the
accelerometer in boost, the barometer in the coast and at apogee.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seeworthy.procedures.load.accel import Boost, Felt
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.height import COAST_JERK, GUSTS, LAG, PORT_U
from seeworthy.procedures.load.smoother import Smoothed, smooth

Floats = NDArray[np.float64]

LAG_MEAN, LAG_U = LAG * np.sqrt(2 / np.pi), LAG * np.sqrt(1 - 2 / np.pi)
"""Mean and standard deviation of a barometer's delay, s: half a bell curve, for it is never
early. A bell curve about zero pulled the speed of water rockets 1 to 4 % down (seed 12)."""
LAG_MOST = 0.6
"""Largest delay of a vented barometer with its filter, s; a judgement."""
WANDER = 0.2
"""Time over which a barometer's errors in flight stay alike, s."""
_M = 8  # states: height, speed, acceleration; bias, scale; air, port and lag of the barometer


@dataclass(frozen=True, slots=True)
class Track:
    """The flight over time.

    Attributes:
        time, height, speed, acceleration: arrays (N,). s, m, m/s, m/s².
        u_height, u_speed, u_acceleration: arrays (N,). Standard uncertainties.
        bias, u_bias: What the flight left of the accelerometer's bias after the pad, m/s².
        scale, u_scale: Its relative scale error.
        lag, port: Delay of the barometer in s, static-port error as part of the dynamic pressure.
    """

    time: Floats
    height: Floats
    speed: Floats
    acceleration: Floats
    u_height: Floats
    u_speed: Floats
    u_acceleration: Floats
    bias: float = 0.0
    u_bias: float = 0.0
    scale: float = 0.0
    u_scale: float = 0.0
    lag: float = 0.0
    port: float = 0.0


def local_jerk(t: Floats, y: Floats, sigma: float) -> Floats:
    """Return the driving noise that the samples themselves show, (m/s³)²·s.

    With white jerk of density (Δa)²/Δt between samples, the smoother's speed has the
    uncertainty Δa·Δt/√12 per step: just what lies open when an edge falls anywhere
    between two samples.
    """
    dt = np.diff(t)
    own = np.clip(np.diff(y) ** 2 - 2 * sigma**2, 0, None) / dt
    padded = np.r_[own[:1], own, own[-1:]]
    wide = np.maximum(np.maximum(padded[:-2], padded[1:-1]), padded[2:])
    return np.asarray(np.maximum(np.r_[wide[:1], wide], 10.0))


def fuse(
    felt: Felt,
    boost: Boost,
    heights: tuple[Floats, Floats] | None,
    sigma_height: float,
    u_air: float,
    until: float,
) -> Track:
    """Smooth acceleration and height together.

    Args:
        felt, boost: From the accelerometer.
        heights: (time, height) or None. m above the pad, spikes left out.
        sigma_height: White noise, m.
        u_air: Relative standard uncertainty of heights from air temperature and path.
        until: End of the stretch in which the accelerometer's axis lies along the path, s.
    """
    # From just before launch: at rest the speed is known, integrating there only adds drift.
    step = float(np.median(np.diff(felt.time)))
    used = (felt.time >= boost.launch - max(0.1, 4 * step)) & (felt.time <= until)
    stuck = None if felt.clipped is None or heights is None else felt.clipped
    if stuck is not None and np.count_nonzero(used & ~stuck) >= 8:
        # What a sensor says at its stop is no reading: there the heights carry the speed.
        used &= ~stuck
    ta, ya = felt.time[used], felt.along[used]
    th, yh = (np.empty(0), np.empty(0)) if heights is None else heights
    keep = th >= ta[0]
    th, yh = th[keep], yh[keep]
    time = np.r_[ta, th]
    order = np.argsort(time, kind="stable")
    time = time[order]
    is_height = np.r_[np.zeros(ta.size, bool), np.ones(th.size, bool)][order]
    values = np.r_[ya, yh][order]
    jerk: Floats = np.asarray(np.interp(time, ta, local_jerk(ta, ya, felt.sigma)))
    if stuck is not None:
        jerk = np.maximum(jerk, _unseen_jerk(felt, stuck, time))
    coast = time > until
    jerk[coast] = np.maximum(COAST_JERK, _drag_jerk(felt, boost, until, time[coast]))
    start, cov = _prior(felt, boost, u_air, float(ya[0]), th.size > 0)
    faults = _faults(time, ta, ya, until)
    v: Floats = faults[3]
    h: Floats = faults[2]
    # What gusts and filters add to a barometer lasts; samples nearer than that repeat it.
    crowd = max(1.0, WANDER / float(np.median(np.diff(th)))) if th.size > 2 else 1.0
    lag = LAG_MEAN
    for turn in range(4 if th.size else 1):
        rows = _rows(is_height, faults, h, v, _behind(time, v, lag), first=turn == 0)
        fast = v * np.abs(v) / (2 * G0)
        unknown: Floats = np.where(coast | (turn > 0), 0.0, PORT_U * fast + LAG * np.abs(v))
        wander: Floats = (sigma_height**2 + 0.3**2 + unknown**2 + (GUSTS * fast) ** 2) * crowd
        noise: Floats = np.asarray(np.where(is_height, wander, felt.sigma**2 + 1e-6))
        out = smooth(time, jerk, rows, values, noise, start, cov)
        h, v, a, spread = _true(out, faults, time <= until)
        lag = float(np.clip(out.mean[-1, 7], 0.01, LAG_MOST))
    last, width = out.mean[-1], np.sqrt(np.diagonal(out.cov[-1]))
    return Track(
        time, h, v, a, spread[:, 0], spread[:, 1], spread[:, 2],
        float(last[3]), float(width[3]), float(last[4]), float(width[4]),
        float(last[7]), float(last[6]),
    )  # fmt: skip


def _rows(
    is_height: NDArray[np.bool_], faults: tuple[Floats, ...], h: Floats, v: Floats, behind: Floats,
    *, first: bool,
) -> Floats:  # fmt: skip
    """Return the measurement rows; port, air and lag only once height and speed are known.

    A sensor behind a first-order filter is late by its time constant times the speed that it
    sees itself, `behind` the filter (h_f = h − τ·dh_f/dt).
    """
    rows = np.zeros((is_height.size, _M))
    rows[~is_height, 2] = 1.0
    rows[is_height, 0] = 1.0
    rows[is_height, 3] = -faults[0][is_height]
    rows[is_height, 4] = -faults[2][is_height]
    if not first:
        rows[is_height, 5] = h[is_height]
        rows[is_height, 6] = -(v * np.abs(v) / (2 * G0))[is_height]
        rows[is_height, 7] = -behind[is_height]
    return rows


def _behind(time: Floats, v: Floats, lag: float) -> Floats:
    """Return a speed as it comes through a first-order filter.

    With the speed itself in its place a push shorter than the delay asked for heights below the
    pad, so that the delay was found too small and the speed 6 % too low (own simulator, seed 1).
    """
    gains = 1 - np.exp(-np.diff(time, prepend=time[0]) / lag)
    out, state = np.empty_like(v), float(v[0])
    for i, (gain, now) in enumerate(zip(gains.tolist(), v.tolist(), strict=True)):
        state += gain * (now - state)
        out[i] = state
    return out


def _drag_jerk(felt: Felt, boost: Boost, until: float, time: Floats) -> Floats:
    """Return the driving noise that fading drag is in a coast, (m/s³)²·s.

    A light craft that starts fast (a water rocket) loses most of its drag within a second.
    A smoother that holds its deceleration steady would meet the heights that follow with a
    burnout speed of 2 to 3 % too much. Drag as the square of speed, its size as the sensor
    felt it after burnout.
    """
    after = (felt.time > boost.burnout) & (felt.time <= until)
    if boost.speed < 5.0 or np.count_nonzero(after) < 3:
        return np.full(time.size, COAST_JERK)
    drag = -float(np.median(felt.along[after])) - G0
    if drag < 0.5:
        return np.full(time.size, COAST_JERK)
    k = drag / boost.speed**2
    phase = np.arctan(np.sqrt(k / G0) * boost.speed) - np.sqrt(G0 * k) * (time - boost.burnout)
    v = np.sqrt(G0 / k) * np.tan(np.clip(phase, 0.0, np.pi / 2 - 0.01))
    loss = k * v**2 + G0
    # A change by `2kv·loss` per second that lasts for about half the time the speed does.
    return np.asarray((2 * k * v * loss) ** 2 * 0.5 * v / loss)


def _unseen_jerk(felt: Felt, stuck: NDArray[np.bool_], time: Floats) -> Floats:
    """Return the driving noise where the sensor stood at its stop, (m/s³)²·s.

    Within each such stretch the acceleration may wander by ten times the range. Held at both
    ends it adds up to a speed within three ranges of what the stop reads: launches of 16 g
    sensors reach 50 g and more. With three times the range the stop itself pulled the speed 1 %
    further down (rendered water rockets, seed 77).
    """
    out: Floats = np.zeros(time.size)
    level = float(np.abs(felt.along[stuck]).max())
    edges = np.flatnonzero(np.diff(np.r_[False, stuck, False].astype(int)))
    step = float(np.median(np.diff(felt.time)))
    for a, b in zip(edges[::2], edges[1::2] - 1, strict=True):
        start, end = felt.time[a] - 1.5 * step, felt.time[b] + 1.5 * step
        inside = (time >= start) & (time <= end)
        out[inside] = (10 * level) ** 2 / max(end - start, step)
    return out


def _faults(time: Floats, ta: Floats, ya: Floats, until: float) -> tuple[Floats, ...]:
    """Return what unit bias (height, speed) and unit scale error (height, speed) add up to.

    The smoother runs on what the sensor says; its constant faults show in the heights
    only. Put into the rows of the acceleration itself they would be learnt from how
    smooth the readings are, which says nothing about a sensor.
    """
    x = np.clip(np.minimum(time, until) - ta[0], 0, None)
    late = np.clip(time - max(until, ta[0]), 0, None)
    bias_speed = x
    bias_height = x**2 / 2 + x * late
    v = np.r_[0, np.cumsum((ya[1:] + ya[:-1]) / 2 * np.diff(ta))]
    h = np.r_[0, np.cumsum((v[1:] + v[:-1]) / 2 * np.diff(ta))]
    scale_speed = np.interp(time, ta, v)
    scale_height = np.interp(time, ta, h) + v[-1] * np.clip(time - ta[-1], 0, None)
    return bias_height, bias_speed, scale_height, scale_speed


def _true(
    out: Smoothed, faults: tuple[Floats, ...], sensed: NDArray[np.bool_]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Take the learnt faults out of the smoothed track; spreads in the last array, (N, 3)."""
    mean, n = out.mean, out.mean.shape[0]
    take = np.zeros((n, 3, _M))
    take[:, 0, 0] = take[:, 1, 1] = take[:, 2, 2] = 1.0
    take[:, 0, 3], take[:, 0, 4] = -faults[0], -faults[2]
    take[:, 1, 3], take[:, 1, 4] = -faults[1], -faults[3]
    take[:, 2, 3] = np.where(sensed, -1.0, 0.0)
    take[:, 2, 4] = np.where(sensed, -mean[:, 2], 0.0)
    good = np.einsum("nij,nj->ni", take, mean)
    spread = np.sqrt(np.clip(np.einsum("nij,njk,nik->ni", take, out.cov, take), 0, None))
    return good[:, 0], good[:, 1], good[:, 2], spread


def _prior(
    felt: Felt, boost: Boost, u_air: float, first: float, measured: bool
) -> tuple[Floats, Floats]:
    start = np.zeros(_M)
    start[7] = LAG_MEAN if measured else 0.0
    spread = np.array(
        [0.5, 0.05, 0.5 + felt.sigma, felt.u_bias, felt.u_scale, u_air, PORT_U, LAG_U]
    )
    if boost.open_start:
        # The log begins in the push: it may have lasted one sample or a tenth of a second.
        start[2] = first
        # Where heights tell the speed it is left to them: a radio may have come a second late.
        spread[1] = max((1.0 if measured else 0.1) * abs(first), 1.0)
        spread[0] = max(0.5 * spread[1], 0.5) if measured else 0.5
        spread[2] = max(0.2 * abs(first), 5.0)
    return start, np.diag(spread**2)
