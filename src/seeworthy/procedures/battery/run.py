"""Run of `battery`: what it asks to see, and what it concludes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import expanded, number, said_u
from seeworthy.ground.errors import CannotMeasure, UnreadableInput
from seeworthy.ground.examples import as_options
from seeworthy.ground.quantities import Quantity
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Result, result
from seeworthy.media.container import read_facts
from seeworthy.media.source import Source
from seeworthy.media.tables import split, text_lines
from seeworthy.procedures.battery.logs import parse_run, runs_from_table
from seeworthy.procedures.battery.measure import (
    ASSUMED_SCATTER,
    REACH,
    BatteryRun,
    RunLevel,
    RunTrend,
    fit_trend,
    levels,
    mean_power,
)
from seeworthy.procedures.declare import Inputs, Seen
from seeworthy.procedures.stream.measure import shown_span

# What a label leaves open where no uncertainty was typed, share of the value.
_LABEL = {"capacity": 0.05, "voltage": 0.02}
_COLD = 10.0
# Most that a camera leaves out between two files, s (a judgement; `continuity` measures it).
_GAP = 5.0


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return running time per temperature, its slope, power and predictions."""
    runs, notes = _runs(inputs)
    if not runs:
        raise CannotMeasure(
            "No run was given.", f"Add {as_options('battery.run')} once per run, or a CSV file."
        )
    found = levels(runs)
    if not any(level.n for level in found):
        longest = max(level.at_least for level in found)
        raise CannotMeasure(
            f"Every run was cut short: all that is known is that it lasts {longest:.0f} min or "
            "more.",
            "Let one run go on until the camera switches itself off, with a card large enough.",
        )
    trend = fit_trend(runs)
    results = [_run_time(level) for level in found if level.n]
    warnings = [*notes, *_doubts(found, trend)]
    power, said = _power(inputs, found)
    warnings += said
    predictions, said = _predictions(inputs.all_readings("at"), trend, found)
    warnings += said
    if trend is not None:
        value, u = trend.slope()
        method = {"method": trend.model, "temperature": round(trend.centre, 1)}
        dof = float(trend.fit.dof)
        runs_about = Component("scatter of the runs about the trend", u, "min/K", source="scatter")
        results.append(
            result(
                "run_time_slope", value, n=trend.n, dof=dof, conditions=method, budget=(runs_about,)
            )
        )
    return Outcome(
        (*results, *predictions, *power),
        _findings(runs, found, trend),
        tuple(warnings),
        figures=_figures(runs, trend),
        method=trend.model if trend else "",
        sentence=_sentence(found, trend),
    )


def _runs(inputs: Inputs) -> tuple[list[BatteryRun], list[str]]:
    runs = [parse_run(q.text) for q in inputs.all_readings("run")]
    notes: list[str] = []
    for source in inputs.all_files():
        headers, rows = _table(source)
        more, said = runs_from_table(headers, rows, source.name)
        runs += more
        notes += said
    if inputs.all_files("recording"):
        run, said = _recording(inputs)
        runs.append(run)
        notes += said
    return runs, notes


def _recording(inputs: Inputs) -> tuple[BatteryRun, list[str]]:
    """Return the run that the files of one recording make, in the order given.

    A cell that dies often leaves its last file unfinished: then what can be read is a lower bound.
    """
    sources = inputs.all_files("recording")
    seconds, notes = 0.0, []
    complete = inputs.option("ended", "battery") == "battery"
    for source in sources:
        try:
            packets = read_facts(source).video.packets
        except UnreadableInput as wrong:
            if source is not sources[-1] or not seconds:
                raise
            complete = False
            notes.append(f"The last file tells no length, so the run is 'at least': {wrong}")
            continue
        span = shown_span(packets.shown_stamps(), float(packets.time_base))
        seconds += span.seconds if span else 0.0
    if not seconds:
        raise CannotMeasure("The files tell no length.", "Give the run as run=… by the watch.")
    # What runs between two files is not in any of them: up to some seconds each.
    u = _GAP * (len(sources) - 1) / 3**0.5 / 60
    at = inputs.reading("temperature")
    if at is None:
        notes.append("The temperature of the recording was not given: --reading temperature=…")
        return BatteryRun(seconds / 60, u, complete=complete), notes
    return BatteryRun(seconds / 60, u, at.value, at.u, complete), notes


