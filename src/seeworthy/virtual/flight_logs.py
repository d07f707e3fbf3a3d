"""Flight logs with known truth: sensors, their faults, and the way loggers write.

>>> log = record(fly(water_rocket(rng)), Logger(rate=200), rng)          # doctest: +SKIP
>>> path.write_text(as_csv(log))                                         # doctest: +SKIP
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seeworthy.virtual.flight_dynamics import GRAVITY, Craft, Path, fly

Floats = NDArray[np.float64]

_R_AIR = 287.05287
_LAPSE = 0.0065


@dataclass(frozen=True, slots=True)
class Air:
    """The air on the day.

    Attributes:
        pressure: At the pad, Pa.
        temperature: At the pad, K.
        lapse: Fall of temperature with height, K/m.
    """

    pressure: float = 101325.0
    temperature: float = 288.15
    lapse: float = _LAPSE

    def pressure_at(self, height: Floats) -> Floats:
        """Return the pressure at heights above the pad, Pa."""
        ratio = 1 - self.lapse * height / self.temperature
        return np.asarray(self.pressure * ratio ** (GRAVITY / (_R_AIR * self.lapse)))


@dataclass(frozen=True, slots=True)
class Logger:
    """A logger and its faults.

    Attributes:
        rate: Acceleration samples per second; 0 for none.
        height_rate: Pressure samples per second; 0 for none.
        noise: Of the accelerometer, m/s².
        step: Its resolution, m/s².
        bias, scale: m/s²; relative.
        band: −3 dB of its first-order filter, Hz; 0 for none.
        limit: Full scale, m/s²; 0 for none.
        gravity: False takes 1 g along the axis out, as some loggers do.
        three_axes: True turns the sensor by some degrees and gives x, y, z.
        pressure_noise, pressure_step: Pa.
        lag: Delay of the barometer, s.
        port: Static-port error, part of the dynamic pressure.
        begin: Log starts this long before launch, s.
    """

    rate: float = 200.0
    height_rate: float = 20.0
    noise: float = 0.3
    step: float = 0.1
    bias: float = 0.0
    scale: float = 0.0
    band: float = 0.0
    limit: float = 0.0
    gravity: bool = True
    three_axes: bool = False
    pressure_noise: float = 3.0
    pressure_step: float = 1.0
    lag: float = 0.02
    port: float = 0.0
    begin: float = 2.0


@dataclass(frozen=True)
class LoggedFlight:
    """What a logger recorded, and what really happened.

    Attributes:
        time: array, (N,). Of the acceleration, s.
        acceleration: array, (N, 1) or (N, 3), m/s²; empty without an accelerometer.
        height_time: array, (M,)
        pressure: array, (M,). Pa; empty without a barometer.
    """

    time: Floats
    acceleration: Floats
    height_time: Floats
    pressure: Floats
    air: Air
    path: Path


def record(
    path: Path, logger: Logger, rng: np.random.Generator, air: Air | None = None
) -> LoggedFlight:
    """Record a flight with a logger's faults."""
    air = air or Air()
    start = max(path.events["launch"] - logger.begin, 0.0)
    end = float(path.time[-1])
    phase = rng.uniform(0, 1)
    time, acceleration = np.empty(0), np.empty((0, 1))
    if logger.rate:
        time = np.arange(start, end, 1 / logger.rate) + phase / logger.rate
        time = time[time < end]
        acceleration = _accelerometer(path, logger, rng, time)
    height_time, pressure = np.empty(0), np.empty(0)
    if logger.height_rate:
        height_time = np.arange(start, end, 1 / logger.height_rate) + phase / logger.height_rate
        height_time = height_time[height_time < end]
        pressure = _barometer(path, logger, rng, height_time, air)
    return LoggedFlight(time, acceleration, height_time, pressure, air, path)


def _low_pass(t: Floats, y: Floats, constant: float) -> Floats:
    """First-order filter on an uneven fine grid."""
    out = np.empty_like(y)
    state = y[0]
    gains = 1 - np.exp(-np.diff(t, prepend=t[0]) / constant)
    for i in range(y.size):
        state += gains[i] * (y[i] - state)
        out[i] = state
    return out


