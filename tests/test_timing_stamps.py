"""Time stamps: regime, rate, jitter and gaps, from stamps whose truth is known."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from seeworthy.ground.lines import straight_line
from seeworthy.ground.statistics import lag1_autocorrelation
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.procedures.timing.cadence import running_median, runs
from seeworthy.procedures.timing.measure import UNSETTLED, read_stamps
from seeworthy.procedures.timing.spans import Span, merge_spans

FINE = Fraction(1, 90000)


def stamp(seconds, base=FINE):
    return read_stamps(np.rint(np.asarray(seconds) / float(base)).astype(np.int64), base)


def missing(said):
    return [g.before for g in said.gaps for _ in range(g.missing)]


def jittered(slots, rate, jitter, seed):
    rng = np.random.default_rng(seed)
    return np.asarray(slots) / rate + rng.normal(0.0, jitter, len(slots))


# Geometry: helpers on arrays whose answer is seen at a glance.


def test_runs_are_first_and_last_index():
    assert runs(np.array([True, True, False, True])) == [(0, 1), (3, 3)]
    assert runs(np.zeros(3, bool)) == []


def test_running_median_ignores_single_spikes_and_shrinks_at_the_ends():
    values = np.ones(50)
    values[[0, 20, 49]] = 9.0
    assert np.array_equal(running_median(values, 3), np.ones(50))
    assert running_median(np.array([1.0, 2.0, 9.0]), 10).tolist() == [2.0, 2.0, 2.0]


def test_spans_merge_within_one_reason_only():
    spans = [Span(5, 6, "b"), Span(0, 1, "a"), Span(4, 9, "a")]
    assert merge_spans(spans, near=2) == (Span(0, 9, "a"), Span(5, 6, "b"))
    assert merge_spans(spans, near=1) == (Span(0, 1, "a"), Span(4, 9, "a"), Span(5, 6, "b"))


# Injected truth: constant rate.


def test_even_stamps_have_the_rate_and_no_jitter():
    said = stamp(np.arange(900) * 1001 / 30000)
    assert said.regime == "constant"
    assert said.rate == pytest.approx(30000 / 1001, abs=1e-9)
    assert said.jitter == 0.0
    assert 0 < said.u_rate < 1e-5
    assert not said.gaps
    assert not said.undecidable


@pytest.mark.parametrize("base", [600, 1000, 15360])
def test_rounding_to_the_time_base_is_neither_jitter_nor_gap(base):
    said = stamp(np.arange(600) * 1001 / 30000, Fraction(1, base))
    assert said.regime == "constant"
    assert abs(said.rate - 30000 / 1001) < 2 * said.u_rate
    assert said.jitter < 0.1 / base
    assert said.jitter_interval[0] == 0.0
    assert not said.gaps


def test_every_drop_is_found_by_number():
    lost = [100, 200, 201, 300, 302, 304, 500, 501, 502, 503]
    said = stamp(np.setdiff1d(np.arange(900), lost) / 29.97)
    # The frame before each gap, in the numbering of the file.
    assert missing(said) == [99, 198, 198, 296, 297, 298, 493, 493, 493, 493]
    assert said.longest == pytest.approx(5 / 29.97, abs=2e-5)
    # Pictures that are really in the file, per second.
    assert said.rate == pytest.approx(29.97 * 889 / 899, rel=1e-6)
    assert said.rates[0][0] == pytest.approx(29.97, rel=1e-6)


@pytest.mark.parametrize("jitter", [1e-3, 3e-3, 5e-3])
def test_drops_are_found_in_jittered_stamps_and_none_invented(jitter):
    lost = [100, 200, 201, 300, 302, 304]
    slots = np.setdiff1d(np.arange(600), lost)
    assert missing(stamp(jittered(slots, 30.0, jitter, 5))) == [99, 198, 198, 296, 297, 298]
    assert not stamp(jittered(np.arange(600), 30.0, jitter, 6)).gaps


def test_a_late_stamp_made_up_for_is_no_gap():
    seconds = np.arange(600) / 30.0
    seconds[::50] += 0.02  # 1.6 intervals, then 0.4
    said = stamp(seconds)
    assert said.regime == "constant"
    assert not said.gaps


def test_rate_is_the_slope_of_the_line_that_nist_certifies(published):
    """NIST StRD Norris: the regression behind the rate gives the certified figures."""
    rows = published("nist_norris_data.csv")
    certified = {
        r["parameter"]: float(r["certified"])
        for r in published("nist_linear_certified.csv")
        if r["dataset"] == "Norris"
    }
    x = [float(r["x"]) for r in rows]
    y = [float(r["y"]) for r in rows]
    line = straight_line(x, y)
    assert line.slope == pytest.approx(certified["B1"], rel=1e-12)
    assert line.u_slope == pytest.approx(certified["sd(B1)"], rel=1e-9)
    # The slope does not depend on where the middle of x is put, as the rate does it.
    assert straight_line(x, y, x0=float(np.mean(x))).slope == pytest.approx(line.slope, rel=1e-12)


def test_lag_one_autocorrelation_is_the_one_nist_certifies(published):
    """NIST StRD Michelso: neighbouring stamps that err together widen the interval by it."""
    rows = [r for r in published("nist_univariate_data.csv") if r["dataset"] == "Michelso"]
    certified = next(
        float(r["certified_lag1_autocorrelation"])
        for r in published("nist_univariate_certified.csv")
        if r["dataset"] == "Michelso"
    )
    assert lag1_autocorrelation([float(r["y"]) for r in rows]) == pytest.approx(
        certified, abs=1e-12
    )


def test_intervals_of_rate_and_jitter_hold_the_truth():
    """95 % intervals of 200 rendered repeats hold the truth in 90 to 99 %."""
    rate_in = jitter_in = 0
    for k in range(200):
        rng = np.random.default_rng((3, k))
        rate, jitter = rng.uniform(20, 60), rng.choice([5e-4, 2e-3])
        base = Fraction(1, int(rng.choice([600, 1000, 90000])))
        n = int(rng.integers(60, 600))
        said = stamp(jittered(np.arange(n), rate, jitter, (4, k)) + 1.0, base)
        rate_in += abs(said.rate - rate) <= coverage_factor(said.dof) * said.u_rate
        jitter_in += said.jitter_interval[0] <= jitter <= said.jitter_interval[1]
    assert 181 <= rate_in <= 198
    assert 181 <= jitter_in <= 198


# Injected truth: rates that change.


def test_two_rates_are_a_regime_not_drops():
    said = stamp(np.cumsum(np.r_[np.full(300, 1 / 30), np.full(200, 1 / 15)]))
    assert said.regime == "two rates"
    assert not said.gaps
    assert not said.undecidable
    assert [round(r) for r, _ in said.rates] == [30, 15]
    assert said.rates[0][1] == pytest.approx(0.6, abs=0.01)


@pytest.mark.parametrize("wander", [0.2, 0.45])
def test_a_wandering_rate_has_no_drops_until_one_is_lost(wander):
    steps = (1 + wander * np.sin(np.arange(600) / 40)) / 22
    assert stamp(np.cumsum(steps)).regime == "variable"
    assert not stamp(np.cumsum(steps)).gaps
    steps[[50, 150, 300, 301]] *= 2
    assert missing(stamp(np.cumsum(steps))) == [49, 149, 299, 300]


def test_random_exposures_are_undecidable_not_drops():
    rng = np.random.default_rng(2)
    said = stamp(np.cumsum(np.where(rng.random(600) < 0.4, 2 / 30, 1 / 30)))
    assert said.regime != "constant"
    assert not said.gaps
    assert said.undecidable
    reasons = ("wanders", "spell", "no steady cadence")
    assert all(any(r in s.reason for r in reasons) for s in said.undecidable)


def test_a_short_spell_at_half_the_rate_is_named_not_counted():
    steps = np.full(300, 1 / 30)
    steps[100:107] = 1 / 15
    said = stamp(np.cumsum(steps))
    assert not said.gaps
    assert [s.reason for s in said.undecidable] == [
        "a short spell at a slower rate, or one frame lost after every frame kept"
    ]
    assert said.undecidable[0].holds(100)


def test_stamps_that_count_frames_are_called_coarse():
    said = read_stamps(np.arange(100), Fraction(1, 10))
    assert said.coarse
    assert said.rate == pytest.approx(10.0)
    assert not stamp(np.arange(100) / 30).coarse


# Bad input.


def test_repeated_and_backward_stamps_are_named():
    ticks = np.arange(100) * 3000
    ticks[40] = ticks[39]
    ticks[60] = ticks[58]
    said = read_stamps(ticks, FINE)
    assert said.backward == (40, 60)
    assert not said.gaps


@pytest.mark.parametrize("ticks", [[], [0], [0, 3000]])
def test_too_few_stamps_are_refused(ticks):
    with pytest.raises(ValueError, match="at least three"):
        read_stamps(ticks, FINE)


def test_stamps_that_stand_still_are_refused():
    with pytest.raises(ValueError, match="no time passes"):
        read_stamps([5, 5, 5, 5], FINE)


def test_huge_stamps_keep_their_precision():
    start = 2**60
    said = read_stamps([start + 3003 * k for k in range(300)], FINE)
    assert said.rate == pytest.approx(30000 / 1001, abs=1e-9)
    assert math.isfinite(said.u_rate)


def test_a_clock_that_drifts_keeps_its_gaps_in_place():
    # A crystal that warms up: half a place of drift over ten minutes against its mean rate.
    n = 18_000
    places = np.delete(np.arange(n), [4_000, 12_345])
    seconds = places / 30.0 + 0.5 / 30.0 * np.sin(np.pi * places / n)
    said = read_stamps(np.rint(seconds * 90_000).astype(np.int64), Fraction(1, 90_000))
    assert [(g.before, g.missing) for g in said.gaps] == [(3_999, 1), (12_343, 1)]


# Pauses, wandering rates and what may be called lost.


def test_a_first_pause_invents_no_loss_and_does_not_bend_the_rate():
    seconds = np.concatenate([[0.0], 2.0 + np.arange(300) / 30.0])
    said = stamp(seconds)
    assert not said.gaps
    assert said.pause == pytest.approx(2.0, abs=1e-4)
    assert said.rate == pytest.approx(30.0, abs=1e-6)
    assert said.longest == pytest.approx(2.0, abs=1e-4)
    assert [(s.first, s.last) for s in said.undecidable] == [(0, 1)]
    # A loss further on keeps its number.
    assert missing(stamp(np.delete(seconds, 100))) == [99]


@pytest.mark.parametrize("seed", range(5))
def test_a_rate_that_wanders_by_a_fifth_is_not_even_and_loses_nothing(seed):
    """As a real thermal camera does: waits of 38 to 237 ms about 114, made up for or not."""
    rng = np.random.default_rng(seed)
    walk = np.cumsum(np.maximum(0.114 * (1 + 0.2 * rng.standard_normal(84)), 0.02))
    made_up_for = np.arange(84) * 0.114 + rng.normal(0, 0.024, 84)
    for seconds in (walk, np.sort(made_up_for)):
        said = stamp(seconds)
        assert said.regime in ("uneven", "variable", "two rates")
        assert not said.gaps


def test_seven_milliseconds_of_jitter_are_not_an_even_pace():
    said = stamp(jittered(np.arange(250), 25.0, 7e-3, 1))
    assert said.regime == "uneven"
    assert said.jitter_interval[0] <= 7e-3 <= said.jitter_interval[1]
    assert abs(said.rate - 25.0) < 3 * said.u_rate
    assert stamp(jittered(np.arange(250), 25.0, 0.8e-3, 1)).regime == "constant"


def test_nothing_is_lost_where_no_cadence_stands_around_the_wait():
    said = stamp(np.concatenate([np.arange(300), [301, 305, 306]]) / 30.0)
    assert not said.gaps
    assert [s.reason for s in said.undecidable] == [UNSETTLED]
    assert missing(stamp(np.concatenate([np.arange(300), 301 + np.arange(5)]) / 30.0)) == [299]
