"""`load` on logs as real loggers leave them: nothing that physics contradicts is answered."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.source import Source
from seeworthy.procedures import procedure
from seeworthy.procedures.declare import gather
from seeworthy.procedures.load.air import from_pressure
from seeworthy.procedures.load.guards import coast_speed
from seeworthy.procedures.load.measure import analyse
from seeworthy.procedures.load.saturation import find_stop
from seeworthy.procedures.load.series import clean
from seeworthy.procedures.load.study import CASES, draw, measure
from seeworthy.procedures.load.twins import compare_heights
from seeworthy.virtual.flight_dynamics import fly
from seeworthy.virtual.flight_faults import on_the_pad, sent_twice, two_stages
from seeworthy.virtual.flight_logs import Logger, as_csv, model_rocket, record, water_rocket

LOGS = Path(__file__).parent / "published" / "flightlogs"
LOAD = procedure("load")
G0 = 9.80665
BY_NAME = {case.group: case for case in CASES}


def figures(flight):
    return {f.measurand: f for f in reversed(flight.figures)}


def conclude(*files, **kinds):
    sources = [Source.of(f) for f in files]
    return LOAD.run(
        gather(LOAD, {"": sources}, kinds.get("readings", {}), kinds.get("options", {}))
    )


def rendered(craft, seed, **logger):
    rng = np.random.default_rng(seed)
    settings = {"rate": 100, "height_rate": 20, "begin": 2.5} | logger
    log = record(fly(craft(rng)), Logger(**settings), rng)
    return (
        log,
        clean(log.time, log.acceleration),
        from_pressure(clean(log.height_time, log.pressure)),
    )


def holds(flight, log, *names):
    found = figures(flight)
    for name in names:
        assert found[name].low <= log.path.truth[name] <= found[name].high, name


def in_order(flight):
    events = flight.events
    times = [events[k] for k in ("launch", "burnout", "apogee", "landing") if k in events]
    assert times == sorted(times)
    length = figures(flight).get("boost_time")
    if length is not None and "apogee" in events:
        assert length.value < events["apogee"] - events["launch"]


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.group)
def test_no_rendered_log_gives_a_boost_longer_than_its_ascent(case):
    rng = np.random.default_rng((3, CASES.index(case)))
    in_order(measure(draw(case, rng), True, rng, case.fault == "whole feet"))


@pytest.mark.parametrize("name", [p.name for p in sorted(LOGS.glob("*.csv")) if p.stem != "index"])
def test_no_real_log_gives_a_boost_longer_than_its_ascent(name):
    outcome = conclude(LOGS / name)
    events = outcome.findings["events"]
    times = [events[k] for k in ("launch", "burnout", "apogee", "landing") if k in events]
    assert times == sorted(times)
    length = next(r for r in outcome.results if r.measurand == "boost_time")
    assert length.value < events["apogee"] - events["launch"]


def test_coast_speed_is_that_of_the_braked_climb():
    """Own integration of a coast with drag; 2h/t without drag (any textbook of mechanics)."""
    for v0, k in ((80.0, 4e-3), (200.0, 5e-4), (30.0, 1e-6)):
        v, h, t, dt = v0, 0.0, 0.0, 1e-4
        while v > 0:
            h, v, t = h + v * dt, v - (G0 + k * v * v) * dt, t + dt
        assert coast_speed(h, t) == pytest.approx(v0, rel=0.01)
    assert coast_speed(0.2 * G0 * 100, 10.0) is None


@pytest.mark.parametrize("seed", range(4))
def test_what_never_left_the_pad_has_no_figure(seed):
    log = on_the_pad(np.random.default_rng(seed))
    accel = clean(log.time, log.acceleration)
    heights = from_pressure(clean(log.height_time, log.pressure))
    for a, h in ((accel, heights), (accel, None), (None, heights)):
        with pytest.raises(CannotMeasure, match="never left the pad") as caught:
            analyse(a, ("z",) if a else (), h)
        assert caught.value.hint


def test_a_sensor_at_its_stop_leaves_speed_and_mean_to_the_barometer():
    log, accel, heights = rendered(water_rocket, 2, rate=200, height_rate=25, limit=16 * G0)
    flight = analyse(accel, ("z",), heights)
    assert figures(flight)["peak_acceleration"].bound
    holds(flight, log, "max_speed", "mean_boost_acceleration", "boost_time", "apogee")
    assert any("stop at 16.0 g" in n for n in flight.notes)
    alone = figures(analyse(accel, ("z",), None))
    assert alone["max_speed"].bound
    assert "apogee" not in alone


def test_a_range_that_was_read_marks_the_stop(tmp_path):
    log, *_ = rendered(water_rocket, 2, rate=200, height_rate=25, limit=20.4 * G0)
    path = tmp_path / "x.csv"
    path.write_text(as_csv(log))
    outcome = conclude(path, readings={"range": ["20.4 g"]})
    assert "max_speed" not in outcome.findings["lower_bound"]
    assert "peak_acceleration" in outcome.findings["lower_bound"]


def test_a_plateau_is_no_stop():
    rng = np.random.default_rng(1)
    y = np.where(np.arange(600) % 600 < 300, 9.8, 16 * G0) + 0.5 * rng.standard_normal(600)
    assert find_stop(np.round(y / 0.05)[:, None] * 0.05, 0.05) is None
    pinned = np.minimum(y, 15.5 * G0)
    assert find_stop(pinned[:, None], 0.05).at.sum() > 200


def test_upside_down_with_a_drogue_harder_than_the_boost():
    case = BY_NAME["upside down, drogue shock, hanging, 100 Hz + barometer"]
    log = draw(case, np.random.default_rng(2))
    accel = clean(log.time, log.acceleration)
    for heights in (from_pressure(clean(log.height_time, log.pressure)), None):
        flight = analyse(accel, ("z",), heights)
        in_order(flight)
        assert flight.events["launch"] == pytest.approx(log.path.events["launch"], abs=0.05)
        assert flight.events["burnout"] == pytest.approx(log.path.events["burnout"], abs=0.1)
        assert flight.facts["direction"].startswith("−")


def test_a_log_that_begins_in_the_push_says_at_least():
    log, accel, heights = rendered(model_rocket, 7, begin=-0.35)
    flight = analyse(accel, ("z",), heights)
    found = figures(flight)
    assert found["boost_time"].bound
    assert found["peak_acceleration"].bound
    holds(flight, log, "max_speed", "boost_time", "apogee")
    alone = figures(analyse(accel, ("z",), None))
    assert alone["max_speed"].bound


def test_two_stages_are_told_apart():
    log, accel, heights = rendered(two_stages, 4)
    flight = analyse(accel, ("z",), heights)
    assert flight.facts["stages"] == 2
    holds(flight, log, "max_speed", "apogee")
    stages = [f.phase for f in flight.figures if f.measurand == "boost_time"]
    assert stages == ["", "stage 2"]


def test_a_dip_at_the_vents_is_no_boost():
    log = draw(BY_NAME["vents dip at lift-off, barometer only"], np.random.default_rng(3))
    flight = analyse(None, (), from_pressure(clean(log.height_time, log.pressure)))
    assert not {"boost_time", "max_speed", "peak_acceleration"} & set(figures(flight))
    holds(flight, log, "apogee")
    assert "vents" in flight.facts["left_out"][0]


@pytest.mark.parametrize("factor", [0.5, 1.3, 1.6])
def test_a_contradicted_accelerometer_is_left_out_and_named(factor):
    log, accel, heights = rendered(model_rocket, 13)
    wrong = replace(accel, values=G0 + factor * (accel.values - G0))
    flight = analyse(wrong, ("z",), heights)
    assert flight.method == "height"
    assert flight.facts["left_out"][0].startswith("acceleration")
    holds(flight, log, "max_speed", "apogee")


def test_a_contradicted_barometer_is_left_out_and_named():
    log, accel, heights = rendered(model_rocket, 13)
    half = replace(heights, series=replace(heights.series, values=0.5 * heights.series.values))
    flight = analyse(accel, ("z",), half)
    assert flight.method == "acceleration"
    assert flight.facts["left_out"][0].startswith("height")
    holds(flight, log, "max_speed")


def test_rows_that_a_radio_sent_twice_are_left_out(tmp_path):
    rng = np.random.default_rng(6)
    log = draw(BY_NAME["model rocket, 100 Hz + barometer"], rng)
    path = tmp_path / "radio.csv"
    path.write_text(sent_twice(log, rng))
    outcome = conclude(path)
    assert any("repeat the row before" in w for w in outcome.warnings)
    found = {r.measurand: r for r in reversed(outcome.results)}
    for name in ("max_speed", "apogee"):
        low, high = found[name].interval
        assert low <= log.path.truth[name] <= high, name


def test_the_loggers_own_figures_are_set_beside(tmp_path):
    log = draw(BY_NAME["model rocket, 100 Hz + barometer"], np.random.default_rng(3))
    right, wrong = log.path.truth["max_speed"], 5 * log.path.truth["max_speed"]
    for speed, agree in ((right, True), (wrong, False)):
        path = tmp_path / "own.csv"
        path.write_text(f"Max speed: {speed:.1f} m/s\nlogger 3\n" + as_csv(log))
        outcome = conclude(path)
        assert outcome.findings["logger_agrees"]["max_speed"]["agree"] is agree
        named = {r.measurand for r in outcome.results}
        assert "max_speed" in named  # two sensors agree here: they stand


def test_two_logs_of_one_flight_are_compared(tmp_path):
    log, *_ = rendered(model_rocket, 5)
    metric = as_csv(log)
    path, second = tmp_path / "a.csv", tmp_path / "b.csv"
    path.write_text(metric)
    heights = from_pressure(clean(log.height_time, log.pressure))
    rows = zip(heights.series.time, heights.series.values, strict=True)
    second.write_text(
        "time_s,height_m\n" + "".join(f"{t + 2.5:.3f},{1.05 * h:.2f}\n" for t, h in rows)
    )
    (found,) = conclude(path, second).findings["logs_compared"]
    assert found["lag_s"][1] <= 2.5 <= found["lag_s"][2]
    assert found["scale"][0] == pytest.approx(1.05, abs=0.01)
    assert found["apogee_difference_m"][0] == pytest.approx(
        0.05 * log.path.truth["apogee"], rel=0.3
    )
    same = compare_heights(heights, heights)
    assert same["scale"][0] == pytest.approx(1.0, abs=1e-3)
    assert same["lag_s"][0] == pytest.approx(0.0, abs=0.02)


def test_heights_beyond_the_air_are_no_heights(tmp_path):
    log = tmp_path / "log.csv"
    rows = (f"{i},1e30{i % 9}\n" for i in range(200))
    log.write_text("Time (s),Altitude (m)\n" + "".join(rows))
    with pytest.raises(CannotMeasure, match="nothing here reaches"):
        conclude(log)
