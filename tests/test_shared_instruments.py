"""Results that one instrument, or one camera's tone curve, is in (JCGM 100:2008, 5.2)."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from seeworthy.bench.cameras import add_camera
from seeworthy.bench.instruments import shared_parts
from seeworthy.bench.outcomes import list_outcomes, list_results
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import create_bench
from seeworthy.bench.takes import add_take
from seeworthy.ground.budget import budget_rows
from seeworthy.ground.results import result
from seeworthy.judge.compare.combine import combine, like_sets
from seeworthy.judge.compare.differences import Value, differences
from seeworthy.optics.tone import Tone


def shared(found, parts):
    return replace(found, shared=parts)


def test_ten_resistors_of_one_standard_do_not_average_its_uncertainty_out():
    # JCGM 100:2008, 5.2.2, example: ten resistors of 1000 ohm, each calibrated with one standard
    # of u = 100 mohm, in series: u = 1.00 ohm, "in contrast to" 0.32 ohm without correlation.
    # Grams for ohms: the sum is ten times the mean.
    each = result("mass", 1000.0, 0.1)
    series = 10 * combine("a", [shared(each, {"standard: mass": 0.1})] * 10).u
    assert series == pytest.approx(1.00, abs=0.005)
    # Ten standards: 0.32, were it not for the halving of the best take as a floor (0.50).
    apart = 10 * combine("a", [shared(each, {f"s{i}: mass": 0.1}) for i in range(10)]).u
    assert apart == pytest.approx(0.50, abs=0.005)


def test_a_result_that_does_not_tell_its_instruments_part_may_owe_all_of_it():
    each = [result("mass", v, 0.1) for v in (9.95, 10.05)]
    told = [shared(e, {"scale": None}) for e in each]
    assert combine("a", each).u == pytest.approx(0.1 / math.sqrt(2))
    assert combine("a", told).u > 0.1
    mixed = [shared(each[0], {"scale": None}), shared(each[1], {"scale: mass": 0.08})]
    assert combine("a", mixed).u > 0.1
    other = [shared(each[0], {"scale": None}), shared(each[1], {"tape": None})]
    assert combine("a", other).u == pytest.approx(0.1 / math.sqrt(2))


def test_mean_of_takes_with_one_instrument_holds_the_truth_as_often_as_it_says():
    # Own world: an instrument's error for all five takes, a reading error for each.
    rng = np.random.default_rng(3)
    held = {True: 0, False: 0}
    for _ in range(2000):
        off = rng.normal(0, 0.1)
        takes = [result("mass", 20 + off + e, math.hypot(0.1, 0.05))
                 for e in rng.normal(0, 0.05, 5)]  # fmt: skip
        for tied in held:
            given = [shared(t, {"scale: mass": 0.1} if tied else {}) for t in takes]
            low, high = combine("a", given).interval
            held[tied] += low <= 20 <= high
    # Two-sided: Clopper and Pearson's 99.9 % of 2000 at 0.95 is 0.932 to 0.965.
    assert 0.932 < held[True] / 2000 < 0.965
    assert held[False] / 2000 < 0.85


def test_one_instrument_goes_out_of_a_difference_as_far_as_it_is_judged_common():
    one = [Value("a", 20.0, 0.1, shared={"scale: mass": 0.1}),
           Value("b", 20.3, 0.1, shared={"scale: mass": 0.1})]  # fmt: skip
    other = [one[0], replace(one[1], shared={"another: mass": 0.1})]
    against = [one[0], replace(one[1], shared={"scale: mass": -0.1})]
    # F.1.2.3: u² = u1² + u2² - 2 r u1 u2, here with r = 1/2, 0 and -1/2.
    us = [differences(v)[0].u for v in (one, other, against)]
    assert us == pytest.approx([0.1, 0.1 * math.sqrt(2), 0.1 * math.sqrt(3)])


def test_what_is_the_cameras_own_stays_in_its_mean_and_in_differences():
    each = [shared(result("mass", 10.0, 0.1), {"camera-1: camera": 0.1})] * 4
    found = combine("a", each)
    assert found.u == pytest.approx(0.1)
    assert not found.shared


def test_a_bench_knows_which_results_one_instrument_is_in(tmp_path):
    bench = create_bench(tmp_path / "bench")
    for camera, grams in (("Dunlin", ("20.1", "20.3")), ("Turnstone", ("20.8",))):
        add_camera(bench, camera)
        for text in grams:
            add_take(
                bench, "body", camera, readings={"mass": [f"{text} g ± 0.2 g"], "width": ["30 mm"]},
                instruments={"mass": "kitchen scale"},
            )  # fmt: skip
    with ThreadPoolExecutor(1) as pool:
        run_bench(bench, executor=pool)
    stored = [r for r in list_results(bench) if r.result.measurand == "mass"]
    scales = {name for r in stored for name in r.result.shared}
    assert len(scales) == 1
    assert scales.pop().endswith(": mass")
    assert all(set(r.result.shared.values()) == {0.2} for r in stored)
    width = next(r.result for r in list_results(bench, measurand="width"))
    assert not width.shared, "no instrument is named for it"
    said = [r for o in list_outcomes(bench) for r in o.results if r.measurand == "mass"]
    assert [r.shared for r in said] == [r.result.shared for r in stored]
    # The two takes of one camera: the scale stays whole.
    assert like_sets([r.result for r in stored[:2]])[0][0].u >= 0.2


def test_the_part_of_an_instrument_is_signed_and_in_the_unit_of_the_result():
    # JCGM 100:2008, 5.1.3: the contribution of an input is c·u(x), and c has a sign.
    row = {"u": 0.1, "sensitivity": -2.0, "common": "distance"}
    assert shared_parts({"distance": "tape"}, 7, 0.2, [row]) == {"tape: distance": -0.2}


def test_the_tone_curve_of_a_camera_is_one_influence_in_all_its_takes():
    parts = (Tone().of_stops(1.0, 1.0, 0.5),)
    found = result("corner_shading", 1.0, budget=parts)
    told = shared_parts({}, 7, found.u, budget_rows(parts))
    assert told == {"camera-7: camera": pytest.approx(found.u)}
    takes = [replace(found, shared=told)] * 4
    assert combine("a", takes).u == pytest.approx(found.u)
