"""Results of several groups: E_n, scatter between groups, one instrument."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from seeworthy.bench.cameras import add_camera
from seeworthy.bench.identity import save_identity
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import create_bench
from seeworthy.bench.takes import add_take
from seeworthy.ground.errors import CannotMeasure, NotFound
from seeworthy.judge.groups import (
    GroupValue,
    between_groups,
    en_number,
    groups_of_bench,
    paule_mandel,
)
from seeworthy.publish.export import export_bench
from seeworthy.publish.taking_in import take_in_package


def test_en_is_difference_over_expanded_uncertainties():
    # ISO 13528:2022, 9.6, worked by hand: (10.4 - 10.0) / sqrt(0.3² + 0.4²) = 0.8
    assert en_number(10.4, 0.15, 10.0, 0.20) == pytest.approx(0.8)
    assert en_number(10.0, 0.20, 10.4, 0.15) == pytest.approx(-0.8)
    assert en_number(1, 0, 1, 0) == 0
    assert en_number(1, 0, 2, 0) == -math.inf


@pytest.mark.parametrize("seed", range(5))
def test_the_scatter_between_groups_is_that_of_statsmodels(seed):
    from statsmodels.stats.meta_analysis import combine_effects

    rng = np.random.default_rng(seed)
    u = rng.uniform(0.1, 0.6, 9)
    x = rng.normal(5, 0.8, 9) + rng.normal(0, u)
    mean, um, spread = paule_mandel(list(x), list(u))
    # Its iteration may leap below 0 and stop there; the start that does not is taken.
    start = combine_effects(x, u**2, method_re="dl").tau2
    tries = [
        combine_effects(
            x, u**2, method_re="iterated", tau2_start=start * f, atol=1e-12, maxiter=500
        )
        for f in (0, 0.05, 0.2, 0.5)
    ]
    known = max(tries, key=lambda t: t.tau2)
    assert spread == pytest.approx(math.sqrt(known.tau2), rel=1e-4)
    assert mean == pytest.approx(known.mean_effect_re, rel=1e-6)
    assert um == pytest.approx(known.sd_eff_w_re, rel=1e-4)


def test_no_scatter_where_the_uncertainties_explain_everything():
    assert paule_mandel([1.0, 1.01, 0.99], [0.1, 0.1, 0.1])[2] == 0


def test_the_interval_for_the_consensus_covers_when_groups_scatter():
    rng = np.random.default_rng(7)
    hits = 0
    for _ in range(400):
        u = rng.uniform(0.1, 0.4, 12)
        x = rng.normal(0, 0.5, 12) + rng.normal(0, u)
        values = [GroupValue(str(i), *v) for i, v in enumerate(zip(x, u, strict=True))]
        found = between_groups(values)
        hits += abs(found.mean) <= 2.2 * found.u  # Student's t of 11 degrees of freedom
    # 95 % of 400 are 380; four binomial deviations below are 362.
    assert hits >= 362


def test_groups_with_one_instrument_count_as_one():
    tape = frozenset({"tape"})
    apart = [GroupValue("a", 1.0, 0.1), GroupValue("b", 1.1, 0.1), GroupValue("c", 1.2, 0.1)]
    shared = [GroupValue(v.group, v.value, v.u, math.inf, tape) for v in apart[:2]] + apart[2:]
    free, bound = between_groups(apart), between_groups(shared)
    assert (free.n, bound.n) == (3, 2)
    assert bound.u > free.u, "what two share does not average out"
    # The two are one result of u = 0.1 at 1.05; with the third, 0.1/sqrt(2) and their scatter.
    assert bound.mean == pytest.approx((1.05 + 1.2) / 2)
    assert bound.u == pytest.approx(0.15 / 2), "Paule and Mandel of two: half their difference"
    assert [p.shared for p in bound.pairs] == [True, False, False]
    with pytest.raises(CannotMeasure):
        between_groups(apart[:1])


def bench_of(place, title, mass, instrument="scale"):
    bench = create_bench(place)
    save_identity(bench, title=title)
    add_camera(bench, "Dunlin")
    add_take(
        bench,
        "body",
        "Dunlin",
        readings={"mass": [f"{mass} g ± 0.1 g"]},
        instruments={"mass": instrument},
    )
    with ThreadPoolExecutor(1) as pool:
        run_bench(bench, executor=pool)
    return bench


def test_two_groups_stand_side_by_side(tmp_path):
    with (
        bench_of(tmp_path / "a", "North", 17.2) as ours,
        bench_of(tmp_path / "b", "South", 17.5) as theirs,
    ):
        with pytest.raises(NotFound):
            groups_of_bench(ours, ["Dunlin"])
        with pytest.raises(NotFound, match="No camera of this bench"):
            groups_of_bench(ours, [])
        take_in_package(ours, export_bench(theirs, tmp_path / "b.zip"))
        (row,) = groups_of_bench(ours, ["dunlin"])
        assert groups_of_bench(ours, []) == [row], "the one model that both measured"
    assert row.measurand.id == "mass"
    (pair,) = row.between.pairs
    assert abs(pair.difference) == pytest.approx(0.3)
    assert abs(pair.en) == pytest.approx(0.3 / (1.96 * 0.1 * 2**0.5), rel=1e-3)
    assert not pair.agree
    assert not pair.shared, "two scales of the same name in two benches are two"
    assert row.between.spread > 0.1


def test_one_file_in_two_groups_is_one_result(tmp_path, monkeypatch):
    """The same clip measured twice agrees with itself, which tests neither camera nor method."""
    from seeworthy.bench import outcomes

    log = tmp_path / "flight.csv"
    log.write_text("time,height\n0,0\n1,2\n")
    with (
        bench_of(tmp_path / "a", "North", 17.2) as ours,
        bench_of(tmp_path / "b", "South", 17.3) as theirs,
    ):
        for bench in (ours, theirs):
            add_take(bench, "load", "Dunlin", {"": [log]})
        one, other = (frozenset().union(*outcomes.files_of(b).values()) for b in (ours, theirs))
        assert one == other, "the same content"
        take_in_package(ours, export_bench(theirs, tmp_path / "b.zip"))
        (row,) = groups_of_bench(ours, ["Dunlin"])
        assert row.between.n == 2
        # As if the masses had come from that file.
        monkeypatch.setattr(outcomes, "files_of", lambda _: dict.fromkeys(range(1, 9), one))
        (row,) = groups_of_bench(ours, ["Dunlin"])
    assert row.between.pairs[0].shared
    assert row.between.n == 1
    assert row.between.u == pytest.approx(0.1), "nothing averages out"
