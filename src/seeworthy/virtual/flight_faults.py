"""What real loggers do to a flight's record, rendered on top of a good one.

Each function takes a `LoggedFlight` and gives it back with one fault. The sizes are those seen
in open logs: vents that read 47 m low at lift-off, radios that send every reading two or
three times, drogues that jolt harder than the boost, heights in whole feet, sensors put in
upside down, and logs of a craft that nobody launched.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from seeworthy.virtual.flight_dynamics import GRAVITY, Craft, Path
from seeworthy.virtual.flight_logs import Air, LoggedFlight, model_rocket

Floats = NDArray[np.float64]

_FOOT = 0.3048


def two_stages(rng: np.random.Generator) -> Craft:
    """A model rocket whose second motor burns after a pause."""
    first = model_rocket(rng)
    second = (rng.uniform(0.3, 1.2), rng.uniform(0.8, 1.6), rng.uniform(4, 8) * GRAVITY)
    return replace(first, name="two stages", push_time=min(first.push_time, 1.5), second=second)


def upside_down(log: LoggedFlight) -> LoggedFlight:
    """Turn the sensor's axes round."""
    return replace(log, acceleration=-log.acceleration)


def vent_dip(log: LoggedFlight, rng: np.random.Generator) -> LoggedFlight:
    """Let the barometer read low by 20 to 60 m for about a second around lift-off."""
    depth, length = rng.uniform(20, 60), rng.uniform(0.6, 1.2)
    start = log.path.events["launch"] - rng.uniform(0.3, 0.8)
    x = (log.height_time - start) / length
    shape = np.where((x > 0) & (x < 1), np.sin(np.pi * np.clip(x, 0, 1)), 0.0)
    per_metre = log.air.pressure * GRAVITY / (287.05287 * log.air.temperature)
    return replace(log, pressure=log.pressure + depth * per_metre * shape)


def drogue(log: LoggedFlight, rng: np.random.Generator) -> LoggedFlight:
    """Jolt the craft at the top harder than its boost, then hang it head down."""
    opened = log.path.events["apogee"] + rng.uniform(0.3, 0.9)
    down = log.path.events.get("landing", float(log.path.time[-1]))
    y = log.acceleration.copy()
    under = (log.time > opened) & (log.time < down - 0.05)
    swing = 2.0 * np.sin(2 * np.pi * 0.7 * (log.time[under] - opened))
    y[under] = (-GRAVITY + swing + 0.5 * rng.standard_normal(swing.size))[:, None]
    peak = rng.uniform(1.3, 2.5) * float(np.abs(log.acceleration).max())
    x = (log.time - opened) / rng.uniform(0.03, 0.08)
    jolt = (x > 0) & (x < 1)
    y[jolt] = -peak * np.sin(np.pi * x[jolt])[:, None]
    return replace(log, acceleration=y)


def whole_feet(log: LoggedFlight) -> tuple[Floats, Floats]:
    """Return times and the heights of an altimeter that writes whole feet, in feet."""
    rest = log.height_time < log.path.events["launch"]
    pad = float(np.mean(log.pressure[rest])) if rest.any() else float(log.pressure[0])
    # Standard atmosphere (ISO 2533), as altimeters hold it.
    power, scale = 0.190263, 44330.77
    metres = scale * ((pad / 101325.0) ** power - (log.pressure / 101325.0) ** power)
    return log.height_time, np.round(metres / _FOOT)


def sent_twice(log: LoggedFlight, rng: np.random.Generator) -> str:
    """Return the text of a log as a radio receives it: readings repeated under later times."""
    times = np.arange(float(log.time[0]), float(log.time[-1]), 0.1)
    accel = log.acceleration[np.searchsorted(log.time, times).clip(0, log.time.size - 1), 0]
    press = log.pressure[np.searchsorted(log.height_time, times).clip(0, log.pressure.size - 1)]
    lines = ["time,acceleration (m/s2),pressure (Pa)"]
    for t, a, p in zip(times, accel, press, strict=True):
        again = int(rng.choice([1, 1, 2, 3]))
        lines += [f"{t + 0.03 * k:.2f},{a:.2f},{p:.1f}" for k in range(again)]
    return "\n".join(lines) + "\n"


def on_the_pad(rng: np.random.Generator) -> LoggedFlight:
    """Return the log of a craft that nobody launched: it lies, is raised, is turned about."""
    air = Air(float(rng.uniform(90e3, 102e3)), float(rng.uniform(270, 305)))
    t, th = np.arange(0, 120, 0.02), np.arange(0, 120, 0.1)
    turns = np.sort(rng.uniform(10, 110, int(rng.integers(0, 4))))
    levels = rng.choice([1.0, 0.0, -1.0, 0.7], turns.size + 1)
    axis = GRAVITY * levels[np.searchsorted(turns, t)]
    axis = axis + rng.uniform(0.05, 0.4) * rng.standard_normal(t.size)
    for knock in rng.uniform(5, 115, 3):
        axis[(t > knock) & (t < knock + 0.04)] += rng.uniform(-30, 30)
    drift = np.cumsum(rng.normal(0, 0.15, th.size))
    pressure = air.pressure + drift + rng.uniform(1, 6) * rng.standard_normal(th.size)
    still = np.zeros(2)
    path = Path(np.array([0.0, 120.0]), still, still, still, still, still, still, {}, {})
    return LoggedFlight(t, axis[:, None], th, pressure, air, path)
