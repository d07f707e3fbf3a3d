"""Comparison like with like: combining takes, conditions, refusals, trends, spread of units."""

from __future__ import annotations

import datetime as dt
import itertools
import math
from dataclasses import dataclass

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Result, result
from seeworthy.judge.compare.combine import combine, speaking
from seeworthy.judge.compare.comparison import compare_results
from seeworthy.judge.compare.differences import differences
from seeworthy.judge.compare.history import _corrected, spread_of_units, trend, values_by_unit
from seeworthy.judge.compare.like import sort_alike

NUMBERS = itertools.count(1)


@dataclass
class Stored:
    camera: str
    result: Result
    unit: str = "1"
    firmware: str = ""
    taken: dt.date = dt.date(2026, 5, 1)
    take_id: int = 0
    procedure: str = "body"
    files: tuple[str, ...] = ()

    def __post_init__(self):
        self.take_id = self.take_id or next(NUMBERS)


def made(
    camera, name, value, u, unit="1", day=0, firmware="", procedure="body", files=(), **conditions
):
    return Stored(
        camera,
        result(name, value, u, conditions=conditions),
        unit,
        firmware,
        dt.date(2026, 5, 1) + dt.timedelta(days=day),
        procedure=procedure,
        files=files,
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


def test_sharpness_in_the_cold_is_another_figure():
    warm = made("a", "mtf50_centre", 0.32, 0.01, temperature=21.0)
    cold = made("b", "mtf50_centre", 0.20, 0.01, temperature=-15.0)
    unsaid = made("c", "mtf50_centre", 0.30, 0.01)  # taken for room temperature
    assert sets(warm, cold, unsaid) == [[0, 2], [1]]


def test_a_step_of_another_size_is_another_figure():
    small = made("a", "adaptation_time", 0.5, 0.1, step="dark to bright", stops="2")
    large = made("b", "adaptation_time", 1.5, 0.1, step="dark to bright", stops="6")
    assert sets(small, large) == [[0], [1]]


# Which takes speak.


def spoken(*origins, **how):
    found, notes = speaking(origins, **how)
    return [origins.index(o) for o in found], notes


def test_a_file_that_is_entered_again_counts_once_and_it_is_said():
    takes = [made("Dunlin", "readout_time", 10, 0.1, procedure="readout", files=("aa",))
             for _ in range(4)]  # fmt: skip
    kept, notes = spoken(*takes)
    assert kept == [3]  # what was entered last
    assert len(notes) == 3
    assert all("same file" in note and "counts once" in note for note in notes)
    other = made("Dunlin", "readout_time", 10, 0.1, procedure="readout", files=("bb",))
    assert spoken(*takes, other)[0] == [3, 4]
    elsewhere = made("Dunlin", "readout_time", 10, 0.1, unit="2", procedure="readout",
                     files=("cc",))  # fmt: skip
    assert spoken(takes[0], elsewhere)[0] == [0, 1]


def test_the_procedure_of_a_measurand_goes_before_another_that_saw_the_same_file():
    timing = made("Dunlin", "frame_rate", 29.97, 0.001, procedure="timing", files=("aa",))
    dim = made("Dunlin", "frame_rate", 29.9, 0.001, procedure="low-light", files=("aa", "bb"))
    assert spoken(timing, dim)[0] == [0]


def test_readings_typed_again_are_new_readings():
    takes = [made("Dunlin", "mass", 16.6, 0.1) for _ in range(3)]
    assert spoken(*takes) == ([0, 1, 2], [])


def test_of_one_take_the_first_method_speaks():
    first = made("Dunlin", "readout_time", 10, 0.1, method="passing")
    second = made("Dunlin", "readout_time", 10.4, 0.1, method="hand")
    second.take_id = first.take_id
    assert spoken(first, second)[0] == [0]


def test_the_newest_firmware_answers_and_it_is_said():
    old = [made("Knot", "run_time", v, 0.5, firmware="1.0", procedure="battery") for v in (30, 31)]
    new = made("Knot", "run_time", 60, 0.5, firmware="2.0", day=9, procedure="battery")
    rival = made("Dunlin", "run_time", 50, 0.5, procedure="battery")
    found = compare_results([*old, new, rival])
    assert {v.subject: v.value for v in found.rows[0].values} == {"Knot": 60, "Dunlin": 50}
    assert found.rows[0].pairs[0].apart
    assert any("firmware 2.0 answers" in note and "1.0" in note for note in found.apart)
    assert spoken(*old, new, firmware_apart=True)[0] == [0, 1, 2]


def test_a_predicted_value_is_never_averaged_with_a_measured_one():
    run = made("a", "run_time", 60, 1, temperature=21.0)
    said = made("b", "run_time", 55, 1, temperature=21.0, basis="predicted")
    assert sets(run, said) == [[0], [1]]


def test_figures_of_a_take_are_not_compared_and_it_is_said():
    found = compare_results(
        [made("a", "duration", 1, 0.1), made("b", "duration", 9, 0.1), made("a", "mass", 1, 0.1),
         made("b", "mass", 2, 0.1)]
    )  # fmt: skip
    assert [r.measurand.id for r in found.rows] == ["mass"]
    assert any("duration" in note for note in found.apart)


# Combining takes.


def test_two_takes_a_side_keep_the_power_of_what_was_stated():
    # The figures of the issue: 0.4 apart, u = 0.1, two takes a side. One degree of freedom
    # found it in 55 to 61 %; a z test would in 98 %. Honest takes: at most 5 % by chance.
    rng = np.random.default_rng(11)

    def found(apart):
        a, b = rng.normal(0, 0.1, 2), rng.normal(apart, 0.1, 2)
        pair = [combine(n, [result("mass", float(v), 0.1) for v in x])
                for n, x in (("a", a), ("b", b))]  # fmt: skip
        return differences(pair)[0].p < 0.05

    assert np.mean([found(0.4) for _ in range(1500)]) > 0.77
    assert np.mean([found(0.0) for _ in range(1500)]) < 0.05


def test_bounds_are_not_averaged():
    at_least = [result("run_time", v, 0.5, interval=(v, math.inf)) for v in (40.0, 55.0)]
    assert combine("a", at_least).interval == (55.0, math.inf)
    at_most = [result("exposure_time", v, v / 3.46, interval=(0.0, v)) for v in (4.0, 2.0)]
    assert combine("a", at_most).interval == (0.0, 2.0)
    assert combine("a", [*at_least, result("run_time", 60.0, 1.0)]).value == 60.0


@pytest.mark.parametrize(
    ("knot", "ruff", "apart"),
    [
        ((-5.0, "upper"), (-38.0, "upper"), False),  # either may be as quiet as can be
        ((-40.0, "upper"), (-60.0, ""), False),
        ((-60.0, "upper"), (-40.0, ""), True),
        ((-60.0, ""), (-40.0, ""), True),
        ((-60.0, "upper"), (-40.0, "lower"), True),
    ],
)
def test_a_bound_tells_apart_on_its_closed_side_only(knot, ruff, apart):
    # Derived: x <= -38 and y <= -5 allow x < y, x = y and x > y.
    def one(camera, value, bound):
        ends = {"upper": (-math.inf, value), "lower": (value, math.inf)}.get(bound)
        where = {"bound": bound} if bound else {}
        return Stored(camera, result("noise_floor", value, 0.5, interval=ends, conditions=where))

    (row,) = compare_results([one("Knot", *knot), one("Ruff", *ruff)]).rows
    assert row.pairs[0].apart is apart
    assert len(row.best) == (1 if apart else 2)
    if not apart:
        assert math.inf in [abs(e) for e in row.pairs[0].interval]


def test_holm_counts_everything_that_is_shown():
    # One difference of p = 0.03 alone is told apart, among ten others that differ by nothing not.
    u, away = 1.0, 2.17 * math.sqrt(2)
    one = [made("a", "mass", 0, u), made("b", "mass", away, u)]
    rest = [made(c, name, 5, u) for c in "ab" for name in (
        "length", "width", "height", "volume", "hfov", "vfov", "dfov", "tv_distortion",
        "run_time", "row_time")]  # fmt: skip
    assert compare_results(one).rows[0].pairs[0].apart
    shown = {r.measurand.id: r for r in compare_results([*one, *rest]).rows}
    assert shown["mass"].pairs[0].p == pytest.approx(0.03, abs=0.001)
    assert shown["mass"].pairs[0].p_corrected == pytest.approx(0.33, abs=0.01)
    assert not shown["mass"].pairs[0].apart


def test_takes_that_agree_are_averaged_by_weight():
    found = combine("a", [result("mass", 10.0, 1.0), result("mass", 10.6, 1.0)])
    assert found.value == pytest.approx(10.3)
    assert found.u == pytest.approx(1 / math.sqrt(2))


def test_takes_that_disagree_make_the_value_less_certain():
    found = combine("a", [result("mass", 10.0, 0.1), result("mass", 12.0, 0.1)])
    assert found.u == pytest.approx(1.0)  # half the difference: scatter of a mean of two
    assert found.dof == pytest.approx(1, abs=0.02)  # next to it what was stated is nothing


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
    none = compare_results([made("a", "hfov", 1, 0.1), made("b", "hfov", 9, 0.1)])
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


# Student's t of the slope of four points, by SciPy; counts have no stated uncertainty.
def test_a_trend_of_counts_rests_on_their_scatter():
    from scipy import stats

    y = [4.0, 7.0, 5.0, 9.0]
    found = trend([made("a", "native_width", v, 0.0, day=90 * i) for i, v in enumerate(y)])
    line = stats.linregress(np.arange(4) * 90 / 365.25, y)
    assert (found.slope, found.u, found.p) == pytest.approx((line.slope, line.stderr, line.pvalue))
    same = trend([made("a", "native_width", 3.0, 0.0, day=90 * i) for i in range(4)])
    assert not same.changes
    units = [made("a", "native_width", v, 0.0, unit=str(v)) for v in (1280.0, 1920.0)]
    assert spread_of_units(values_by_unit(units)).differ


def test_what_is_shown_together_is_one_family_of_tests():
    """Holm (1979): of forty units that do not change, hardly one in twenty benches shows any."""
    rng = np.random.default_rng(4)
    alone = benches = 0
    for _ in range(200):
        lines = [
            ("u", "mass", "", trend([
                made("a", "mass", float(rng.normal(17, 0.1)), 0.1, day=90 * i) for i in range(5)
            ]))
            for _ in range(40)
        ]  # fmt: skip
        alone += any(t.changes for *_, t in lines)
        benches += any(t.changes for *_, t in _corrected(lines, []).trends)
    assert alone > 100  # alone, most benches show a change that is none
    assert benches < 20  # 5 % of 200 is 10


def test_a_change_is_found_among_many():
    rng = np.random.default_rng(5)

    def line(slope):
        y = [17 + slope * i + float(rng.normal(0, 0.1)) for i in range(5)]
        return (
            "u",
            "mass",
            "",
            trend([made("a", "mass", v, 0.1, day=90 * i) for i, v in enumerate(y)]),
        )

    found = _corrected([line(0.0) for _ in range(39)] + [line(0.5)], []).trends
    assert [t.changes for *_, t in found] == [False] * 39 + [True]
    assert found[-1][3].p_corrected > found[-1][3].p


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