def _accelerometer(path: Path, logger: Logger, rng: np.random.Generator, time: Floats) -> Floats:
    axial, across = path.axial, path.across
    if not logger.gravity:
        axial = path.rate
    if logger.band:
        constant = 1 / (2 * np.pi * logger.band)
        axial, across = (
            _low_pass(path.time, axial, constant),
            _low_pass(path.time, across, constant),
        )
    a = np.interp(time, path.time, axial)
    parts = a[:, None]
    if logger.three_axes:
        body = np.stack([a, np.interp(time, path.time, across), np.zeros_like(a)], 1)
        parts = body @ _small_turn(rng).T
    parts = parts * (1 + logger.scale) + logger.bias
    parts = parts + logger.noise * rng.standard_normal(parts.shape)
    if logger.limit:
        parts = np.clip(parts, -logger.limit, logger.limit)
    return np.round(parts / logger.step) * logger.step if logger.step else parts


def _small_turn(rng: np.random.Generator) -> Floats:
    """Return a rotation of up to some degrees about each axis (a sensor put in askew)."""
    a, b, c = np.radians(rng.uniform(-8, 8, 3))
    x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    z = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
    return np.asarray(x @ y @ z)


def _barometer(
    path: Path, logger: Logger, rng: np.random.Generator, time: Floats, air: Air
) -> Floats:
    p = air.pressure_at(path.height)
    density = p / (_R_AIR * (air.temperature - air.lapse * path.height))
    p = p + logger.port * 0.5 * density * path.speed**2
    if logger.lag:
        p = _low_pass(path.time, p, logger.lag)
    read = np.interp(time, path.time, p) + logger.pressure_noise * rng.standard_normal(time.size)
    return np.round(read / logger.pressure_step) * logger.pressure_step


def _drag(coefficient: float, width: float, mass: float) -> float:
    """Return a round body's deceleration per speed squared, 1/m, in air at sea level (ISO 2533).

    Coefficients over the frontal area: 0.5 to 0.75 for model rockets (NASA Glenn's guide to rockets
    has 0.75 as typical, finished ones are lower), 0.3 to 0.5 for bottles with a rounded nose and
    fins (from memory).
    """
    return 1.225 * coefficient * math.pi * width**2 / 8 / mass


def water_rocket(rng: np.random.Generator) -> Craft:
    """About 0.15 s and 60 g: the push rises as water leaves, then the air puff falls off."""
    peak = rng.uniform(50, 70) * GRAVITY
    length = rng.uniform(0.12, 0.18)
    early = rng.uniform(0.5, 0.8)

    def push(x: float) -> float:
        rise = early + (1 - early) * min(x / 0.7, 1.0)
        return float(peak * rise * (1.0 if x < 0.7 else (1 - 0.6 * (x - 0.7) / 0.3)) + GRAVITY)

    bottle = _drag(rng.uniform(0.3, 0.5), rng.uniform(0.085, 0.11), rng.uniform(0.1, 0.25))
    return Craft("water rocket", push, length, bottle, rng.uniform(85, 90))


def model_rocket(rng: np.random.Generator) -> Craft:
    """A second or two: a spike at ignition, a level burn, a quick tail-off."""
    level = rng.uniform(5, 10) * GRAVITY
    length = rng.uniform(0.8, 2.5)
    spike = rng.uniform(1.2, 1.8)

    def push(x: float) -> float:
        if x < 0.1:
            shape = spike * x / 0.1
        elif x < 0.25:
            shape = spike + (1 - spike) * (x - 0.1) / 0.15
        else:
            shape = 1.0 if x < 0.95 else (1 - x) / 0.05
        return float(level * shape + 2 * GRAVITY)

    width = rng.uniform(0.025, 0.066)
    # Larger ones are heavier: 0.1 kg at 25 mm, 0.9 kg at 66 mm, a third more or less.
    mass = rng.uniform(0.7, 1.3) * 0.1 * (width / 0.025) ** 2.25
    tube = _drag(rng.uniform(0.5, 0.75), width, mass)
    return Craft("model rocket", push, length, tube, rng.uniform(85, 90))


