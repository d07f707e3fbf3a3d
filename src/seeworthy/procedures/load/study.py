"""Accuracy of flight loads: rendered flights through loggers with faults, known truth."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.load.air import from_pressure
from seeworthy.procedures.load.measure import Flight, analyse
from seeworthy.procedures.load.series import clean
from seeworthy.procedures.study import Goal, Study, Trial
from seeworthy.virtual.flight_dynamics import GRAVITY, Craft, fly
from seeworthy.virtual.flight_logs import (
    Air,
    FlightLog,
    Logger,
    balloon,
    bungee,
    model_rocket,
    record,
    water_rocket,
)

_BOOST = ("peak_acceleration", "mean_boost_acceleration", "felt_peak", "boost_time", "max_speed")
_ALL = (*_BOOST, "apogee")


@dataclass(frozen=True, slots=True)
class Case:
    """One kind of flight with one kind of logger."""

    group: str
    craft: Callable[[np.random.Generator], Craft]
    rate: float
    height_rate: float
    asked: tuple[str, ...]
    three_axes: bool = False
    gravity: bool = True


CASES = (
    Case("water rocket, 200 Hz + barometer", water_rocket, 200, 25, _ALL),
    Case("water rocket, 100 Hz, acceleration only", water_rocket, 100, 0, _BOOST),
    Case("water rocket, 25 Hz + barometer", water_rocket, 25, 25, _ALL),
    Case("water rocket, barometer only", water_rocket, 0, 25, _ALL),
    Case("model rocket, 100 Hz + barometer", model_rocket, 100, 20, _ALL),
    Case("model rocket, gravity removed, 50 Hz", model_rocket, 50, 20, _ALL, False, False),
    Case("model rocket, barometer only", model_rocket, 0, 20, _ALL),
    Case("bungee, three axes, 200 Hz + barometer", bungee, 200, 20, _ALL, True),
    Case("balloon, barometer only", balloon, 0, 5, ("max_speed", "apogee")),
    Case("balloon, 50 Hz + barometer", balloon, 50, 5, ("max_speed", "apogee")),
)


_WITH_GRAVITY = CASES[4]


def draw(case: Case, rng: np.random.Generator) -> FlightLog:
    """Render one flight and its log with faults drawn as real loggers have them."""
    path = fly(case.craft(rng))
    step = float(rng.choice([0.01, 0.05, 0.2, 0.5]))
    logger = Logger(
        rate=case.rate, height_rate=case.height_rate, gravity=case.gravity,
        three_axes=case.three_axes, noise=float(rng.uniform(0.1, 0.8)), step=step,
        bias=float(rng.normal(0, 0.15)), scale=float(rng.normal(0, 0.02)),
        band=0.5 * case.rate if rng.random() < 0.5 else 0.0,
        pressure_noise=float(rng.uniform(1, 8)), pressure_step=float(rng.choice([1.0, 5.0, 10.0])),
        lag=float(rng.uniform(0.0, 0.08)), port=float(rng.normal(0, 0.01)),
        begin=float(rng.uniform(0.5, 2.5)),
    )  # fmt: skip
    pressure = float(rng.uniform(85e3, 103e3))
    standard = 288.15 * (pressure / 101325.0) ** 0.190263
    air = Air(pressure, standard + float(rng.normal(0, 10)), float(rng.normal(0.0065, 0.0015)))
    return record(path, logger, rng, air)


def measure(log: FlightLog, thermometer: bool, rng: np.random.Generator) -> Flight:
    """Measure a rendered log, with or without a thermometer at the site."""
    accel = clean(log.time, log.acceleration) if log.time.size else None
    heights = None
    if log.pressure.size:
        warm = log.air.temperature + rng.normal(0, 0.5) if thermometer else None
        heights = from_pressure(clean(log.height_time, log.pressure), None, warm, None, 0.5)
    names = ("x", "y", "z")[: log.acceleration.shape[1]]
    return analyse(accel, names, heights)


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield one trial per figure of `repeats` flights of every kind."""
    for number in range(len(CASES)):
        for k in range(repeats):
            yield from one(number, k, seed)
    yield from _refusals(repeats, seed)


def one(number: int, k: int, seed: int) -> Iterator[Trial]:
    """Yield the trials of one flight; every second one has a thermometer at the site."""
    case = CASES[number]
    rng = np.random.default_rng((seed, number, k))
    log = draw(case, rng)
    refused, found = "not given", {}
    try:
        flight = measure(log, bool(k % 2), rng)
        found = {f.measurand: f for f in reversed(flight.figures)}
    except CannotMeasure as error:
        refused = error.message
    for name in case.asked:
        truth, f = log.path.truth[name], found.get(name)
        if f is None:
            yield Trial(case.group, name, truth, refused=refused)
        else:
            group = f"{case.group} (lower bound)" if f.bound else case.group
            yield Trial(group, name, truth, f.value, f.u, f.low, f.high)


def _refusals(repeats: int, seed: int) -> Iterator[Trial]:
    """A log in which nothing flies, and one in m/s² read as g: both must be refused."""
    for k in range(repeats):
        rng = np.random.default_rng((seed, 99, k))
        t = np.arange(0, 20, 0.01)
        still = GRAVITY + rng.uniform(0.05, 0.5) * rng.standard_normal((t.size, 1))
        yield _refused("no launch in the log", t, still)
        log = draw(_WITH_GRAVITY, rng)
        yield _refused("m/s² read as g", log.time, log.acceleration * GRAVITY)


def _refused(group: str, t: NDArray[np.float64], y: NDArray[np.float64]) -> Trial:
    try:
        analyse(clean(t, y), ("z",), None)
    except CannotMeasure as error:
        return Trial(group, "peak_acceleration", 1.0, refused=error.message, should_refuse=True)
    return Trial(group, "peak_acceleration", 1.0, 1.0, should_refuse=True)


STUDY = Study(
    "load",
    "Flight loads from rendered logs",
    run,
    {
        **{
            c.group: (Goal("coverage", 0.90, "95 % intervals hold the truth in 90–99 %"),)
            for c in CASES
        },
        "no launch in the log": (Goal("right", 1.0),),
        "m/s² read as g": (Goal("right", 1.0),),
    },
)
