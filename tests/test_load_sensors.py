"""Faults of sensors that pulled figures: delays, ports, points between samples, turned axes.

Truths are closed forms or flights of `seeworthy.virtual`; the faults were found with a simulator
that is no part of the project.
"""

from __future__ import annotations

import numpy as np
import pytest

from seeworthy.errors import CannotMeasure
from seeworthy.media.headers import meaning_of
from seeworthy.procedures.load.air import from_heights, from_pressure
from seeworthy.procedures.load.measure import analyse
from seeworthy.procedures.load.peak import find_peak
from seeworthy.procedures.load.pulse import fit_pulse
from seeworthy.procedures.load.push import Boost, Felt, later_stages
from seeworthy.procedures.load.saturation import find_stop
from seeworthy.procedures.load.series import clean
from seeworthy.procedures.study import measured
from seeworthy.virtual.flight_dynamics import GRAVITY, fly
from seeworthy.virtual.flight_logs import Logger, record, water_rocket


def test_a_barometer_a_quarter_second_late_does_not_pull_the_speed():
    """Behind such a filter the height of a short push never dips below the pad."""
    misses = []
    for seed in range(2):
        rng = np.random.default_rng(seed)
        logger = Logger(rate=200, height_rate=50, lag=0.25, noise=0.2, pressure_noise=2)
        log = record(fly(water_rocket(rng)), logger, rng)
        heights = from_pressure(clean(log.height_time, log.pressure), None, 288.15, None, 0.5)
        flight = analyse(clean(log.time, log.acceleration), ("z",), heights)
        found = next(f for f in flight.figures if f.measurand == "max_speed")
        assert found.low <= log.path.truth["max_speed"] <= found.high
        misses.append(found.value / log.path.truth["max_speed"] - 1)
        assert flight.facts["barometer_delay_s"] == pytest.approx(0.25, abs=0.08)
    assert abs(np.mean(misses)) < 0.02


@pytest.mark.parametrize("high", [0.0, 1500.0])
def test_a_thermometer_without_the_pads_height_leaves_that_open(high):
    """An altimeter at 1500 m takes 278.4 K for standard (ISO 2533), at the sea 288.15 K."""
    pad = 288.15 - 0.0065 * high
    air = pad + 8.0
    true = np.concatenate([np.zeros(20), np.linspace(0, 400, 60), np.linspace(400, 0, 60)])
    shown = true * (pad + 0.5 * -0.0065 * true) / (air + 0.5 * -0.0065 * true)
    t = 0.2 * np.arange(true.size)
    found = from_heights(clean(t, shown), None, air, None, 0.3)
    top = float(found.series.values.max())
    assert abs(top / 400 - 1) < 2 * found.u_air
    assert found.u_air < 0.02
    assert not found.pad_known
    known = from_heights(clean(t, shown), None, air, high, 0.3)
    assert known.u_air < 0.007
    assert known.series.values.max() == pytest.approx(400, rel=0.006)


def test_a_point_between_samples_is_in_the_peaks_interval_and_a_bow_is_not_raised():
    """Mean over each sample's own time of a push that grows as 1/m until the water is out."""
    fine = np.arange(0.0, 0.4, 1e-5)
    push = np.where(fine < 0.2, 150 / (1 - 3.4 * fine), 300 * np.exp(-(fine - 0.2) / 0.01))
    total = np.r_[0, np.cumsum(push) * 1e-5]
    for shift in np.linspace(0, 0.005, 6):
        edges = np.arange(shift, 0.3, 0.005)
        y = np.diff(np.interp(edges, np.r_[0, fine + 1e-5], total)) / 0.005
        found = find_peak(edges[1:], y, 0.5, slice(0, 45))
        assert abs(found.value - push.max()) < 2.2 * found.u
    t = np.arange(-0.15, 0.15, 0.01)
    round_top = find_peak(t, 100 - 3000 * (t - 0.003) ** 2, 0.05, slice(0, t.size))
    assert round_top.value == pytest.approx(100, abs=0.6)


