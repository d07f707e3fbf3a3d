"""Results, errors and measurands: what crosses process borders and becomes JSON."""

from __future__ import annotations

import json
import math
import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from seeworthy.ground import errors
from seeworthy.ground.errors import BadQuantity, CannotMeasure, Fault, SeeworthyError, WrongCall
from seeworthy.ground.measurands import Measurand, all_measurands, measurand, register
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Picture, Result, result
from seeworthy.procedures import all_procedures

# --- intervals --------------------------------------------------------------


def test_unit_and_interval_come_from_the_registry_and_the_normal_factor():
    found = result("readout_time", 8.52, 0.06, n=84)
    assert found.unit == "ms"
    assert found.interval == pytest.approx((8.52 - 1.96 * 0.06, 8.52 + 1.96 * 0.06), abs=1e-5)


def test_few_degrees_of_freedom_widen_the_interval():
    # t(2) = 4.3027: JCGM 100:2008, Table G.2
    assert result("mass", 17.2, 1.0, dof=2).interval[1] == pytest.approx(17.2 + 4.3027, abs=1e-4)


def test_a_given_interval_stays():
    assert result("mass", 17.2, 0.1, interval=(16.0, 18.0)).interval == (16.0, 18.0)


def test_a_gap_cannot_be_negative_and_its_interval_ends_at_zero():
    found = result("gap", 1.35, 6.15)
    assert found.interval == (0.0, pytest.approx(1.35 + 1.96 * 6.15, abs=0.01))
    assert result("gap", -0.2, 0.3).value == 0.0
    # A delay has two signs, a fall-off may be a rise.
    for signed in ("av_offset", "rate_error", "corner_shading", "noise_floor"):
        assert result(signed, 1.0, 6.0).interval[0] < 0


def test_an_interval_cut_at_zero_holds_the_truth_as_often():
    """Two-sided: 95 % of 4000 draws about small gaps, within four sigma of that share."""
    rng = np.random.default_rng(3)
    hits = 0
    for truth in rng.uniform(0, 0.2, 4000):
        low, high = result("gap", rng.normal(truth, 0.1), 0.1).interval
        hits += 0 <= low <= truth <= high
    assert 0.936 < hits / 4000 < 0.964


def test_what_cannot_be_negative_says_so():
    """By its unit: nothing but a delay, an offset, a decibel or a slope has two signs."""
    never = {"mm", "g", "cm3", "Mbit/s", "Hz", "px", "cy/px", "lx", "min", "h", "W"}
    for one in all_measurands().values():
        if one.unit in never and one.id != "entrance_offset":
            assert one.least == 0, one.id


@given(st.floats(-1e9, 1e9), st.floats(0, 1e9))
def test_every_interval_holds_its_value(value, u):
    low, high = result("av_offset", value, u).interval
    assert low <= value <= high
    found = result("row_time", value, u)
    assert 0 <= found.interval[0] <= found.value <= found.interval[1]


@pytest.mark.parametrize(
    ("value", "u", "interval", "match"),
    [
        (math.nan, 1, None, "needs numbers"),
        (1, math.nan, None, "needs numbers"),
        (math.inf, 1, (0, math.inf), "needs numbers"),
        (1, math.inf, (0, 2), "needs numbers"),
        (1, -1, (0, 2), "needs numbers"),
        (1, 1, (2, 3), "outside its interval"),
        (1, 1, (math.nan, 3), "needs numbers"),
    ],
)
def test_results_without_numbers_are_refused(value, u, interval, match):
    with pytest.raises(ValueError, match=match):
        result("mass", value, u, interval=interval)


# --- JSON and pickles -------------------------------------------------------


def test_json_is_the_contract():
    found = result(
        "run_time",
        42.0,
        1.0,
        n=3,
        conditions={"temperature": np.float32(5), "n": np.int64(2)},
        evidence=["a.png"],
    )
    assert set(found.to_json()) == {
        "measurand", "value", "unit", "u", "dof", "interval", "coverage", "n", "conditions",
        "evidence", "budget",
    }  # fmt: skip
    again = json.loads(json.dumps(found.to_json(), allow_nan=False))
    assert again["conditions"] == {"temperature": 5.0, "n": 2}
    assert again["coverage"] == 0.95
    assert again["evidence"] == ["a.png"]