def _table(source: Source) -> tuple[list[str], list[list[str]]]:
    """Cut a small hand-written table into cells; nothing is taken to be a number."""
    lines = [line for line in text_lines(source, 1_000_000) if not line.startswith("#")]
    if not lines:
        raise UnreadableInput(f"'{source.name}' holds no line.", "One run per line.")
    separator = max(",;\t", key=lines[0].count)
    cells = [split(line, separator) for line in lines]
    return cells[0], cells[1:]


def _where(level: RunLevel) -> dict[str, Any]:
    return {} if level.temperature is None else {"temperature": round(level.temperature, 1)}


def _at(level: RunLevel) -> str:
    if level.temperature is None:
        return "where no temperature was read"
    return f"at {level.temperature:.0f} °C"


def _run_time(level: RunLevel) -> Result:
    return result(
        "run_time", level.value, n=level.n, dof=level.dof, conditions=_where(level),
        budget=level.budget,
    )  # fmt: skip


def _doubts(found: Sequence[RunLevel], trend: RunTrend | None) -> list[str]:
    said = []
    for level in found:
        runs = f"{level.n} run{'s' if level.n != 1 else ''}"
        if level.n == 0:
            said.append(
                f"No run {_at(level)} went on until the cell was empty: it lasts at least "
                f"{level.at_least:.0f} min there, and no figure is given."
            )
        elif level.n < 3:
            source = (
                "their scatter is taken from the runs at other temperatures"
                if level.scatter == "pooled"
                else f"a scatter of {100 * ASSUMED_SCATTER:.0f} % from run to run is assumed"
            )
            said.append(f"Only {runs} {_at(level)}: fewer than 3, so {source}.")
        if level.n and level.n < 3 and level.at_least > level.value + level.u:
            said.append(
                f"A run {_at(level)} was cut short after {level.at_least:.0f} min and still "
                "outlasted the mean: repeat there."
            )
    if trend is None and len([level for level in found if level.n]) > 1:
        said.append("The runs do not carry a slope: their temperatures were not all read.")
    return said


def _power(inputs: Inputs, found: Sequence[RunLevel]) -> tuple[list[Result], list[str]]:
    asked = {name: inputs.reading(name) for name in _LABEL}
    readings = {name: reading for name, reading in asked.items() if reading is not None}
    if len(readings) < len(_LABEL):
        lone = [f"No power: it needs capacity and voltage, only {n} was given." for n in readings]
        return [], lone
    said, pairs = [], []
    for name, reading in readings.items():
        pairs.append(_label(name, reading))
        if not reading.stated:
            share = f"{100 * _LABEL[name]:.0f} %"
            said.append(
                f"The uncertainty of the {name} was not given: {share} is taken, as a label "
                "leaves it open."
            )
    results = []
    for level in found:
        if level.n:
            power = mean_power(pairs[0], pairs[1], level)
            given = [("capacity", pairs[0][1], "mAh"), ("voltage", pairs[1][1], "V"),
                     ("running time", level.u, "min")]  # fmt: skip
            parts = [
                Component(name, u, unit, part / u, source=_source(name, readings.get(name)),
                          common=name if name in readings and readings[name].stated else "")
                for (name, u, unit), part in zip(given, power.parts, strict=True) if u > 0
            ]  # fmt: skip
            results.append(
                result(
                    "mean_power", power.value, n=level.n, dof=power.dof, conditions=_where(level),
                    budget=parts,
                )
            )  # fmt: skip
    measured = [level.temperature for level in found if level.n]
    cold = [t for t in measured if t is not None and t < _COLD]
    if cold:
        said.append(
            f"Below {_COLD:.0f} °C a cell gives less than its label says, so the power there is "
            "an upper bound."
        )
    return results, said


def _source(name: str, reading: Quantity | None) -> str:
    if reading is None:
        return "run_time of this take"
    return "reading" if reading.stated else f"judgement: {_LABEL[name]:.0%} of a label"


def _label(name: str, reading: Quantity) -> tuple[float, float]:
    return reading.value, reading.u if reading.stated else _LABEL[name] * reading.value


