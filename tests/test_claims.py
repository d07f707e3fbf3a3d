"""Claims against measured intervals."""

from __future__ import annotations

import json
import math

import pytest

from seeworthy.ground.errors import BadQuantity, WrongCall
from seeworthy.ground.measurands import measurand
from seeworthy.ground.results import Result, result
from seeworthy.judge.claims.decide import STATES, Claim, Tolerance, decide, judge, judge_all


def angle(value: float, u: float, **conditions: object) -> Result:
    return result("hfov", value, u, conditions=conditions)


# Truth by arithmetic: claim 100 deg, tolerance 5 %, so the band is 95 to 105.
@pytest.mark.parametrize(
    ("interval", "state"),
    [
        ((96.0, 104.0), "confirmed"),
        ((95.0, 105.0), "confirmed"),
        ((94.9, 104.0), "cannot tell"),
        ((96.0, 105.1), "cannot tell"),
        ((80.0, 120.0), "cannot tell"),
        ((80.0, 94.9), "overstated"),
        ((105.1, 130.0), "understated"),
    ],
)
def test_decided_with_the_interval(interval, state):
    assert decide(interval, (95.0, 105.0), measurand("hfov")) == state


def test_the_bare_value_does_not_decide():
    # The value is the claim itself, yet the interval spans far more than the tolerance.
    wide = judge(Claim("hfov", 100.0), [angle(100.0, 20.0)])
    assert wide.state == "cannot tell"
    # The value is outside the band, but not by more than the measurement knows.
    near = judge(Claim("hfov", 100.0), [angle(94.0, 2.0)])
    assert near.state == "cannot tell"
    assert judge(Claim("hfov", 100.0), [angle(94.0, 0.2)]).state == "overstated"


@pytest.mark.parametrize(
    ("name", "interval", "state"),
    [
        ("run_time", (97.0, 120.0), "confirmed"),  # at least as long: the promise is kept
        ("run_time", (90.0, 100.0), "cannot tell"),
        ("mass", (80.0, 103.0), "confirmed"),  # at most as heavy
        ("mass", (97.0, 120.0), "cannot tell"),
        ("run_time", (106.0, math.inf), "understated"),  # a run stopped by hand: a bound
    ],
)
def test_an_edge_that_nobody_minds(name, interval, state):
    assert decide(interval, (95.0, 105.0), measurand(name)) == state


@pytest.mark.parametrize(
    ("name", "measured", "state", "favour"),
    [
        ("run_time", 50.0, "overstated", "worse than claimed"),
        ("run_time", 150.0, "understated", "better than claimed"),
        ("mass", 150.0, "understated", "worse than claimed"),
        ("mass", 50.0, "overstated", "better than claimed"),
        ("hfov", 50.0, "overstated", "off"),
        ("hfov", 100.0, "confirmed", "as claimed"),
    ],
)
def test_favour_follows_the_direction_of_the_measurand(name, measured, state, favour):
    told = judge(Claim(name, 100.0), [result(name, measured, 0.1)])
    assert (told.state, told.favour) == (state, favour)


def test_tolerance_is_set_per_report_and_per_claim():
    found = [angle(92.0, 0.1)]
    assert judge(Claim("hfov", 100.0), found).state == "overstated"
    assert judge(Claim("hfov", 100.0), found, Tolerance(0.10)).state == "confirmed"
    own = Claim("hfov", 100.0, tolerance=Tolerance.parse("10 deg"))
    told = judge(own, found, Tolerance(0.01))
    assert told.state == "confirmed"
    assert told.band == pytest.approx((90.0, 110.0))


def test_absolute_tolerance_is_converted():
    # 1 oz is 28.349523125 g by definition (international avoirdupois, 1959).
    half = Tolerance.parse("1 oz").half_width(100.0, measurand("mass"))
    assert half == pytest.approx(28.349523125, rel=1e-9)


@pytest.mark.parametrize("text", ["-5 %", "-2 deg", "much"])
def test_bad_tolerance(text):
    with pytest.raises(BadQuantity):
        Tolerance.parse(text)