def test_one_axis_that_lies_otherwise_after_the_flight_is_no_second_stage():
    t = np.arange(0, 20, 0.01)
    along = np.where((t > 3) & (t < 3.5), 60.0, 0.0)
    along[(t > 8) & (t < 12)] = 6.0
    felt = Felt(
        t, along, along, 0.1, 1.5, 250, "included", "", "+z", 0.15, 0.05, 0.02, 0.01, 1
    )  # fmt: skip
    boost = Boost(3.0, 3.5, 0.01, 0.01, 301, 349, 30.0)
    assert later_stages(felt, boost, None, np.inf) == []
    fired = np.where((t > 8) & (t < 9), 40.0, along)
    again = Felt(
        t, fired, fired, 0.1, 1.5, 250, "included", "", "+z", 0.15, 0.05, 0.02, 0.01, 1
    )  # fmt: skip
    assert len(later_stages(again, boost, None, np.inf)) == 1


def test_a_level_push_with_the_sensors_own_noise_is_no_stop():
    rng = np.random.default_rng(5)
    y = np.where((np.arange(600) > 200) & (np.arange(600) < 260), 72.0, 9.8)[:, None]
    noisy = np.round((y + 0.05 * rng.standard_normal(y.shape)) / 0.01) * 0.01
    assert find_stop(noisy, 0.01) is None
    stopped = np.minimum(noisy, 72.0)
    stopped[230:250] = 72.0
    assert find_stop(stopped, 0.01) is not None


def test_a_push_that_swells_and_fades_keeps_its_length_by_height_alone():
    """Half a sine: v = 2·a·L/π, h by integration, then a coast of constant deceleration."""
    t = np.arange(-2, 4, 0.05)
    length, most = 1.6, 90.0
    v = most * length / np.pi * (1 - np.cos(np.pi * np.clip(t, 0, length) / length))
    v -= np.where(t > length, 14.0 * (t - length), 0.0)
    h = np.r_[0, np.cumsum((v[1:] + v[:-1]) / 2 * 0.05)]
    h += 0.3 * np.random.default_rng(2).standard_normal(t.size)
    found = fit_pulse(t, h, np.full(t.size, 0.3), (0.1, 1.4, 85.0))
    assert found.length_span[0] < length < found.length_span[1]
    assert found.speed == pytest.approx(2 * most * length / np.pi, rel=0.05)


@pytest.mark.parametrize(
    ("header", "unit"), [("Feet AGL", "ft"), ("ft altitude", "ft"), ("baro hPa raw", "hPa")]
)
def test_a_unit_stands_anywhere_in_a_header(header, unit):
    assert meaning_of(header).unit == unit


def test_counts_of_a_converter_are_named_and_lines_of_json_are_read(tmp_path):
    t = np.arange(0, 12, 0.05)
    g = np.where((t > 3) & (t < 4), 6.0, 1.0)
    counts = tmp_path / "counts.csv"
    rows = [f"{1000 * x:.0f},3,-5,{2048 * y:.0f}" for x, y in zip(t, g, strict=True)]
    counts.write_text("millis,ax,ay,az\n" + "\n".join(rows) + "\n")
    with pytest.raises(CannotMeasure, match="2048 of them for 1 g"):
        measured("load", [counts])
    h = np.where(t < 3, 0, np.clip(60 * (t - 3) - GRAVITY / 2 * (t - 3) ** 2, 0, None))
    lines = tmp_path / "lines.txt"
    lines.write_text("".join(f'{{"t":{x:.2f},"alt":{y:.1f}}}\n' for x, y in zip(t, h, strict=True)))
    found = {r.measurand: r.value for r in measured("load", [lines]).results}
    assert found["apogee"] == pytest.approx(h.max(), rel=0.02)
