"""Flight loads from rendered logs with known truth."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.load.accel import into_flight
from seeworthy.procedures.load.air import Heights, from_pressure
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.measure import analyse
from seeworthy.procedures.load.peak import cfc, find_peak
from seeworthy.procedures.load.series import clean
from seeworthy.procedures.load.study import CASES, draw, measure, run
from seeworthy.procedures.study import summarise
from seeworthy.virtual.flight_dynamics import Craft, fly
from seeworthy.virtual.flight_logs import Air, Logger, balloon, record, water_rocket


def figures(flight):
    return {f.measurand: f for f in reversed(flight.figures)}


def clean_log(craft, **logger):
    """A logger without faults but its sampling."""
    rng = np.random.default_rng(0)
    plain = {"noise": 0.02, "step": 0.01, "pressure_noise": 0.5, "pressure_step": 0.1, "lag": 0.0}
    return record(fly(craft), Logger(**(plain | logger)), rng, Air())


def test_ten_g_for_one_second(published):
    """Drag-free boost and coast, analytic rows of flight_loads.csv."""
    rows = {(r["relation"], r["case"]): float(r["value"]) for r in published("flight_loads.csv")}
    boost = "drag-free boost: net 10 g for 1 s"
    log = clean_log(Craft("test", lambda x: 11 * G0, 1.0, 0.0), rate=200, height_rate=20)
    found = figures(measure(log, True, np.random.default_rng(0)))
    assert found["max_speed"].value == pytest.approx(rows[boost, "burnout speed"], rel=0.01)
    assert found["apogee"].value == pytest.approx(rows[boost, "apogee height"], rel=0.015)
    assert found["boost_time"].value == pytest.approx(1.0, abs=0.005)
    assert found["peak_acceleration"].value == pytest.approx(10 * G0, rel=0.01)
    felt = rows[boost, "accelerometer (specific force) in boost"]
    assert found["felt_peak"].value == pytest.approx(felt, rel=0.01)
    assert found["mean_boost_acceleration"].value == pytest.approx(10 * G0, rel=0.01)


def test_hand_formula_is_the_mean_under_constant_acceleration():
    """2·h/t² (common practice, no source) equals the log's mean when the push is even."""
    log = clean_log(Craft("test", lambda x: 11 * G0, 1.0, 0.0), rate=200, height_rate=0)
    flight = analyse(clean(log.time, log.acceleration), ("x",), None)
    burnout = flight.events["burnout"]
    gained = float(np.interp(burnout, flight.track.time, flight.track.height))
    mean = figures(flight)["mean_boost_acceleration"].value
    assert 2 * gained / figures(flight)["boost_time"].value ** 2 == pytest.approx(mean, rel=0.02)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("gravity", [True, False])
def test_axis_and_gravity_are_found(sign, gravity):
    craft = Craft("test", lambda x: 8 * G0, 0.8, 5e-4)
    log = clean_log(craft, rate=100, height_rate=0, gravity=gravity)
    felt, boost = into_flight(clean(log.time, sign * log.acceleration), ("z",))
    assert boost is not None
    assert felt.gravity == ("included" if gravity else "removed")
    assert felt.direction == ("+z" if sign > 0 else "−z")
    peak = felt.felt[boost.first : boost.last + 1].max() / G0
    assert peak == pytest.approx(log.path.truth["felt_peak"], rel=0.02)


def test_three_axes_askew_give_the_launch_angle():
    rng = np.random.default_rng(3)
    craft = Craft("test", lambda x: 6 * G0, 0.5, 2e-3, angle=20.0, descent=0.0)
    log = record(fly(craft), Logger(rate=200, three_axes=True, noise=0.05, step=0.01), rng)
    felt, boost = into_flight(clean(log.time, log.acceleration), ("x", "y", "z"))
    assert boost is not None
    assert np.degrees(np.arcsin(felt.sin_path)) == pytest.approx(20.0, abs=1.0)
    felt_peak = felt.felt[boost.first : boost.last + 1].max() / G0
    assert felt_peak == pytest.approx(log.path.truth["felt_peak"], rel=0.02)