def test_an_open_end_is_null_in_json():
    found = result("run_time", 42, 1, interval=(40, math.inf))
    assert json.loads(json.dumps(found.to_json(), allow_nan=False))["interval"] == [40, None]


def test_numpy_numbers_become_plain_ones():
    found = result("mass", np.float32(16.5), np.float64(0.1), n=np.int64(4), dof=np.float64(3))
    assert [type(v) for v in (found.value, found.u, found.n, *found.interval)] == [
        float, float, int, float, float,
    ]  # fmt: skip
    assert json.dumps(found.to_json())


def test_outcomes_survive_a_pickle():
    figure = Figure(
        "f", "t", "s", {"x": [1], "y": [2]}, Axis("x", "x"), Axis("y", "y"), (Mark("line", y="y"),)
    )
    outcome = Outcome(
        (result("mass", 17.2, 0.1),), {"a": [1]}, ("w",), (Picture("p.png", "c", b"1"),), (figure,)
    )
    assert pickle.loads(pickle.dumps(outcome)) == outcome


def _errors():
    return [
        e for e in vars(errors).values() if isinstance(e, type) and issubclass(e, SeeworthyError)
    ]


@pytest.mark.parametrize("kind", _errors(), ids=lambda e: e.__name__)
def test_errors_keep_both_texts_across_processes(kind):
    again = pickle.loads(pickle.dumps(kind("what is wrong", "what to do")))
    assert type(again) is kind
    assert (again.message, again.hint, str(again)) == (
        "what is wrong",
        "what to do",
        "what is wrong",
    )
    assert again.to_json() == {
        "error": {"kind": kind.kind, "message": "what is wrong", "hint": "what to do"}
    }


def test_a_refusal_keeps_its_pictures():
    picture = Picture("edges.png", "what was found", b"\x89PNG")
    again = pickle.loads(pickle.dumps(CannotMeasure("no uprights", "film some", (picture,))))
    assert again.pictures == (picture,)


def test_exit_codes_follow_the_contract():
    special = {CannotMeasure: 3, Fault: 1}
    for kind in _errors():
        assert kind.exit_code == special.get(kind, 2), kind
    kinds = [e.kind for e in _errors()]
    assert len(kinds) == len(set(kinds))


def test_a_bad_quantity_is_a_wrong_call():
    assert issubclass(BadQuantity, WrongCall)


# --- measurands -------------------------------------------------------------


def test_a_near_miss_is_suggested():
    with pytest.raises(WrongCall, match="no measurand 'readout_tme'") as caught:
        measurand("readout_tme")
    assert "readout_time" in caught.value.hint


def test_registering_twice_is_fine_and_differently_is_not():
    entry = measurand("mass")
    assert register(entry) is entry
    with pytest.raises(WrongCall, match="registered already by 'body'"):
        register(Measurand("mass", "mass", "kg", "mine", "less", "another"))
    assert measurand("mass") == entry


def test_every_entry_is_whole():
    for name, entry in all_measurands().items():
        assert name == entry.id
        assert entry.title
        assert entry.meaning.endswith(".")
        assert (entry.ideal is not None) == (entry.better == "nearer")


def test_grams_and_multiples_of_gravity_are_told_apart():
    assert measurand("mass").pint_unit == "g"
    assert measurand("felt_peak").pint_unit == "standard_gravity"


def test_every_yield_is_registered():
    for procedure in all_procedures().values():
        for name in procedure.measurand_ids:
            measurand(name)


def test_a_result_of_no_measurand_is_refused():
    with pytest.raises(WrongCall, match="no measurand"):
        result("beauty", 1, 1)


def test_results_are_frozen():
    found: Result = result("mass", 17.2, 0.1)
    with pytest.raises(AttributeError):
        found.value = 3.0
