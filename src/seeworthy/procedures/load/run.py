"""Run of `load`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.examples import as_options
from seeworthy.ground.results import Outcome, Result, result
from seeworthy.media.headers import known_unit
from seeworthy.media.logs import Column, Log, pairs, read_log
from seeworthy.procedures.declare import Inputs, Seen
from seeworthy.procedures.load import PROCEDURE
from seeworthy.procedures.load.air import Heights, from_heights, from_pressure
from seeworthy.procedures.load.figures import figures
from seeworthy.procedures.load.measure import Flight, analyse
from seeworthy.procedures.load.series import Series, clean

G0 = 9.80665
# With a push that changes linearly by up to ±70 % from its mean, 2·h/t² is off by up to
# ±23 % of the mean acceleration: rectangular, 13 %.
_HAND_MODEL = 0.13
_FLIGHT_MEASURES = ("acceleration", "height", "pressure")


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return the loads that the logs and the hand readings carry."""
    hand, hand_findings = _by_hand(inputs)
    sources = inputs.all_files()
    if not sources:
        if hand is None:
            raise WrongCall(
                "'load' needs a log, or boost_height and boost_duration for an estimate by hand.",
                "Name the CSV file that the logger wrote.",
            )
        return Outcome(
            (hand,), hand_findings, (_HAND_WARNING,), method="hand", sentence=_hand_says()
        )
    logs = _read(inputs)
    flight, used = _analyse(inputs, logs)
    results = _results(flight)
    warnings = [note for log in logs for note in log.notes] + flight.notes
    findings = _findings(flight, logs, used) | hand_findings
    if hand is not None:
        results.append(hand)
        warnings += _compare_hand(flight, hand)
    if not inputs.reading("site_temperature") and any(
        "height" in u or "pressure" in u for u in used
    ):
        warnings.append(
            "No air temperature was given: heights may be off by some per cent "
            "(reading site_temperature narrows them)."
        )
    return Outcome(
        tuple(results), findings, tuple(warnings), figures=figures(flight),
        method=flight.method, sentence=sentence(flight),
    )  # fmt: skip


def _read(inputs: Inputs) -> list[Log]:
    sources = inputs.all_files()
    columns = [pairs(text, "columns") for text in inputs.options.get("columns", ())]
    # 'g' is what loggers and people write for multiples of gravity; it is no gram here.
    units = [
        {quantity: known_unit(unit) or unit for quantity, unit in pairs(text, "units").items()}
        for text in inputs.options.get("units", ())
    ]

    def for_file(given: list[dict[str, str]], i: int) -> dict[str, str]:
        """One option per file in file order, or one for all."""
        if len(given) == len(sources) and len(given) > 1:
            return given[i]
        return {k: v for one in given for k, v in one.items()}

    return [
        _one_unit(read_log(source, columns=for_file(columns, i), units=for_file(units, i)))
        for i, source in enumerate(sources)
    ]


