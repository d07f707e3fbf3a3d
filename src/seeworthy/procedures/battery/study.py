"""Study of `battery`: runs drawn from a known law, some of them cut short; numbers only."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.procedures.battery.measure import BatteryRun, fit_trend, levels
from seeworthy.procedures.study import Goal, Study, Trial

_SCATTER = 0.03
_TEMPERATURES = (0.0, 10.0, 22.0)


def _truth(law: str, temperature: float) -> float:
    if law == "straight line":
        return 45.0 + 0.4 * (temperature - 22.0)
    return 45.0 * math.exp(2500.0 * (1 / 295.15 - 1 / (temperature + 273.15)))


def _runs(rng: np.random.Generator, law: str, limit: float = math.inf) -> list[BatteryRun]:
    """Draw four runs per temperature; a full card ends those that reach `limit`."""
    runs = []
    for t in _TEMPERATURES:
        for minutes in _truth(law, t) * (1 + _SCATTER * rng.standard_normal(4)):
            read = round(float(min(minutes, limit)), 1)
            runs.append(BatteryRun(read, 0.03, t + rng.normal(0, 0.3), 0.3, minutes < limit))
    return runs


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials of means, slopes and predictions of the next run."""
    rng = np.random.default_rng(seed)
    for _ in range(repeats):
        for law in ("straight line", "Arrhenius"):
            yield from _complete(rng, law, _runs(rng, law))
        # A card that is full after 46 minutes ends about a quarter of the warm runs.
        yield from _complete(rng, "straight line", _runs(rng, "straight line", 46.0), "cut short")


def _complete(
    rng: np.random.Generator, law: str, runs: list[BatteryRun], label: str = ""
) -> Iterator[Trial]:
    group = label or law
    for level in levels(runs):
        if level.n >= 2 and level.temperature is not None:
            half = coverage_factor(level.dof) * level.u
            truth = _truth(law, round(level.temperature))
            yield Trial(
                group, "run_time", truth, level.value, level.u, level.value - half,
                level.value + half,
            )  # fmt: skip
    trend = fit_trend(runs)
    if trend is None:
        return
    value, u = trend.slope()
    half = coverage_factor(trend.fit.dof) * u
    centre = trend.centre
    truth = _truth(law, centre + 0.5) - _truth(law, centre - 0.5)
    yield Trial(group, "run_time_slope", truth, value, u, value - half, value + half)
    for at in (5.0, 15.0):
        following = _truth(law, at) * (1 + _SCATTER * rng.standard_normal())
        value, u = trend.predict(at)
        yield Trial(f"{group}, next run", "run_time", following, value, u, *trend.interval(at))


STUDY = Study(
    "battery",
    "Running time over temperature, numbers only",
    run,
    {
        name: (Goal("coverage", 0.90),)
        for law in ("straight line", "Arrhenius", "cut short")
        for name in (law, f"{law}, next run")
    },
)
