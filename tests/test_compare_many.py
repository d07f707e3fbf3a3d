"""Comparisons of many cameras: the same answers as pair by pair, and what is shown of them."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from seeworthy.bench.cameras import add_camera
from seeworthy.ground.errors import WrongCall
from seeworthy.judge.compare import comparison
from seeworthy.judge.compare.comparison import compare_bench, compare_results, what_matters
from seeworthy.judge.compare.differences import Value, differences, groups
from test_compare import made


def scattered(n: int, seed: int) -> list[Value]:
    rng = np.random.default_rng(seed)
    dofs = rng.choice([1.0, 3.0, 11.5, math.inf], n)
    values = np.sort(rng.normal(0, 3, n))
    return [
        Value(f"c{i}", float(x), float(rng.uniform(0.2, 1.5)), float(d))
        for i, (x, d) in enumerate(zip(values, dofs, strict=True))
    ]


def test_pairs_are_what_scipy_says_of_each():
    # Welch's t from stated means, u and degrees of freedom, pair by pair with SciPy's t.
    values = scattered(9, 1)
    found = differences(values)
    assert len(found) == 36
    for pair, (a, b) in zip(found, itertools.combinations(values, 2), strict=True):
        assert (pair.first, pair.second) == (a.subject, b.subject)
        u = math.hypot(a.u, b.u)
        dof = u**4 / (a.u**4 / a.dof + b.u**4 / b.dof) if a.dof < math.inf or b.dof < math.inf \
            else math.inf  # fmt: skip
        assert pair.p == pytest.approx(2 * stats.t.sf(abs(b.value - a.value) / u, dof), rel=1e-9)
        half = stats.t.ppf(0.975, dof) * u
        assert pair.interval == pytest.approx((b.value - a.value - half, b.value - a.value + half))
    assert found[7] == list(found)[7]
    assert found[-1] == list(found)[-1]
    assert found[3:6] == list(found)[3:6]
    with pytest.raises(IndexError):
        found[36]


@pytest.mark.parametrize("seed", range(20))
def test_a_group_is_a_run_that_cannot_be_made_longer(seed):
    values = scattered(12, 100 + seed)
    pairs = differences(values)
    apart = {(p.first, p.second) for p in pairs if p.apart}
    names = [v.subject for v in values]

    def whole(run: list[str]) -> bool:
        return not any(two in apart for two in itertools.combinations(run, 2))

    runs = [names[s:e] for s in range(12) for e in range(s + 1, 13) if whole(names[s:e])]
    longest = [r for r in runs if not any(set(r) < set(o) for o in runs)]
    found = groups(values, pairs)
    assert [list(g) for g in found[: len(longest)]] == longest
    for two in found[len(longest) :]:
        assert two not in apart
        assert not any(set(two) <= set(r) for r in longest)


def test_some_of_the_pairs_keep_what_was_said_of_all():
    values = scattered(8, 3)
    pairs = differences(values)
    some = pairs.among([1, 4, 6])
    told = {(p.first, p.second): p for p in pairs}
    assert [told[p.first, p.second] for p in some] == list(some)
    assert len(some) == 3


def test_of_many_cameras_the_best_are_shown_and_the_verdicts_stay():
    rng = np.random.default_rng(5)
    origins = [
        made(f"c{i}", name, float(10 + i / 2 + rng.normal(0, 0.05)), 0.1)
        for i in range(30)
        for name in ("mass", "hfov")
    ]
    found = compare_results(origins)
    shown = what_matters(found)
    assert len(shown.subjects) == 12
    # Less mass is better: c0 is best of all there.
    assert "c0" in shown.subjects
    assert "30 stand side by side" in shown.apart[0]
    whole = {r.measurand.id: r for r in found.rows}
    for row in shown.rows:
        full = whole[row.measurand.id]
        assert row.best == full.best
        told = {(p.first, p.second): p for p in full.pairs}
        assert all(told[p.first, p.second] == p for p in row.pairs)
    few = compare_results(origins[:10])
    assert what_matters(few) is few


def test_more_cameras_than_can_be_paired_are_refused_before_reading(empty_bench, monkeypatch):
    monkeypatch.setattr(comparison, "_MOST_CAMERAS", 3)
    for name in ("Knot", "Ruff", "Dotterel", "Whimbrel"):
        add_camera(empty_bench, name)
    with pytest.raises(WrongCall, match="6 pairs for every figure"):
        compare_bench(empty_bench)
