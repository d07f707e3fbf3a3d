"""Differences with combined uncertainty, Holm, groups that cannot be told apart."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from seeworthy.ground.uncertainty import coverage_factor, dof_from_interval
from seeworthy.judge.compare.differences import Value, differences, groups, holm


def test_difference_and_interval_of_two():
    (found,) = differences([Value("a", 10.0, 0.3), Value("b", 11.0, 0.4)])
    assert found.value == pytest.approx(1.0)
    assert found.u == pytest.approx(0.5)
    assert found.interval == pytest.approx((1 - 1.96 * 0.5, 1 + 1.96 * 0.5), abs=1e-3)
    assert found.p == pytest.approx(2 * stats.norm.sf(2.0), rel=1e-6)
    assert found.apart


@pytest.mark.parametrize("dof", [1, 2, 4.5, 10, 60, math.inf])
def test_degrees_of_freedom_come_back_from_an_interval(dof):
    half = coverage_factor(dof) * 0.7
    assert dof_from_interval(3, 0.7, (3 - half, 3 + half)) == pytest.approx(dof, rel=1e-3)


def test_welch_agrees_with_scipy_on_students_sleep_data():
    # Student, Biometrika 6 (1908) 1; R datasets::sleep. Published (from memory): t = -1.8608,
    # df = 17.776, p = 0.07939.
    one = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0, 2.0])
    two = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
    values = [
        Value(n, float(x.mean()), float(x.std(ddof=1) / math.sqrt(len(x))), len(x) - 1)
        for n, x in (("one", one), ("two", two))
    ]
    (found,) = differences(values)
    assert found.p == pytest.approx(stats.ttest_ind(one, two, equal_var=False).pvalue, rel=1e-9)
    assert found.p == pytest.approx(0.07939, abs=5e-6)
    assert not found.apart


def test_holm_agrees_with_statsmodels():
    from statsmodels.stats.multitest import multipletests

    p = np.random.default_rng(3).random(25) ** 3
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])


def test_holm_worked_by_hand():
    # 0.01, 0.04, 0.03 of three: 0.03, then max(0.06, ...), by the definition of Holm (1979).
    assert holm([0.01, 0.04, 0.03]).tolist() == pytest.approx([0.03, 0.06, 0.06])


def test_groups_of_clearly_different_values():
    values = [Value("a", 1, 0.1), Value("b", 5, 0.1), Value("c", 5.05, 0.1), Value("d", 9, 0.1)]
    assert groups(values, differences(values)) == [("a",), ("b", "c"), ("d",)]


def test_groups_overlap_where_the_middle_is_near_to_both():
    values = [Value("a", 0, 0.5), Value("b", 1.2, 0.5), Value("c", 2.4, 0.5)]
    assert groups(values, differences(values)) == [("a", "b"), ("b", "c")]


def test_a_wide_pair_around_a_narrow_value_is_still_shown():
    values = [Value("a", 0, 2.0), Value("b", 6, 0.1), Value("c", 12, 2.0), Value("d", 5.0, 0.1)]
    pairs = differences(values)
    told = {frozenset((p.first, p.second)): p.apart for p in pairs}
    found = groups(values, pairs)
    for pair, apart in told.items():
        assert apart != any(pair <= set(g) for g in found), pair


def test_equal_truth_is_not_told_apart_and_four_u_is_found():
    # Goal of the comparison: at least 95 % and at least 90 %.
    rng = np.random.default_rng(11)
    equal = apart = 0
    n = 1500
    for _ in range(n):
        x, y = rng.normal(0, 1, 2)
        equal += not differences([Value("a", x, 1.0), Value("b", y, 1.0)])[0].apart
        z = 4 * math.sqrt(2) + y
        apart += differences([Value("a", x, 1.0), Value("b", z, 1.0)])[0].apart
    assert equal / n >= 0.94
    assert apart / n >= 0.90


def test_family_of_many_pairs_keeps_its_level():
    rng = np.random.default_rng(12)
    wrong = 0
    for _ in range(400):
        values = [Value(str(i), float(x), 1.0) for i, x in enumerate(rng.normal(0, 1, 8))]
        wrong += any(p.apart for p in differences(values))
    assert wrong / 400 <= 0.08


def test_no_uncertainty_at_all_is_a_plain_comparison():
    same, other = (
        differences([Value("a", 1, 0.0), Value("b", 1, 0.0)]),
        differences([Value("a", 1, 0.0), Value("b", 2, 0.0)]),
    )
    assert not same[0].apart
    assert other[0].apart
