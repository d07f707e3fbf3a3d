"""A flight log as the plan: what was flown once is planned again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from seeworthy.engine.measure import measure
from seeworthy.ground.quantities import Quantity
from seeworthy.ground.results import Figure, Outcome, Result
from seeworthy.judge.plan.flight import ACCEPT, Leg, PlannedFlight

_LEGS = 8  # that a plan shows (a judgement)
_LEAST_HEIGHT = 1.0  # metres: below this the ground fills the view and a lean has no meaning


def flight_from_log(logs: Sequence[str | Path], base: PlannedFlight | None = None) -> PlannedFlight:
    """Make a plan from the log of a flight.

    Speed and height over time become legs, the felt peak and the boost time loads, the
    time from launch to landing (or to the end of the log) the least duration. What a log
    cannot say (view, light, card) comes from `base`.

    Args:
        logs: One or more logs of one flight.
        base: A plan whose other lines are kept.

    Raises:
        CannotMeasure: The log shows no flight.
    """
    outcome = measure("load", list(logs)).outcome
    return flight_from_outcome(outcome, f"As flown: {Path(logs[0]).stem}", base)


def flight_from_outcome(
    outcome: Outcome, title: str, base: PlannedFlight | None = None
) -> PlannedFlight:
    """Make a plan from what `load` has found in the log of a flight, see `flight_from_log`.

    Args:
        title: Of the plan where `base` has none.
    """
    results = {
        r.measurand: r for r in reversed(outcome.results) if r.conditions.get("phase") != "ejection"
    }
    given = dict(base.given) if base is not None else {}
    for name, measurand, unit in (
        ("load.peak", "felt_peak", "standard_gravity"),
        ("load.boost_time", "boost_time", "s"),
    ):
        if measurand in results:
            given[name] = _quantity(results[measurand], unit)
    figures = {f.name: f for f in outcome.figures}
    legs = _legs(figures, results)
    if base is None:
        return PlannedFlight(title, given, {"looks": "down"}, dict(ACCEPT), legs)
    return replace(base, given=given, legs=legs or base.legs)


def _quantity(result: Result, unit: str) -> Quantity:
    return Quantity(result.value, unit, result.u)


def _legs(figures: Mapping[str, Figure], results: Mapping[str, Result]) -> tuple[Leg, ...]:
    height, speed = figures.get("height"), figures.get("speed")
    if height is None:
        return ()
    heights = _column(height, "value")
    speeds = _column(speed, "value") if speed is not None else []
    if len(heights) < 2:
        return ()
    u_height = _spread(height)
    top = results.get("max_speed")
    # Evenly over the time: a figure has more of its points where things go fast.
    first, last = heights[0][0], heights[-1][0]
    wanted = [first + (last - first) * i / (_LEGS - 1) for i in range(_LEGS)]
    found: list[Leg] = []
    for time, value in (_at(heights, moment) for moment in wanted):
        if value < _LEAST_HEIGHT or (found and time <= found[-1].time):
            continue
        pace = _near(speeds, time) if speeds else _pace(heights, time)
        u_speed = 0.1 * abs(pace) if top is None else max(top.u, 0.05 * abs(pace))
        found.append(Leg(time, Quantity(abs(pace), "m/s", u_speed), Quantity(value, "m", u_height)))
    return tuple(found)


def _column(figure: Figure, name: str) -> list[tuple[float, float]]:
    pairs = zip(figure.columns["time"], figure.columns[name], strict=True)
    return [(float(t), float(v)) for t, v in pairs if v is not None]


def _at(series: Sequence[tuple[float, float]], time: float) -> tuple[float, float]:
    return min(series, key=lambda p: abs(p[0] - time))


def _spread(figure: Figure) -> float:
    rows = zip(figure.columns["low"], figure.columns["high"], strict=True)
    widths = sorted(float(h) - float(lo) for lo, h in rows if lo is not None and h is not None)
    return widths[len(widths) // 2] / 3.92 if widths else 1.0


def _near(series: Sequence[tuple[float, float]], time: float) -> float:
    inside = [p for p in series if abs(p[0] - time) <= 0.5]
    if inside:
        return _at(inside, time)[1]
    # The speed curve covers the boost only; later the last speed is the safe guess.
    return series[-1][1] if time > series[-1][0] else series[0][1]


def _pace(series: Sequence[tuple[float, float]], time: float) -> float:
    later = [p for p in series if p[0] > time]
    earlier = [p for p in series if p[0] <= time]
    if not later or not earlier:
        return 0.0
    (t0, h0), (t1, h1) = earlier[-1], later[0]
    return (h1 - h0) / (t1 - t0) if t1 > t0 else 0.0
