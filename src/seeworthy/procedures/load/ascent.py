"""The flight as a height log alone tells it: ascent or boost, track, apogee."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.coast import drag_of
from seeworthy.procedures.load.fuse import Track
from seeworthy.procedures.load.height import COAST_JERK, GUSTS, PORT, run, spikes
from seeworthy.procedures.load.pulse import Pulse, fit_pulse
from seeworthy.procedures.load.series import Series, thin

Floats = NDArray[np.float64]

_SLOW_JERKS = (1e-4, 1e-3, 1e-2, 1e-1, 1.0)  # (m/s³)²·s: a decade apart, the likeliest is taken
_BOOST_JERKS = (1e2, 1e3, 1e4, 1e5)  # (m/s³)²·s: a decade apart, the likeliest is taken


@dataclass(frozen=True, slots=True)
class Ascent:
    """What a height log says.

    Attributes:
        track: Vertical height, speed and acceleration.
        launch, burnout: s; None where no push stands out.
        pulse: The fitted boost.
        bandwidth: Of the acceleration in boost, Hz (−3 dB of the smoother).
        good: Samples of the track that were believed.
        top: Time of the apogee, s.
    """

    track: Track
    launch: float | None
    burnout: float | None
    pulse: Pulse | None
    bandwidth: float
    good: NDArray[np.bool_]
    top: float


def rough(series: Series, sigma: float) -> tuple[Floats, Floats]:
    """Return a first height and speed, broken samples weighed down."""
    t, h = series.time, series.values
    noise = np.full(t.size, sigma**2)
    jerk = np.full(t.size, 100.0)
    for _ in range(2):
        out = run(t, h, noise, jerk)
        miss = np.abs(h - out.mean[:, 0]) / sigma
        noise = sigma**2 * np.maximum(1.0, miss / 4) ** 2
    return out.mean[:, 0], out.mean[:, 1]


def climb(series: Series, sigma: float) -> Ascent:
    """Read a height log that has no acceleration beside it.

    Args:
        series: Height above the pad, m.
        sigma: Its white noise, m.
    """
    series = _thinned(series, sigma)
    t, h = series.time, series.values
    height, speed = rough(series, sigma)
    top = int(np.argmax(height))
    fastest = int(np.argmax(speed[: top + 1]))
    vmax = float(speed[fastest])
    if not _is_boost(t, speed, fastest, top):
        return _slow(series, sigma)
    before = np.flatnonzero(speed[:fastest] < max(0.05 * vmax, 1.0))
    launch = float(t[before[-1]]) if before.size else float(t[0])
    length = max(float(t[fastest]) - launch, 0.05)
    end = min(t[fastest] + max(1.0, length), t[fastest] + 0.7 * (t[top] - t[fastest]))
    end = max(end, t[min(fastest + 4, t.size - 1)])
    window = (t >= launch - 2.0) & (t <= end)
    local = np.hypot(sigma, GUSTS * speed.clip(0.5 * vmax) ** 2 / (2 * G0))
    pulse = fit_pulse(
        t[window], h[window], local[window], (launch, length, vmax),
        drag_of(t, height, speed, fastest, top),
    )  # fmt: skip
    burnout = pulse.launch + pulse.length
    bad = spikes(t, h, sigma, burnout + max(0.3, 0.5 * pulse.length))
    burnout = min(max(burnout, launch + 0.1 * length), float(t[top]))
    inside = (t > pulse.launch - 0.5) & (t < burnout + 0.5)
    best, density = None, COAST_JERK
    for q in _BOOST_JERKS:
        jerk = _jerk(t, pulse.launch, burnout, q, float(t[top]))
        trial = _smooth(series, sigma, jerk, vmax, bad)
        like = _likelihood(t[inside], h[inside], trial, sigma, vmax, q)
        if best is None or like > best[0]:
            best, density = (like, trial), q
    assert best is not None
    variance = sigma**2 + (PORT / 4 * vmax**2 / (2 * G0)) ** 2 / 4
    corner = (density / (variance * series.period)) ** (1 / 6) / (2 * np.pi)
    track = best[1]
    peak = int(np.argmax(np.where(t > burnout, track.height, -np.inf)))
    return Ascent(track, pulse.launch, burnout, pulse, float(corner), ~bad, float(t[peak]))


def _slow(series: Series, sigma: float) -> Ascent:
    """Smooth a slow ascent with the driving noise that its own heights ask for."""
    t, h = series.time, series.values
    noise = np.full(t.size, sigma**2)
    rising = t <= t[int(np.argmax(h))]
    likes = [
        run(t[rising], h[rising], noise[rising], np.full(int(rising.sum()), q)).log_likelihood
        for q in _SLOW_JERKS
    ]
    q = _SLOW_JERKS[int(np.argmax(likes))]
    track = _smooth(series, sigma, np.where(rising, q, 1.0), 0.0)
    corner = (q / (sigma**2 * series.period)) ** (1 / 6) / (2 * np.pi)
    good = np.ones(t.size, bool)
    top = float(t[int(np.argmax(track.height))])
    return Ascent(track, None, None, None, float(corner), good, top)


def _thinned(series: Series, sigma: float) -> Series:
    """Average a long log into bins, all samples kept around the fastest climb."""
    if series.time.size <= 1500:
        return series
    coarse = thin(series, np.inf, np.inf, 900)
    height, speed = rough(coarse, sigma)
    fastest = int(np.argmax(speed[: int(np.argmax(height)) + 1]))
    slow = np.flatnonzero(speed[:fastest] < 0.1 * speed[fastest])
    start = coarse.time[slow[-1]] if slow.size else coarse.time[0]
    end = min(coarse.time[fastest] + 2.0, start + 30.0)
    return thin(series, float(start) - 2.0, float(end), 1200)


def _is_boost(t: Floats, speed: Floats, fastest: int, top: int) -> bool:
    """A boost is followed by a coast that gravity brakes; a balloon keeps its speed."""
    vmax = float(speed[fastest])
    if vmax < 6.0:
        return False
    later = t[fastest] + 0.7 * vmax / G0 + 0.5
    at = min(int(np.searchsorted(t, later)), t.size - 1)
    return bool(speed[at] < 0.75 * vmax) and bool(t[top] - t[fastest] < 4 * vmax / G0 + 3)


def _jerk(t: Floats, launch: float, burnout: float, q: float, top: float) -> Floats:
    step = float(np.median(np.diff(t)))
    jerk = np.full(t.size, COAST_JERK)
    # The motor's tail-off reaches past the end of the fitted pulse.
    jerk[(t >= launch - step) & (t <= burnout + 0.3 * (burnout - launch) + step)] = q
    jerk[t > top + 1.0] = 300.0
    return jerk


def _smooth(
    series: Series, sigma: float, jerk: Floats, vmax: float, bad: NDArray[np.bool_] | None = None
) -> Track:
    t, h = series.time, series.values
    noise = np.full(t.size, sigma**2)
    values = h if bad is None else np.where(bad, np.nan, h)
    for turn in range(2):
        out = run(t, values, noise, jerk)
        if turn == 0:
            v = out.mean[:, 1]
            noise = sigma**2 + (PORT / 4 * v * v / (2 * G0)) ** 2
    s = np.sqrt(np.clip(np.diagonal(out.cov, axis1=1, axis2=2), 0, None))
    m = out.mean
    return Track(t, m[:, 0], m[:, 1], m[:, 2], s[:, 0], s[:, 1], s[:, 2])


def _likelihood(t: Floats, h: Floats, trial: Track, sigma: float, vmax: float, q: float) -> float:
    """Return the log likelihood of the boost's heights under a driving noise `q`."""
    noise = sigma**2 + (PORT / 4 * trial.speed.clip(0) ** 2 / (2 * G0)) ** 2
    part = np.interp(t, trial.time, noise)
    return run(t, h, part, np.full(t.size, q)).log_likelihood if t.size > 4 else 0.0