def bungee(rng: np.random.Generator) -> Craft:
    """A foam glider on a bungee: the pull starts full and falls with the stretch."""
    full = rng.uniform(5, 9) * GRAVITY
    length = rng.uniform(0.3, 0.6)
    angle = rng.uniform(10, 25)

    def push(x: float) -> float:
        return float(full * np.cos(0.45 * np.pi * x) + GRAVITY * np.sin(np.radians(angle)))

    return Craft("bungee", push, length, rng.uniform(2e-3, 5e-3), angle, descent=0.0, touch=60.0)


def balloon(rng: np.random.Generator) -> Craft:
    """A slow climb to a burst."""
    return Craft(
        "balloon", lambda x: 0.0, 1.0, 0.0, rest=5.0, descent=rng.uniform(4, 8),
        buoyant=rng.uniform(3, 7), ceiling=rng.uniform(300, 1500),
    )  # fmt: skip


def as_csv(log: LoggedFlight, style: str = "metric") -> str:
    """Write a log as loggers do.

    Args:
        style: {"metric", "us", "plain"}. ``metric``: one time, m/s², Pa; ``us``: two tables side by
            side, g and ft; ``plain``: short headers without units (g).
    """
    height = _indicated(log)
    if style == "us":
        left = [
            (f"{t:.4f}", f"{a / GRAVITY:.3f}")
            for t, a in zip(log.time, log.acceleration[:, 0], strict=True)
        ]
        right = [
            (f"{t:.3f}", f"{h / 0.3048:.2f}") for t, h in zip(log.height_time, height, strict=True)
        ]
        head = "Accel time (s),Axial Accel (Gs),Time (s),Altitude (Ft-AGL)"
        count = max(len(left), len(right))
        left += [("", "")] * (count - len(left))
        right += [("", "")] * (count - len(right))
        return (
            "\n".join([head, *(",".join(a + b) for a, b in zip(left, right, strict=True))]) + "\n"
        )
    names = ["x", "y", "z"][: log.acceleration.shape[1]] if log.time.size else []
    heads = [f"accel_{n}_m_s2" if style == "metric" else f"a{n}" for n in names]
    unit = 1.0 if style == "metric" else GRAVITY
    if not log.time.size:
        rows = [
            [f"{t:.3f}", f"{p:.1f}"] for t, p in zip(log.height_time, log.pressure, strict=True)
        ]
        return _lines(["time_s", "pressure_Pa"], rows)
    rows = [
        [f"{t:.4f}", *(f"{v / unit:.4f}" for v in a)]
        for t, a in zip(log.time, log.acceleration, strict=True)
    ]
    if log.height_time.size:
        # One row per acceleration; the pressure stands in the row next to its time.
        at = np.searchsorted(log.time, log.height_time).clip(0, log.time.size - 1)
        cells = [""] * log.time.size
        for k, p in zip(at, log.pressure, strict=True):
            cells[k] = f"{p:.1f}"
        rows = [[*r, c] for r, c in zip(rows, cells, strict=True)]
        heads.append("pressure_Pa" if style == "metric" else "baro")
    return _lines(["time_s" if style == "metric" else "t", *heads], rows)


def _lines(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    return "\n".join([",".join(head), *(",".join(r) for r in rows)]) + "\n"


def _indicated(log: LoggedFlight) -> Floats:
    """Return the height an altimeter shows: standard air over the pad's pressure."""
    if not log.pressure.size:
        return np.empty(0)
    rest = log.height_time < log.path.events["launch"]
    pad = float(np.mean(log.pressure[rest])) if rest.any() else float(log.pressure[0])
    power = _R_AIR * _LAPSE / GRAVITY
    scale = 288.15 / _LAPSE
    return np.asarray(scale * ((pad / 101325.0) ** power - (log.pressure / 101325.0) ** power))


def demo_log(seed: int = 7) -> LoggedFlight:
    """Return the demo's bungee launch of a foam glider, with a good logger."""
    rng = np.random.default_rng(seed)
    return record(fly(bungee(rng)), Logger(rate=200, three_axes=True, noise=0.25), rng)
