"""Claims against measured intervals."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from seeworthy.cli.claims import claims as claims_command
from seeworthy.ground.errors import BadQuantity, WrongCall
from seeworthy.ground.measurands import measurand
from seeworthy.ground.results import Result, result
from seeworthy.judge.claims.decide import STATES, Claimed, Tolerance, decide, judge, judge_all


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
        ((80.0, 94.9), "less than claimed"),
        ((105.1, 130.0), "more than claimed"),
    ],
)
def test_decided_with_the_interval(interval, state):
    assert decide(interval, (95.0, 105.0)) == state


def test_the_bare_value_does_not_decide():
    # The value is the claim itself, yet the interval spans far more than the tolerance.
    wide = judge(Claimed("hfov", 100.0), [angle(100.0, 20.0)])
    assert wide.state == "cannot tell"
    # The value is outside the band, but not by more than the measurement knows.
    near = judge(Claimed("hfov", 100.0), [angle(94.0, 2.0)])
    assert near.state == "cannot tell"
    assert judge(Claimed("hfov", 100.0), [angle(94.0, 0.2)]).state == "less than claimed"


def test_a_rate_reached_by_showing_pictures_twice_is_no_rate():
    written, different = result("frame_rate", 60.0, 1e-4), result("distinct_rate", 30.1, 0.6)
    said = judge(Claimed("frame_rate", 60.0), [written, different])
    assert said.state == "less than claimed"
    assert "Different pictures a second" in said.sentence
    assert judge(Claimed("frame_rate", 60.0), [written]).state == "confirmed"
    # Where nothing is claimed, each figure speaks for itself.
    nothing = judge(Claimed("frame_rate", None, silent=True), [written, different])
    assert nothing.result == written


@pytest.mark.parametrize("name", ["run_time", "mass", "hfov"])
@pytest.mark.parametrize(
    ("interval", "state"),
    [
        ((97.0, 120.0), "cannot tell"),
        ((90.0, 100.0), "cannot tell"),
        ((106.0, math.inf), "more than claimed"),  # a run stopped by hand: a bound
        ((97.0, math.inf), "cannot tell"),
    ],
)
def test_every_edge_counts_whatever_is_better(name, interval, state):
    low, high = interval
    found = result(name, low if math.isinf(high) else (low + high) / 2, 1.0, interval=interval)
    assert judge(Claimed(name, 100.0), [found]).state == state


def documented(claimed, share, low, high):
    """The rule as `claims --help` says it, written from its words alone."""
    edge, other = claimed - share * claimed, claimed + share * claimed
    points_inside = [edge <= x <= other for x in (low, high)]
    if all(points_inside):
        return "confirmed"
    if low > other or high < edge:
        return "more or less"
    return "cannot tell"


def test_the_rule_of_the_help_and_the_code_are_one():
    help_text = " ".join(claims_command.__doc__.split())
    assert "confirmed when the whole interval lies within the tolerance" in help_text
    assert "when the whole interval lies outside" in help_text
    rng = np.random.default_rng(13)
    seen = set()
    for _ in range(3000):
        name = str(rng.choice(["mass", "run_time", "hfov", "pixel_aspect", "usable_lux"]))
        claimed, share = float(rng.uniform(1, 200)), float(rng.choice([0.01, 0.05, 0.2]))
        value = claimed * float(rng.normal(1, 1.5 * share))
        found = result(name, value, claimed * float(rng.uniform(0.001, 1.0)) * share,
                       dof=float(rng.choice([1, 3, math.inf])))  # fmt: skip
        told = judge(Claimed(name, claimed), [found], Tolerance(share)).state
        seen.add(told)
        plain = "more or less" if told.endswith("than claimed") else told
        assert plain == documented(claimed, share, *found.interval)
        if plain == "more or less":
            assert (told == "more than claimed") == (found.value > claimed)
    assert seen == {"confirmed", "more than claimed", "less than claimed", "cannot tell"}


def test_a_mass_at_the_edge_cannot_be_told():
    told = judge(Claimed("mass", 100.0), [result("mass", 94.3, 0.5)])  # 93.3 to 95.3 against 95
    assert told.state == "cannot tell"
    assert "95 %: 93.32 to 95.28 g" in told.sentence


@pytest.mark.parametrize(
    ("name", "measured", "word"),
    [
        ("mass", 150.0, "heavier than claimed"),
        ("mass", 50.0, "lighter than claimed"),
        ("hfov", 50.0, "narrower than claimed"),
        ("run_time", 50.0, "shorter than claimed"),
        ("gap", 150.0, "longer than claimed"),
        ("dynamic_range", 50.0, "less than claimed"),
        ("mass", 100.0, "confirmed"),
    ],
)
def test_the_words_are_those_of_the_thing(name, measured, word):
    told = judge(Claimed(name, 100.0), [result(name, measured, 0.1)])
    assert told.word == word
    assert told.to_json()["word"] == word
    assert word == "confirmed" or word[1:] in told.sentence


def test_takes_under_like_conditions_are_combined_first():
    # One of five takes is off and states less than it knows: it no longer outvotes four.
    takes = [angle(v, 0.5) for v in (91.5, 91.8, 92.0, 92.3)]
    told = judge(Claimed("hfov", 100.0), [angle(96.5, 0.2), *takes])
    assert told.takes == 5
    assert told.state == "cannot tell"
    assert told.result.u > 0.5
    agree = judge(Claimed("hfov", 100.0), takes)
    assert agree.state == "less than claimed"
    assert agree.result.value == pytest.approx(91.9, abs=0.05)


def test_the_set_nearest_to_ordinary_use_decides():
    # 29.97 Hz from a timing take; 15 Hz at 3 lx with a narrower interval.
    rate = result("frame_rate", 29.97, 0.0008)
    dim = result("frame_rate", 15.0, 0.0005, conditions={"light": 3.0})
    told = judge(Claimed("frame_rate", 30.0), [dim, rate])
    assert (told.state, told.result.value) == ("confirmed", 29.97)
    assert "light 3.0: less than claimed" in told.sentence
    run = result("run_time", 60.0, 3.0, conditions={"temperature": 21.0})
    said = result("run_time", 80.0, 0.1, conditions={"temperature": 21.0, "basis": "predicted"})
    assert judge(Claimed("run_time", 60.0), [said, run]).result is run


def test_the_unit_that_was_judged_is_named():
    light = [result("mass", 16.0, 0.05, conditions={"unit": "A"}) for _ in range(2)]
    heavy = result("mass", 19.0, 0.01, conditions={"unit": "B"})
    told = judge(Claimed("mass", 16.0), [heavy, *light])
    assert (told.state, told.specimen, told.takes) == ("confirmed", "A", 2)
    assert "unit A" in told.sentence
    assert "unit B: heavier than claimed" in told.sentence
    assert told.to_json()["unit_judged"] == "A"


@pytest.mark.parametrize(
    ("name", "measured", "state", "favour"),
    [
        ("run_time", 50.0, "less than claimed", "worse than claimed"),
        ("run_time", 150.0, "more than claimed", "better than claimed"),
        ("mass", 150.0, "more than claimed", "worse than claimed"),
        ("mass", 50.0, "less than claimed", "better than claimed"),
        ("hfov", 50.0, "less than claimed", "off"),
        ("hfov", 100.0, "confirmed", "as claimed"),
    ],
)
def test_favour_follows_the_direction_of_the_measurand(name, measured, state, favour):
    told = judge(Claimed(name, 100.0), [result(name, measured, 0.1)])
    assert (told.state, told.favour) == (state, favour)


def test_tolerance_is_set_per_report_and_per_claim():
    found = [angle(92.0, 0.1)]
    assert judge(Claimed("hfov", 100.0), found).state == "less than claimed"
    assert judge(Claimed("hfov", 100.0), found, Tolerance(0.10)).state == "confirmed"
    own = Claimed("hfov", 100.0, tolerance=Tolerance.parse("10 deg"))
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
        judge(Claimed("hfov", 100.0), [angle(100, 1)], Tolerance.parse("3 kg"))


def test_a_set_that_says_otherwise_is_named():
    told = judge(
        Claimed("run_time", 90.0),
        [
            result("run_time", 60.0, 1.0, conditions={"temperature": 0}),
            result("run_time", 89.0, 0.5, conditions={"temperature": 22}),
        ],
    )
    assert told.state == "confirmed"
    assert told.result is not None
    assert told.result.value == 89.0
    assert "temperature 0: shorter than claimed" in told.sentence


def test_room_temperature_decides_where_the_claim_names_none():
    cold = result("run_time", 40.0, 0.1, conditions={"temperature": -10.0})
    warm = result("run_time", 90.0, 1.0, conditions={"temperature": 21.0})
    assert judge(Claimed("run_time", 90.0), [cold, warm]).state == "confirmed"
    assert judge(
        Claimed("run_time", 90.0, conditions={"temperature": -10.0}), [cold, warm]
    ).state == ("less than claimed")


def test_only_results_under_the_claimed_conditions_count():
    claim = Claimed("snr_18", 40.0, conditions={"light": 10})
    bright = result("snr_18", 40.0, 0.1, conditions={"light": 1000})
    dim = result("snr_18", 25.0, 0.1, conditions={"light": 10})
    assert judge(claim, [bright]).state == "not tested"
    assert judge(claim, [bright, dim]).state == "less than claimed"


def test_judge_all_names_the_untested_and_the_unclaimed():
    told = judge_all([Claimed("mass", 16.0), Claimed("hfov", 120.0)], [result("mass", 16.1, 0.05),
                     result("row_time", 11.8, 0.1), result("row_time", 11.9, 0.5)])  # fmt: skip
    assert [(j.subject, j.state) for j in told] == [
        ("mass", "confirmed"), ("hfov", "not tested"), ("row_time", "claimed nothing"),
    ]  # fmt: skip
    assert told[2].takes == 2  # like conditions: one figure
    assert {j.state for j in told} <= set(STATES)
    json.dumps([j.to_json() for j in told], allow_nan=False)


@pytest.mark.parametrize(
    ("subject", "value", "text", "seen", "state", "favour"),
    [
        ("width_px", 1920.0, "1920", [1920, 1920], "confirmed", "as claimed"),
        ("width_px", 1920.0, "1920", [1280], "less than claimed", "worse than claimed"),
        ("width_px", None, "1920 px", [1280], "less than claimed", "worse than claimed"),
        ("codec", None, "H.264", ["h264"], "confirmed", "as claimed"),
        ("codec", None, "H.265", ["h264"], "contradicted", "off"),
        ("stamp_present", None, "no", [True], "contradicted", "off"),
        ("stamp_present", None, "no", [False], "confirmed", "as claimed"),
        ("dropped_frames", 0.0, "0", [{"count": 3, "at": [1, 2, 9]}], "more than claimed",
         "worse than claimed"),
        ("width_px", 1920.0, "1920", [1920, 1280], "cannot tell", ""),
        ("upscaled", None, "no", ["undecided"], "cannot tell", ""),
    ],
)  # fmt: skip
def test_claims_on_findings(subject, value, text, seen, state, favour):
    told = judge(Claimed(subject, value, text), [], findings={subject: seen})
    assert (told.state, told.favour) == (state, favour)


def test_a_silent_seller():
    told = judge(Claimed("mass", None, silent=True), [result("mass", 17.0, 0.1)])
    assert told.state == "claimed nothing"
    assert told.result is not None
    assert judge(Claimed("mass", None, silent=True), []).result is None


def test_a_finding_nobody_looked_for_is_not_tested():
    assert judge(Claimed("codec", None, "H.264"), []).state == "not tested"


def test_a_claim_of_zero_has_no_share():
    told = judge(Claimed("tv_distortion", 0.0), [result("tv_distortion", 4.0, 0.1)])
    assert told.state == "more than claimed"
    assert "by" not in told.sentence.split(".")[-2]


def test_unknown_measurand():
    with pytest.raises(WrongCall, match="no measurand 'hfow'"):
        judge(Claimed("hfow", 1.0), [])