def _predictions(
    wanted: Sequence[Quantity], trend: RunTrend | None, found: Sequence[RunLevel]
) -> tuple[list[Result], list[str]]:
    results: list[Result] = []
    said: list[str] = []
    for at in wanted:
        if trend is None:
            said.append(
                f"No prediction at {at.value:.0f} °C: it needs complete runs at two temperatures "
                "or more."
            )
            continue
        value, _ = trend.predict(at.value, at.u)
        low, high = trend.interval(at.value, at.u)
        if value <= 0:
            said.append(f"At {at.value:.0f} °C the straight line ends below zero: no prediction.")
            continue
        beyond = max(trend.low - at.value, at.value - trend.high)
        if beyond > REACH:
            said.append(
                f"{at.value:.0f} °C lies {beyond:.0f} K outside the measured temperatures: the "
                "prediction there is a guess; run it at that temperature."
            )
        method = {
            "temperature": round(at.value, 1),
            "method": f"predicted, {trend.model}",
            "basis": "predicted",  # keeps it apart from the runs that it was predicted from
        }
        results.append(
            result(
                "run_time",
                value,
                n=trend.n,
                budget=trend.budget(at.value, at.u),
                dof=float(trend.fit.dof),
                interval=(low, high),
                conditions=method,
            )
        )
    return results, said


def _findings(
    runs: Sequence[BatteryRun], found: Sequence[RunLevel], trend: RunTrend | None
) -> dict[str, Any]:
    findings: dict[str, Any] = {
        "complete_runs": sum(r.complete for r in runs),
        "cut_short": sum(not r.complete for r in runs),
        "at_least": [
            {"minutes": round(level.at_least, 2), **_where(level)}
            for level in found
            if level.at_least
        ],
    }
    if trend is not None:
        findings["model"] = trend.model
        findings["model_choice"] = trend.reason
    return findings


def _figures(runs: Sequence[BatteryRun], trend: RunTrend | None) -> tuple[Figure, ...]:
    """Draw the runs over temperature with the band for the next run."""
    points = [r for r in runs if r.temperature is not None]
    if not points:
        return ()
    names = ("temperature", "run", "cut", "line", "low", "high")
    rows: list[tuple[float | None, ...]] = []
    for r in points:
        assert r.temperature is not None
        read = (r.minutes, None) if r.complete else (None, r.minutes)
        rows.append((r.temperature, *read, *_drawn(trend, r.temperature)))
    marks = [Mark("points", y="run", label="run")]
    if not all(r.complete for r in points):
        marks.append(Mark("points", y="cut", label="cut short"))
    if trend is not None:
        span = max(trend.high - trend.low, 1.0)
        for i in range(41):
            t = trend.low - 0.1 * span + 1.2 * span * i / 40
            rows.append((t, None, None, *_drawn(trend, t)))
        marks = [
            Mark("band", low="low", high="high", label="next run, 95 %"),
            Mark("line", y="line", label=trend.model),
            *marks,
        ]
    rows.sort(key=lambda row: row[0] or 0.0)
    columns = dict(zip(names, map(list, zip(*rows, strict=True)), strict=True))
    return (
        Figure(
            "run-time",
            "Running time over temperature",
            "Where the band lies below your flight time, take a warm or a second cell.",
            columns,
            Axis("temperature", "temperature", "°C"),
            Axis("run", "running time", "min"),
            tuple(marks),
        ),
    )


def _drawn(trend: RunTrend | None, temperature: float) -> tuple[float | None, ...]:
    """Return line, low and high; at every point, so that neither line nor band breaks."""
    if trend is None:
        return None, None, None
    return trend.predict(temperature)[0], *trend.interval(temperature)


def _sentence(found: Sequence[RunLevel], trend: RunTrend | None) -> str:
    best = max((level for level in found if level.n), key=lambda level: level.temperature or 0.0)
    told = f"It records {said_u(best.value, best.u, 'min', best.dof)} on one charge {_at(best)}"
    if trend is None:
        return told + "."
    value, u = trend.slope()
    if abs(value) < 2 * u:
        return f"{told}; a change with temperature is not shown by these runs."
    word = "less" if value > 0 else "more"
    loss = number(abs(10 * value), expanded(10 * u, trend.fit.dof))
    return f"{told}, and about {loss} min {word} for every 10 °C colder."