@pytest.mark.parametrize("gravity", [True, False])
def test_a_log_that_begins_in_the_push(gravity):
    craft = Craft("test", lambda x: 9.8 * G0, 1.5, 5e-4)
    log = clean_log(craft, rate=100, height_rate=0, gravity=gravity)
    late = log.time > log.path.events["launch"] + 0.05
    flight = analyse(clean(log.time[late], log.acceleration[late]), ("z",), None)
    found = figures(flight)
    assert flight.facts["gravity"] == ("included" if gravity else "removed")
    for name in ("peak_acceleration", "felt_peak", "max_speed", "boost_time"):
        assert found[name].low < log.path.truth[name] < found[name].high, name
    assert any("begins inside the push" in n for n in flight.notes)


def test_bias_on_the_pad_is_taken_out():
    craft = Craft("test", lambda x: 8 * G0, 0.8, 5e-4)
    log = clean_log(craft, rate=100, height_rate=0, bias=0.3)
    flight = analyse(clean(log.time, log.acceleration), ("z",), None)
    assert flight.facts["pad"]["bias_m_s2"] == pytest.approx(0.3, abs=0.02)
    assert figures(flight)["max_speed"].value == pytest.approx(
        log.path.truth["max_speed"], rel=0.005
    )


def test_height_mends_the_scale_of_the_accelerometer():
    craft = Craft("test", lambda x: 8 * G0, 2.0, 5e-4)
    log = clean_log(craft, rate=100, height_rate=20, scale=0.05)
    accel = clean(log.time, log.acceleration)
    heights = from_pressure(clean(log.height_time, log.pressure), None, 288.15, 0.0, 0.2)
    alone = figures(analyse(accel, ("z",), None))["max_speed"]
    fused = figures(analyse(accel, ("z",), heights))["max_speed"]
    truth = log.path.truth["max_speed"]
    assert abs(fused.value - truth) < 0.6 * abs(alone.value - truth)
    assert fused.u < alone.u
    assert fused.low < truth < fused.high


def test_a_slow_log_gives_a_lower_bound():
    log = clean_log(water_rocket(np.random.default_rng(1)), rate=20, height_rate=0)
    flight = analyse(clean(log.time, log.acceleration), ("x",), None)
    peak = figures(flight)["peak_acceleration"]
    assert peak.bound
    assert "peak_acceleration" in flight.facts["lower_bound"]
    assert peak.low < log.path.truth["peak_acceleration"] < peak.high
    # Thrust curves of small motors peak at 1.3 to 3.3 times their mean (common practice, no
    # source): one that is tens of times the mean push says nothing.
    mean = figures(flight)["mean_boost_acceleration"]
    assert 3.3 * mean.low < peak.high < 20 * mean.value
    assert any("lower bound" in n for n in flight.notes)


def test_a_sensor_at_its_stop_gives_a_lower_bound():
    log = clean_log(
        water_rocket(np.random.default_rng(1)), rate=400, height_rate=0, limit=30 * G0, noise=0.3
    )
    flight = analyse(clean(log.time, log.acceleration), ("x",), None)
    peak = figures(flight)["peak_acceleration"]
    assert peak.bound
    assert peak.value < log.path.truth["peak_acceleration"] < peak.high
    assert any("stop" in n for n in flight.notes)


def test_a_balloon_is_not_a_boost():
    rng = np.random.default_rng(4)
    log = record(fly(balloon(rng)), Logger(rate=50, height_rate=5, noise=0.3), rng)
    flight = measure(log, True, rng)
    assert not flight.boosted
    found = figures(flight)
    assert "boost_time" not in found
    assert found["apogee"].low < log.path.truth["apogee"] < found["apogee"].high
    assert found["max_speed"].low < log.path.truth["max_speed"] < found["max_speed"].high


