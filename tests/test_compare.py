"""Comparison like with like: combining takes, conditions, refusals, trends, spread of units."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Result, result
from seeworthy.judge.compare.comparison import combine, compare_results
from seeworthy.judge.compare.history import spread_of_units, trend, values_by_unit
from seeworthy.judge.compare.like import sort_alike


@dataclass
class Stored:
    camera: str
    result: Result
    unit: str = "1"
    firmware: str = ""
    taken: dt.date = dt.date(2026, 5, 1)
    take_id: int = 1


def made(camera, name, value, u, unit="1", day=0, firmware="", **conditions):
    return Stored(
        camera,
        result(name, value, u, conditions=conditions),
        unit,
        firmware,
        dt.date(2026, 5, 1) + dt.timedelta(days=day),
    )


# Conditions.


def sets(*results):
    return [members for _, members in sort_alike(r.result for r in results)]


def test_light_is_alike_within_a_third_of_a_stop():
    a = made("a", "snr_18", 30, 1, light=100.0)
    b = made("b", "snr_18", 30, 1, light=120.0)
    c = made("c", "snr_18", 30, 1, light=200.0)
    assert sets(a, b, c) == [[0, 1], [2]]


def test_temperature_is_alike_within_three_kelvin():
    a = made("a", "run_time", 60, 1, temperature=21.0)
    b = made("b", "run_time", 60, 1, temperature=23.5)
    c = made("c", "run_time", 40, 1, temperature=3.0)
    assert sets(a, b, c) == [[0, 1], [2]]


def test_position_and_direction_are_never_mixed():
    a = made("a", "mtf50_centre", 0.3, 0.01, orientation="horizontal")
    b = made("b", "mtf50_centre", 0.3, 0.01, orientation="vertical")
    assert sets(a, b) == [[0], [1]]


def test_the_room_does_not_matter_to_an_angle():
    a = made("a", "hfov", 50, 1, temperature=5.0, light=100.0)
    b = made("b", "hfov", 52, 1, temperature=30.0, light=9000.0)
    assert sets(a, b) == [[0, 1]]


def test_the_method_is_not_a_condition():
    a = made("a", "readout_time", 10, 1, method="lamp")
    b = made("b", "readout_time", 10, 1, method="passing")
    assert sets(a, b) == [[0, 1]]


# Combining takes.


def test_takes_that_agree_are_averaged_by_weight():
    found = combine("a", [result("mass", 10.0, 1.0), result("mass", 10.6, 1.0)])
    assert found.value == pytest.approx(10.3)
    assert found.u == pytest.approx(1 / math.sqrt(2))


def test_takes_that_disagree_make_the_value_less_certain():
    found = combine("a", [result("mass", 10.0, 0.1), result("mass", 12.0, 0.1)])
    assert found.u == pytest.approx(1.0)  # half the difference: scatter of a mean of two
    assert found.dof == 1


# Rows, best, groups.


def test_best_is_shared_by_all_that_cannot_be_told_apart_from_it():
    found = compare_results(
        [
            made("Dunlin", "readout_time", 10.0, 0.5),
            made("Turnstone", "readout_time", 10.4, 0.5),
            made("Whimbrel", "readout_time", 20.0, 0.5),
        ]
    )
    (row,) = found.rows
    assert set(row.best) == {"Dunlin", "Turnstone"}
    assert ("Dunlin", "Turnstone") in row.groups
    assert [v.subject for v in row.values] == ["Dunlin", "Turnstone", "Whimbrel"]


def test_more_is_better_and_nearer_is_better():
    more = compare_results([made("a", "run_time", 60, 1), made("b", "run_time", 90, 1)])
    assert more.rows[0].best == ("b",)
    near = compare_results(
        [made("a", "pixel_aspect", 0.9, 0.001), made("b", "pixel_aspect", 1.02, 0.001)]
    )
    assert near.rows[0].best == ("b",)
    none = compare_results([made("a", "duration", 1, 0.1), made("b", "duration", 9, 0.1)])
    assert none.rows[0].best == ()


def test_mixed_conditions_are_shown_apart_with_the_reason():
    found = compare_results(
        [
            made("a", "run_time", 60, 1, temperature=21.0),
            made("b", "run_time", 40, 1, temperature=-5.0),
            made("a", "mass", 20, 0.1),
            made("b", "mass", 30, 0.1),
        ]
    )
    assert [r.measurand.id for r in found.rows] == ["mass"]
    (note,) = found.apart
    assert "running time" in note
    assert "temperature" in note


def test_units_and_firmware_are_subjects_of_their_own():
    origins = [
        made("a", "frame_rate", 30.0, 0.01, unit="1", firmware="1.0"),
        made("a", "frame_rate", 29.9, 0.01, unit="1", firmware="1.1", day=9),
        made("a", "frame_rate", 30.0, 0.01, unit="2", firmware="1.0"),
    ]
    assert compare_results(origins, "camera").rows == ()
    assert len(compare_results(origins, "unit").subjects) == 2
    row = compare_results(origins, "firmware").rows[0]
    told = {frozenset((p.first, p.second)): p.apart for p in row.pairs}
    assert told[frozenset(("a 1, firmware 1.0", "a 1, firmware 1.1"))]
    assert not told[frozenset(("a 1, firmware 1.0", "a 2, firmware 1.0"))]


def test_a_hundred_cameras_compare_within_reason_and_keep_their_order():
    rng = np.random.default_rng(4)
    origins = [
        made(f"c{i}", name, float(rng.normal(10 + i / 10, 0.1)), 0.1)
        for i in range(100)
        for name in ("mass", "hfov")
    ]
    found = compare_results(origins)
    assert len(found.rows) == 2
    values = [v.value for v in found.rows[0].values]
    assert values == sorted(values)
    assert len(found.rows[0].pairs) == 100 * 99 // 2


# History.


def test_trend_of_a_unit_over_a_year_agrees_with_scipy():
    from scipy import stats

    days = [0, 100, 200, 300, 365]
    y = [60.2, 58.9, 58.1, 57.2, 56.0]
    found = trend([made("a", "run_time", v, 0.01, day=d) for d, v in zip(days, y, strict=True)])
    line = stats.linregress(np.array(days) / 365.25, y)
    assert found.slope == pytest.approx(line.slope)
    assert found.u == pytest.approx(line.stderr)
    assert found.changes


def test_no_trend_is_not_invented():
    y = [60.0, 60.3, 59.8, 60.1]
    found = trend([made("a", "run_time", v, 0.5, day=90 * i) for i, v in enumerate(y)])
    assert not found.changes


def test_a_trend_needs_three_days():
    with pytest.raises(CannotMeasure, match="three takes"):
        trend([made("a", "mass", 1, 0.1), made("a", "mass", 1, 0.1, day=1)])


def test_spread_of_units_finds_the_injected_one():
    rng = np.random.default_rng(9)
    found = []
    for _ in range(300):
        truth = rng.normal(20, 2.0, 12)
        values = values_by_unit(
            [
                made("a", "readout_time", float(rng.normal(t, 0.5)), 0.5, unit=str(i))
                for i, t in enumerate(truth)
            ]
        )
        found.append(spread_of_units(values).between)
    assert np.median(found) == pytest.approx(2.0, rel=0.1)


def test_equal_units_show_no_spread_beyond_the_measurement():
    rng = np.random.default_rng(10)
    p = []
    for _ in range(300):
        values = values_by_unit(
            [made("a", "mass", float(rng.normal(20, 0.5)), 0.5, unit=str(i)) for i in range(6)]
        )
        p.append(spread_of_units(values).p)
    assert np.mean(np.array(p) < 0.05) == pytest.approx(0.05, abs=0.04)