def test_tolerance_of_another_dimension():
    with pytest.raises(BadQuantity, match="does not fit"):
        judge(Claim("hfov", 100.0), [angle(100, 1)], Tolerance.parse("3 kg"))


def test_the_most_certain_result_decides_and_dissent_is_named():
    told = judge(
        Claim("run_time", 90.0),
        [
            result("run_time", 60.0, 1.0, conditions={"temperature": 0}),
            result("run_time", 89.0, 0.5, conditions={"temperature": 22}),
        ],
    )
    assert told.state == "confirmed"
    assert told.result is not None
    assert told.result.value == 89.0
    assert "temperature 0: overstated" in told.sentence


def test_room_temperature_decides_where_the_claim_names_none():
    cold = result("run_time", 40.0, 0.1, conditions={"temperature": -10.0})
    warm = result("run_time", 90.0, 1.0, conditions={"temperature": 21.0})
    assert judge(Claim("run_time", 90.0), [cold, warm]).state == "confirmed"
    assert judge(
        Claim("run_time", 90.0, conditions={"temperature": -10.0}), [cold, warm]
    ).state == ("overstated")


def test_only_results_under_the_claimed_conditions_count():
    claim = Claim("snr_18", 40.0, conditions={"light": 10})
    bright = result("snr_18", 40.0, 0.1, conditions={"light": 1000})
    dim = result("snr_18", 25.0, 0.1, conditions={"light": 10})
    assert judge(claim, [bright]).state == "not tested"
    assert judge(claim, [bright, dim]).state == "overstated"


def test_judge_all_names_the_untested_and_the_unclaimed():
    told = judge_all([Claim("mass", 16.0), Claim("hfov", 120.0)], [result("mass", 16.1, 0.05),
                     result("row_time", 11.8, 0.1), result("row_time", 11.9, 0.5)])  # fmt: skip
    assert [(j.subject, j.state) for j in told] == [
        ("mass", "confirmed"), ("hfov", "not tested"), ("row_time", "claimed nothing"),
    ]  # fmt: skip
    assert len(told[2].others) == 1
    assert {j.state for j in told} <= set(STATES)
    json.dumps([j.to_json() for j in told], allow_nan=False)


@pytest.mark.parametrize(
    ("subject", "value", "text", "seen", "state", "favour"),
    [
        ("width_px", 1920.0, "1920", [1920, 1920], "confirmed", "as claimed"),
        ("width_px", 1920.0, "1920", [1280], "overstated", "worse than claimed"),
        ("width_px", None, "1920 px", [1280], "overstated", "worse than claimed"),
        ("codec", None, "H.264", ["h264"], "confirmed", "as claimed"),
        ("codec", None, "H.265", ["h264"], "contradicted", "off"),
        ("stamp_present", None, "no", [True], "contradicted", "off"),
        ("stamp_present", None, "no", [False], "confirmed", "as claimed"),
        ("dropped_frames", 0.0, "0", [{"count": 3, "at": [1, 2, 9]}], "understated",
         "worse than claimed"),
        ("width_px", 1920.0, "1920", [1920, 1280], "cannot tell", ""),
        ("upscaled", None, "no", ["undecided"], "cannot tell", ""),
    ],
)  # fmt: skip
def test_claims_on_findings(subject, value, text, seen, state, favour):
    told = judge(Claim(subject, value, text), [], findings={subject: seen})
    assert (told.state, told.favour) == (state, favour)


def test_a_silent_seller():
    told = judge(Claim("mass", None, silent=True), [result("mass", 17.0, 0.1)])
    assert told.state == "claimed nothing"
    assert told.result is not None
    assert judge(Claim("mass", None, silent=True), []).result is None


def test_a_finding_nobody_looked_for_is_not_tested():
    assert judge(Claim("codec", None, "H.264"), []).state == "not tested"


def test_a_claim_of_zero_has_no_share():
    told = judge(Claim("tv_distortion", 0.0), [result("tv_distortion", 4.0, 0.1)])
    assert told.state == "understated"
    assert "by" not in told.sentence.split(".")[-2]


def test_unknown_measurand():
    with pytest.raises(WrongCall, match="no measurand 'hfow'"):
        judge(Claim("hfow", 1.0), [])
