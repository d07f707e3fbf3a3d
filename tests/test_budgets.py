"""Every result says what its uncertainty is made of (JCGM 100:2008, 7.2.1 and Annex H)."""

from __future__ import annotations

import math

import pytest

from seeworthy.procedures.battery.measure import BatteryRun, levels
from seeworthy.procedures.endurance.measure import Rate, endurance
from seeworthy.procedures.study import measured

BY_HAND = {
    "battery": {
        "run": ["31.2 min @ 21 degC", "29.8 min @ 21 degC", "25 min @ 2 degC", "24.1 min @ 2 degC"],
        "at": ["10 degC ± 1 degC"],
        "capacity": ["500 mAh"],
        "voltage": ["3.7 V ± 0.05 V"],
    },
    "endurance": {"card": ["16 GB"], "bit_rate": ["9 Mbit/s"], "run_time": ["41 min ± 2 min"]},
    "view": {
        "distance": ["1.2 m ± 2 mm"], "width": ["1.5 m ± 3 mm"],
        "distance2": ["2.4 m ± 2 mm"], "width2": ["3 m ± 3 mm"],
    },
    "readout": {
        "speed": ["12 m/s ± 0.3 m/s"], "distance": ["9 m ± 0.1 m"], "hfov": ["64 deg ± 1 deg"],
        "lean": ["3.1 deg ± 0.2 deg"],
    },
    "load": {"boost_height": ["14 m ± 1 m"], "boost_duration": ["0.4 s ± 0.02 s"]},
}  # fmt: skip


@pytest.mark.parametrize("name", BY_HAND)
def test_every_result_by_hand_has_a_budget(name):
    outcome = measured(name, readings=BY_HAND[name])
    assert outcome.results
    for found in outcome.results:
        assert found.budget, found.measurand
        parts = math.sqrt(sum((c.sensitivity * c.u) ** 2 for c in found.budget))
        assert parts == pytest.approx(found.u, rel=1e-6)
        assert all(c.source for c in found.budget)


def parts_of(outcome, measurand):
    found = next(r for r in outcome.results if r.measurand == measurand)
    return {c.name: c.part / found.value for c in found.budget}


def test_power_by_arithmetic():
    # P = C V / t: relative parts are those of the inputs (JCGM 100, 5.1.6).
    parts = parts_of(measured("battery", readings=BY_HAND["battery"]), "mean_power")
    assert parts["voltage"] == pytest.approx(0.05 / 3.7, rel=1e-3)
    assert parts["capacity"] == pytest.approx(0.05, rel=1e-3)  # what a label leaves open


def test_a_lean_by_hand_by_arithmetic():
    # t = tan(lean) d / (f v), f = w / 2 tan(hfov / 2): relative parts by differentiation.
    parts = parts_of(measured("readout", readings=BY_HAND["readout"]), "readout_time")
    assert parts["distance"] == pytest.approx(0.1 / 9, rel=1e-3)
    assert parts["speed"] == pytest.approx(0.3 / 12, rel=2e-3)
    view = math.radians(64)
    assert parts["hfov"] == pytest.approx(math.radians(1) / math.sin(view), rel=1e-3)


def test_runs_whose_scatter_is_known():
    # Three runs: scatter over root three; the watch is the other part.
    level = levels([BatteryRun(m, 0.5, 20.0) for m in (30.0, 31.0, 32.0)])[0]
    assert [c.u for c in level.budget] == pytest.approx([1 / math.sqrt(3), 0.5])


def test_a_card_that_fills_first():
    # T = size · share / rate: 2 % of rate and a share of 0.97 to 1 (rectangular, 0.88 %).
    found = endurance(card=(8.0, 0.0), rate=Rate(8.0, 0.16, math.inf))
    parts = {c.name: c.part / found.hours for c in found.budget}
    assert parts["bit rate"] == pytest.approx(0.02, rel=0.03)
    assert parts["share of it that takes recordings"] == pytest.approx(
        0.03 / math.sqrt(12) / 0.985, rel=0.03
    )
    assert parts["which limit comes first, and curvature"] < 0.002


def test_two_limits_that_are_near_each_other():
    # Of two equal limits either comes first: the mean of the smaller of two normals of deviation s
    # has s·sqrt(1 − 1/π) (order statistics of two); no straight line has all of it.
    found = endurance(battery=(2.0, 0.1), card=(8.0, 0.0), rate=Rate(8.0 * 1.094, 0.44, math.inf))
    parts = {c.name: c.part for c in found.budget}
    assert parts["running time of the battery"] > 0.03
    assert parts["which limit comes first, and curvature"] > 0.02