def test_ejection_pressure_spike_is_left_out():
    log = clean_log(Craft("test", lambda x: 8 * G0, 2.0, 5e-4), rate=0, height_rate=20)
    top = log.path.events["apogee"]
    p = log.pressure.copy()
    near = np.abs(log.height_time - top - 0.3) < 0.25
    p[near] -= 500.0  # some 45 m too high
    p[-1], p[-2] = 19125.0, 115870.0
    flight = analyse(None, (), from_pressure(clean(log.height_time, p), None, 288.15, 0.0, 0.1))
    apogee = figures(flight)["apogee"]
    assert apogee.value == pytest.approx(log.path.truth["apogee"], rel=0.01)
    assert "pressure_spike" in flight.facts


def test_peak_of_a_noisy_plateau_is_not_its_highest_sample():
    rng = np.random.default_rng(7)
    t = np.arange(400) * 0.005
    lifts, low = [], []
    for _ in range(40):
        y = 50.0 + rng.normal(0, 1.0, 400)
        peak = find_peak(t, y, 1.0, slice(0, 400))
        lifts.append(peak.value - 50.0)
        low.append(y.max() - 50.0)
    assert np.mean(low) > 2.5
    assert np.mean(lifts) < 1.0


def test_channel_class_passes_its_band():
    """SAE J211-1: −3 dB near 1.65 times the class (from memory)."""
    t = np.arange(0, 2, 1 / 2000)
    middle = slice(1000, 3000)
    for f, low, high in ((10, 0.98, 1.01), (100, 0.66, 0.74), (300, 0.0, 0.05)):
        out = cfc(t, np.sin(2 * np.pi * f * t), 60)[middle]
        assert low < np.sqrt(2 * np.mean(out**2)) < high
    with pytest.raises(CannotMeasure, match="CFC 600"):
        cfc(t[::10], np.zeros(400), 600)


def test_landing_shock_needs_a_rest_after_it():
    rng = np.random.default_rng(2)
    craft = Craft("test", lambda x: 6 * G0, 0.8, 2e-3)
    log = record(fly(craft), Logger(rate=400, height_rate=20, noise=0.1), rng)
    flight = measure(log, True, rng)
    landing = figures(flight)["landing_peak"]
    assert landing.low < log.path.truth["landing_peak"] < landing.high
    assert flight.events["landing"] == pytest.approx(log.path.events["landing"], abs=0.1)
    for rate in (25, 50):  # a shock of 20 ms, a sample or two or none within it
        log = record(fly(craft), Logger(rate=rate, height_rate=20, noise=0.1), rng)
        least = figures(measure(log, True, rng)).get("landing_peak")
        assert least is None or (least.bound and least.low <= log.path.truth["landing_peak"])
        assert least is None or math.isinf(least.high)
    log = record(fly(craft), Logger(rate=400, height_rate=20, noise=0.1), rng)
    cut = log.time < log.path.events["landing"] - 1.0
    short = analyse(clean(log.time[cut], log.acceleration[cut]), ("x",), None)
    assert "landing_peak" not in figures(short)


@pytest.mark.parametrize("number", [0, 4, 7])
def test_intervals_hold_the_truth(number):
    """A small sample of the study; the whole one is `seeworthy selfcheck load`."""
    inside = []
    for k in range(6):
        rng = np.random.default_rng((11, number, k))
        log = draw(CASES[number], rng)
        found = figures(measure(log, bool(k % 2), rng))
        inside += [
            found[name].low <= log.path.truth[name] <= found[name].high
            for name in CASES[number].asked
        ]
    assert np.mean(inside) >= 0.85


@pytest.mark.slow
def test_study_coverage():
    for row in summarise(list(run(4, 3))):
        if row.answered:
            assert row.coverage >= 0.5, (row.group, row.measurand, row.coverage)


def test_heights_in_feet_read_as_metres_are_asked_for():
    log = clean_log(Craft("test", lambda x: 8 * G0, 2.0, 2e-4), rate=0, height_rate=20)
    heights = from_pressure(clean(log.height_time, log.pressure), None, 288.15, 0.0, 0.1)
    from dataclasses import replace

    feet = replace(heights.series, values=heights.series.values / 0.3048)
    with pytest.raises(CannotMeasure, match="are in ft") as caught:
        analyse(None, (), Heights(feet, 0.01, False))
    assert "units=height:ft" in caught.value.hint
    right = analyse(None, (), heights)
    assert not any("may be in" in n for n in right.notes)