def _one_unit(log: Log) -> Log:
    """Give the axes of one accelerometer one unit where no header names it.

    At rest the three together read 1 g; each alone says little.
    """
    axes = [c for c in log.all("acceleration") if c.axis in ("x", "y", "z")]
    if len(axes) < 2 or any(c.unit_from not in ("assumed", "data") for c in axes):
        return log
    head = max(3, axes[0].data.size // 50)
    rest = float(np.hypot.reduce([float(np.nanmedian(c.data[:head])) for c in axes]))
    unit = "gee" if 0.7 < rest < 1.4 else "m/s2"
    turned = tuple(replace(c, unit=unit, unit_from="data") if c in axes else c for c in log.columns)
    notes = [n for n in log.notes if not any(n.startswith(f"'{c.header}' ") for c in axes)]
    shown = ", ".join(f"'{c.header}'" for c in axes)
    word = "g" if unit == "gee" else unit
    notes.append(f"{shown} were taken to be in {word}: together they read {rest:.2f} at rest.")
    return replace(log, columns=turned, notes=tuple(notes))


def _analyse(inputs: Inputs, logs: list[Log]) -> tuple[Flight, list[str]]:
    _has_something(logs)
    accel, names, accel_log = _acceleration(logs)
    heights, height_log, height_name = _heights(inputs, logs, accel_log)
    used = [f"acceleration ({', '.join(n or 'one axis' for n in names)})"] if accel else []
    used += [height_name] if heights else []
    angle = inputs.reading("launch_angle")
    band = inputs.reading("sensor_bandwidth")
    chosen = inputs.option("filter", "none")
    flight = analyse(
        accel, names, heights,
        gravity=inputs.option("gravity"),
        sin_path=None if angle is None else math.sin(math.radians(angle.value)),
        channel_class=0 if chosen == "none" else int(chosen.removeprefix("cfc")),
        sensor_band=0.0 if band is None else band.value,
        shared_clock=accel_log is None or height_log is None or accel_log is height_log,
    )  # fmt: skip
    for part, what in ((accel, "acceleration"), (heights.series if heights else None, "height")):
        if part is not None:
            flight.facts[f"{what}_log"] = _kept(part)
    return flight, used


def _has_something(logs: list[Log]) -> None:
    """Refuse logs without a column to measure, saying what was read as their header."""
    if any(log.first(quantity) for log in logs for quantity in _FLIGHT_MEASURES):
        return
    log = logs[0]
    line = f"line {log.header_line}" if log.header_line else "no line"
    shown = ", ".join(f"'{c.header.strip()}'" for c in log.columns)
    raise CannotMeasure(
        f"'{log.name}' has neither height, pressure nor acceleration; {line} was read as its "
        f"header, its columns of numbers are {shown}.",
        "Name the columns by header or number: option columns=time:1,height:2 (or acceleration:, "
        "pressure:), and their units with units=.",
    )


def _kept(series: Series) -> dict[str, Any]:
    return {
        "samples": int(series.time.size),
        "left_out": series.dropped,
        "repeated_times": series.repeated,
        "gaps_s": [[round(a, 3), round(b, 3)] for a, b in series.gaps[:20]],
    }


def _acceleration(logs: list[Log]) -> tuple[Series | None, tuple[str, ...], Log | None]:
    """Take three axes where there are three, else the axis along the craft."""
    for log in logs:
        found = log.all("acceleration")
        if not found:
            continue
        axes = [c for c in found if c.axis in ("x", "y", "z")]
        several = len(axes) > 1 and len({c.axis for c in axes}) == len(axes)
        chosen = axes if several else [_along(found)]
        t, _ = log.series(chosen[0])
        if several:
            t = log.at(_time_of(chosen[0])).si()
            y = np.stack([c.si() for c in chosen], 1)
        else:
            t, flat = log.series(chosen[0])
            y = flat[:, None]
        names = tuple(c.axis for c in chosen)
        return clean(t, y, f"acceleration log '{log.name}'"), names, log
    return None, (), None


def _time_of(column: Column) -> int:
    if column.time is None:
        raise WrongCall(
            "The log has no column of time.",
            "Name it with --option columns=time:HEADER (or its number, from 1).",
        )
    return column.time


def _along(found: tuple[Column, ...]) -> Column:
    order = {"axial": 0, "vertical": 1, "total": 3, "lateral": 4}
    return min(found, key=lambda c: (order.get(c.axis, 2), c.index))


def _heights(
    inputs: Inputs, logs: list[Log], accel_log: Log | None
) -> tuple[Heights | None, Log | None, str]:
    """Take pressure where there is pressure (the air of the day can be put in), else height."""
    pressure, warm, level = (
        inputs.reading(n) for n in ("site_pressure", "site_temperature", "site_height")
    )
    site = (
        None if pressure is None else pressure.value,
        None if warm is None else warm.value + 273.15,
        None if level is None else level.value,
        0.0 if warm is None else warm.u,
    )
    # The log with the acceleration first: it has the same clock.
    ordered = sorted(logs, key=lambda log: log is not accel_log)
    for quantity, convert in (("pressure", from_pressure), ("height", from_heights)):
        for log in ordered:
            column = log.first(quantity)
            if column is None:
                continue
            t, y = log.series(column)
            series = clean(t, y, f"{quantity} log '{log.name}'")
            return convert(series, *site), log, f"{quantity} ('{column.header.strip()}')"
    return None, None, ""


def _results(flight: Flight) -> list[Result]:
    found = []
    for f in flight.figures:
        # The top is the barometer's, whatever else was logged.
        high = f.measurand == "apogee" and "height" in flight.samples
        conditions: dict[str, Any] = {"method": "height" if high else flight.method}
        if f.phase:
            conditions["phase"] = f.phase
        if f.bound:
            conditions["bound"] = "lower"
        found.append(
            result(
                f.measurand, f.value, f.u, n=f.n, interval=(f.low, f.high), conditions=conditions
            )
        )
    order = {name: i for i, name in enumerate(PROCEDURE.measurand_ids)}
    return sorted(found, key=lambda r: order[r.measurand])


def _findings(flight: Flight, logs: list[Log], used: list[str]) -> dict[str, Any]:
    columns = [
        {"file": log.name, **row, "unit": "g" if row["unit"] == "gee" else row["unit"]}
        for log in logs
        for row in log.describe()
    ]
    logged = {}
    for log in logs:
        column = log.first("speed")
        if column is not None and column.time is not None:
            _, v = log.series(column)
            logged["logger_max_speed_m_s"] = round(float(v.max()), 3) if v.size else None
    in_g = {
        f"{f.measurand}_g{'_' + f.phase.replace(' ', '_') if f.phase else ''}": round(
            f.value / G0, 3
        )
        for f in flight.figures
        if f.measurand in ("peak_acceleration", "mean_boost_acceleration", "landing_peak")
    }
    events = {k: round(v, 4) for k, v in flight.events.items()}
    return {
        "columns": columns, "used": used, "events": events, "method": flight.method,
        "boost": "found" if flight.boosted else "none", **in_g, **logged, **flight.facts,
    }  # fmt: skip


_HAND_WARNING = (
    "2·height/time² holds for constant acceleration from rest; the peak is higher, for short "
    "pushes many times, and the camera feels gravity on top. Only a log shows them."
)


def _by_hand(inputs: Inputs) -> tuple[Result | None, dict[str, Any]]:
    """Estimate from height gained and time: mean speed h/t, mean acceleration 2·h/t²."""
    height, time = inputs.reading("boost_height"), inputs.reading("boost_duration")
    if height is None and time is None:
        return None, {}
    if height is None or time is None:
        raise WrongCall(
            "The estimate by hand needs boost_height and boost_duration.",
            f"Add {as_options('load.boost_height', 'load.boost_duration')}.",
        )
    mean = 2 * height.value / time.value**2
    share = math.sqrt(
        (height.u / height.value) ** 2 + (2 * time.u / time.value) ** 2 + _HAND_MODEL**2
    )
    found = {
        "hand_mean_speed_m_s": round(height.value / time.value, 4),
        "hand_mean_acceleration_m_s2": round(mean, 4),
        "hand_mean_acceleration_g": round(mean / G0, 3),
        "hand_mean_felt_g": round(mean / G0 + 1, 3),
    }
    given = result("mean_boost_acceleration", mean, mean * share, conditions={"method": "hand"})
    return given, {"hand": found}


def _compare_hand(flight: Flight, hand: Result) -> list[str]:
    logged = next((f for f in flight.figures if f.measurand == "mean_boost_acceleration"), None)
    if logged is None:
        return []
    apart = abs(logged.value - hand.value) / math.hypot(logged.u, hand.u)
    word = "agree" if apart < 2 else "do not agree"
    return [
        f"By hand the mean is {hand.value / G0:.1f} g, by the log {logged.value / G0:.1f} g: "
        f"they {word}. {_HAND_WARNING}"
    ]


def _hand_says() -> str:
    return (
        "A mean over the push, from height and time alone: the camera feels at least 1 g more, and "
        "more still at the peak."
    )


def sentence(flight: Flight) -> str:
    """Say what the flight does to a camera, and why felt, peak and mean differ."""
    first = {f.measurand: f for f in reversed(flight.figures)}
    if not flight.boosted:
        top = first.get("apogee")
        speed = first.get("max_speed")
        if top is None or speed is None:
            raise CannotMeasure("The log shows neither a boost nor a climb.", "Check the columns.")
        return (
            f"A slow climb to {top.value:.0f} m at up to {speed.value:.1f} m/s: no boost, the "
            "camera feels little more than its own weight."
        )
    peak, mean, felt = (
        first[k] for k in ("peak_acceleration", "mean_boost_acceleration", "felt_peak")
    )
    steep = felt.value - peak.value / G0
    why = (
        f"{steep:.1f} g more than it accelerates, because gravity pulls along the path"
        if steep > 0.3
        else "about what it accelerates, because on a flat launch gravity pulls across the path"
    )
    push = f"{mean.value / G0:.1f} g over {first['boost_time'].value:.2f} s"
    if peak.bound:
        return (
            f"The camera feels at least {felt.low:.1f} g, {why}; the mean push is {push}, and "
            "the peak, which this log cannot show, is higher, because a push is never even."
        )
    return (
        f"The camera feels {felt.value:.1f} g at the peak, {why}; the peak is "
        f"{peak.value / mean.value:.1f} times the mean of {push}, because a push is "
        "never even."
    )
