"""Accuracy of flight loads: rendered flights through loggers with faults, known truth."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Result
from seeworthy.procedures.load.air import Heights, from_heights, from_pressure
from seeworthy.procedures.load.measure import Flight, analyse
from seeworthy.procedures.load.series import Series, clean
from seeworthy.procedures.study import Goal, Study, Trial, measured
from seeworthy.virtual.flight_dynamics import GRAVITY, Craft, fly
from seeworthy.virtual.flight_faults import (
    drogue,
    on_the_pad,
    sent_twice,
    two_stages,
    upside_down,
    vent_dip,
    whole_feet,
)
from seeworthy.virtual.flight_logs import (
    Air,
    LoggedFlight,
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
    limit: float = 0.0
    """Range of the accelerometer, g; 0 for none."""
    late: bool = False
    """The log begins inside the push."""
    fault: str = ""
    """``upside down``, ``drogue``, ``vent dip``, ``whole feet`` or ``sent twice``."""


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
    Case("water rocket, 16 g sensor at its stop + barometer", water_rocket, 200, 25, _ALL,
         limit=16),
    Case("model rocket, 8 g sensor at its stop", model_rocket, 100, 0, _BOOST, limit=8),
    Case("model rocket, log begins in the push + barometer", model_rocket, 100, 20, _ALL,
         late=True),
    Case("two stages, 100 Hz + barometer", two_stages, 100, 20, _ALL),
    Case("upside down, drogue shock, hanging, 100 Hz + barometer", model_rocket, 100, 20, _ALL,
         fault="drogue"),
    Case("vents dip at lift-off, 100 Hz + barometer", model_rocket, 100, 20, _ALL,
         fault="vent dip"),
    Case("vents dip at lift-off, barometer only", model_rocket, 0, 20, ("apogee",),
         fault="vent dip"),
    Case("model rocket, heights in whole feet", model_rocket, 0, 20, ("max_speed", "apogee"),
         fault="whole feet"),
    Case("model rocket, radio rows sent twice, 10 Hz", model_rocket, 100, 20,
         ("max_speed", "apogee"), fault="sent twice"),
    Case("model rocket, 8 Hz + barometer", model_rocket, 8, 8, _ALL),
    Case("model rocket, 400 Hz + barometer", model_rocket, 400, 20, _ALL),
)  # fmt: skip


_WITH_GRAVITY = CASES[4]


def draw(case: Case, rng: np.random.Generator) -> LoggedFlight:
    """Render one flight and its log with faults drawn as real loggers have them.

    Drawn evenly between limits, not from the bell curves that the measure holds: a scale of
    up to 4 %, a barometer up to 0.15 s late, air up to 17 K off the standard.
    """
    path = fly(case.craft(rng))
    step = float(rng.choice([0.01, 0.05, 0.2, 0.5]))
    begin = float(rng.uniform(0.5, 2.5))
    logger = Logger(
        rate=case.rate, height_rate=case.height_rate, gravity=case.gravity,
        three_axes=case.three_axes, noise=float(rng.uniform(0.1, 0.8)), step=step,
        bias=float(rng.uniform(-0.3, 0.3)), scale=float(rng.uniform(-0.04, 0.04)),
        band=0.5 * case.rate if rng.random() < 0.5 else 0.0,
        pressure_noise=float(rng.uniform(1, 8)), pressure_step=float(rng.choice([1.0, 5.0, 10.0])),
        lag=float(rng.uniform(0.0, 0.15)), port=float(rng.uniform(-0.02, 0.02)),
        begin=-float(rng.uniform(0.1, 0.4)) if case.late else begin, limit=case.limit * GRAVITY,
    )  # fmt: skip
    pressure = float(rng.uniform(85e3, 103e3))
    standard = 288.15 * (pressure / 101325.0) ** 0.190263
    air = Air(pressure, standard + float(rng.uniform(-17, 17)), float(rng.normal(0.0065, 0.0015)))
    log = record(path, logger, rng, air)
    if case.fault == "drogue":
        return upside_down(drogue(log, rng))
    return vent_dip(log, rng) if case.fault == "vent dip" else log


def measure(
    log: LoggedFlight, thermometer: bool, rng: np.random.Generator, feet: bool = False
) -> Flight:
    """Measure a rendered log, with or without a thermometer at the site."""
    accel = clean(log.time, log.acceleration) if log.time.size else None
    warm = log.air.temperature + rng.normal(0, 0.5) if thermometer else None
    heights = None
    if feet:
        time, height = whole_feet(log)
        heights = from_heights(clean(time, height * 0.3048), log.air.pressure, warm, None, 0.5)
    elif log.pressure.size:
        heights = from_pressure(clean(log.height_time, log.pressure), None, warm, None, 0.5)
    names = ("x", "y", "z")[: log.acceleration.shape[1]]
    return analyse(accel, names, heights)


def _as_text(text: str) -> dict[str, Result]:
    """Measure the text of a log as `measure load` does: through the reader."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "flight.csv"
        path.write_text(text)
        return {r.measurand: r for r in reversed(measured("load", [path]).results)}


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
    refused: str = "not given"
    found: dict[str, tuple[float, float, float, float, bool]] = {}
    try:
        if case.fault == "sent twice":
            told = _as_text(sent_twice(log, rng))
            for name, r in told.items():
                at_least = r.conditions.get("bound") == "lower"
                found[name] = (r.value, r.u, r.interval[0], r.interval[1], at_least)
        else:
            flight = measure(log, bool(k % 2), rng, case.fault == "whole feet")
            for f in reversed(flight.figures):
                found[f.measurand] = (f.value, f.u, f.low, f.high, f.bound)
    except CannotMeasure as error:
        refused = error.message
    for name in case.asked:
        truth, figure = log.path.truth[name], found.get(name)
        if figure is None:
            yield Trial(case.group, name, truth, refused=refused)
        else:
            group = f"{case.group} (lower bound)" if figure[4] else case.group
            yield Trial(group, name, truth, *figure[:4])


def _refusals(repeats: int, seed: int) -> Iterator[Trial]:
    """Logs in which nothing flies, and one in m/s² read as g: all must be refused."""
    for k in range(repeats):
        rng = np.random.default_rng((seed, 99, k))
        t = np.arange(0, 20, 0.01)
        still = GRAVITY + rng.uniform(0.05, 0.5) * rng.standard_normal((t.size, 1))
        yield _refused("no launch in the log", clean(t, still), None)
        pad = on_the_pad(rng)
        accel = clean(pad.time, pad.acceleration)
        heights = from_pressure(clean(pad.height_time, pad.pressure))
        yield _refused("never left the pad, with barometer", accel, heights)
        yield _refused("never left the pad, acceleration only", accel, None)
        yield _refused("never left the pad, barometer only", None, heights)
        log = draw(_WITH_GRAVITY, rng)
        yield _refused("m/s² read as g", clean(log.time, log.acceleration * GRAVITY), None)


def _refused(group: str, accel: Series | None, heights: Heights | None) -> Trial:
    try:
        flight = analyse(accel, ("z",) if accel else (), heights)
    except CannotMeasure as error:
        return Trial(group, "peak_acceleration", 1.0, refused=error.message, should_refuse=True)
    if not flight.figures:
        return Trial(group, "peak_acceleration", 1.0, refused="no figure", should_refuse=True)
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
        "never left the pad, with barometer": (Goal("right", 1.0),),
        "never left the pad, acceleration only": (Goal("right", 1.0),),
        "never left the pad, barometer only": (Goal("right", 1.0),),
    },
)
