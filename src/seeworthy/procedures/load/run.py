"""Run of `load`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from typing import Any

from seeworthy.ground.budget import Component
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.examples import as_options
from seeworthy.ground.measurands import measurand
from seeworthy.ground.results import Outcome, Result, result
from seeworthy.media.logs import Log
from seeworthy.procedures.declare import Inputs, Seen
from seeworthy.procedures.load import PROCEDURE
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.chosen import Chosen, choose_columns, has_something, read_logs
from seeworthy.procedures.load.figures import figures
from seeworthy.procedures.load.flight import Figure95
from seeworthy.procedures.load.measure import Flight, analyse
from seeworthy.procedures.load.own_words import compare
from seeworthy.procedures.load.series import Series
from seeworthy.procedures.load.twins import compare_figures, compare_heights, words
from seeworthy.procedures.load.words import sentence

# With a push that changes linearly by up to ±70 % from its mean, 2·h/t² is off by up to
# ±23 % of the mean acceleration: rectangular, 13 %.
_HAND_MODEL = 0.13


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
    logs = read_logs(inputs)
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


def _analyse(inputs: Inputs, logs: list[Log]) -> tuple[Flight, list[str]]:
    has_something(logs)
    chosen = choose_columns(inputs, logs)
    accel, heights = chosen.accel, chosen.heights
    used = (
        [f"acceleration ({', '.join(n or 'one axis' for n in chosen.names)})"] if accel else []
    ) + ([chosen.height_name] if heights else [])
    flight = _measured(inputs, chosen)
    for part, what in ((accel, "acceleration"), (heights.series if heights else None, "height")):
        if part is not None:
            flight.facts[f"{what}_log"] = _kept(part)
    own = compare(flight, logs)
    if own:
        flight.facts["logger_agrees"] = own
    _second_logs(inputs, logs, chosen, flight)
    if heights is not None and not heights.pad_known and inputs.reading("site_temperature"):
        flight.notes.append(
            "The heights begin at the pad, and how high that lies above the sea was not given: "
            "an altimeter takes the air for colder the higher it is (reading site_height or "
            "site_pressure narrows them)."
        )
    return flight, used


def _measured(inputs: Inputs, chosen: Chosen) -> Flight:
    angle = inputs.reading("launch_angle")
    band, limit = inputs.reading("sensor_bandwidth"), inputs.reading("range")
    filtered = inputs.option("filter", "none")
    one = chosen.accel_log is None or chosen.height_log is None
    return analyse(
        chosen.accel, chosen.names, chosen.heights,
        gravity=inputs.option("gravity"),
        sin_path=None if angle is None else math.sin(math.radians(angle.value)),
        channel_class=0 if filtered == "none" else int(filtered.removeprefix("cfc")),
        sensor_band=0.0 if band is None else band.value,
        sensor_range=0.0 if limit is None else limit.value,
        shared_clock=one or chosen.accel_log is chosen.height_log,
    )  # fmt: skip


def _second_logs(inputs: Inputs, logs: list[Log], chosen: Chosen, flight: Flight) -> None:
    """Measure every further log with heights by itself and say how far it differs."""
    if len(logs) < 2 or chosen.heights is None:
        return
    told = []
    for log in logs:
        if log is chosen.height_log:
            continue
        other = choose_columns(inputs, [log])
        if other.heights is None:
            continue
        found: dict[str, Any] = dict(compare_heights(chosen.heights, other.heights))
        try:
            alone = _measured(inputs, other)
            found |= compare_figures(flight, alone, chosen.heights.u_air)
        except CannotMeasure as error:
            flight.notes.append(f"Second log '{log.name}' by itself: {error.message}")
        if found:
            told.append({"file": log.name, **found})
            flight.notes.append(words(log.name, found))
    if told:
        flight.facts["logs_compared"] = told


def _kept(series: Series) -> dict[str, Any]:
    return {
        "samples": int(series.time.size),
        "left_out": series.dropped,
        "repeated_times": series.repeated,
        "gaps_s": [[round(a, 3), round(b, 3)] for a, b in series.gaps[:20]],
    }


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
                f.measurand,
                f.value,
                n=f.n,
                interval=(f.low, f.high),
                conditions=conditions,
                budget=(_whole(f),),
            )
        )
    order = {name: i for i, name in enumerate(PROCEDURE.measurand_ids)}
    return sorted(found, key=lambda r: order[r.measurand])


def _whole(figure: Figure95) -> Component:
    """Return its uncertainty as one part: what the smoothed flight says is not taken apart."""
    name, source = "sensors, air and ends of the push, together", "scatter of the log, and "
    source += "judgements of scale and air (docs/accuracy/load.md)"
    if figure.bound:
        name, source = "from the bound up to what is taken for the most", "judgement"
    return Component(name, figure.u, measurand(figure.measurand).unit, source=source)


def _findings(flight: Flight, logs: list[Log], used: list[str]) -> dict[str, Any]:
    columns = [
        {"file": log.name, **row, "unit": _SHOWN.get(row["unit"], row["unit"])}
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


_SHOWN = {"gee": "g", "milli_gee": "mg"}
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
    parts = (
        Component("height gained", height.u, "m", 2 / time.value**2, source="reading",
                  common="boost_height"),
        Component("time", time.u, "s", -2 * mean / time.value, source="reading",
                  common="boost_duration"),
        Component("a push that is not constant", _HAND_MODEL, "", mean,
                  distribution="rectangular",
                  source="judgement: it changes linearly by up to 70 % from its mean"),
    )  # fmt: skip
    found = {
        "hand_mean_speed_m_s": round(height.value / time.value, 4),
        "hand_mean_acceleration_m_s2": round(mean, 4),
        "hand_mean_acceleration_g": round(mean / G0, 3),
        "hand_mean_felt_g": round(mean / G0 + 1, 3),
    }
    given = result("mean_boost_acceleration", mean, conditions={"method": "hand"}, budget=parts)
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
