"""Survival: changes with intervals, Holm, the bound of failure, broken files."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from seeworthy.engine.measure import measure
from seeworthy.ground.errors import CannotMeasure, UnreadableInput, WrongCall
from seeworthy.ground.statistics import failure_bound
from seeworthy.procedures.sharpness.study import film_edges
from seeworthy.procedures.survival.measure import Figure, change, judge
from seeworthy.virtual.optics import Blur


def same(value=0.3, u=0.002, n=1):
    return [Figure(value, u)] * n


# Arithmetic.


def test_a_ratio_and_its_interval():
    found = change("sharpness", same(0.30), same(0.27))
    assert found.value == pytest.approx(0.9)
    # 2 % for setting up each time, 0.67 % and 0.74 % of the readings.
    spread = np.sqrt(2 * 0.02**2 + (0.002 / 0.30) ** 2 + (0.002 / 0.27) ** 2)
    assert found.interval[0] == pytest.approx(0.9 * np.exp(-stats.norm.ppf(0.975) * spread))
    assert found.p == pytest.approx(2 * stats.norm.sf(abs(np.log(0.9)) / spread))


def test_timing_changes_in_ppm():
    found = change("timing", [Figure(30.0, 1e-5)], [Figure(30.003, 1e-5)])
    assert found.value == pytest.approx(100, rel=1e-6)
    assert found.interval[0] < 100 < found.interval[1]


@pytest.mark.parametrize(("flights", "bound"), [(1, 0.95), (10, 0.2589), (30, 0.0950)])
def test_the_bound_is_clopper_pearson(flights, bound):
    # One-sided: 1 - 0.05^(1/n); near 3/n for many (Hanley and Lippman-Hand 1983).
    found = judge({"sharpness": same()}, {"sharpness": same()}, flights)
    assert found.bound == pytest.approx(bound, abs=1e-4)
    assert found.bound == pytest.approx(1 - 0.05 ** (1 / flights))
    assert failure_bound(0, flights) == pytest.approx(stats.beta.ppf(0.95, 1, flights))


# Verdicts.


def test_unchanged_is_survived():
    found = judge({"sharpness": same(), "timing": [Figure(30, 1e-4)]},
                  {"sharpness": same(0.301), "timing": [Figure(30.0001, 1e-4)]}, 3)  # fmt: skip
    assert found.verdict == "yes"


def test_a_softer_lens_is_not():
    found = judge({"sharpness": same(0.3)}, {"sharpness": same(0.2)}, 1)
    assert found.verdict == "no"
    assert found.bound is None


def test_wide_intervals_cannot_tell():
    found = judge({"sharpness": same(0.3, 0.05)}, {"sharpness": same(0.29, 0.05)}, 1)
    assert found.verdict == "cannot tell"


def test_a_broken_file_is_a_failure():
    found = judge({"sharpness": same()}, {"sharpness": same()}, 1, broken_files=1)
    assert found.verdict == "no"


def test_nothing_in_common_is_refused():
    with pytest.raises(CannotMeasure, match="both before and after"):
        judge({"sharpness": same()}, {"timing": same()}, 1)


def test_no_change_is_rarely_called_one():
    rng = np.random.default_rng(2)
    wrong = 0
    for _ in range(400):
        a, b = 0.3 * np.exp(rng.normal(0, np.hypot(0.02, 0.01), 2))
        c, d = 1.1 * np.exp(rng.normal(0, np.hypot(0.02, 0.01), 2))
        found = judge(
            {"sharpness": [Figure(a, 0.003)], "decentring": [Figure(c, 0.011)]},
            {"sharpness": [Figure(b, 0.003)], "decentring": [Figure(d, 0.011)]},
            1,
        )
        wrong += any(x.changed for x in found.changes)
    assert wrong / 400 <= 0.08


# Through clips.


@pytest.fixture(scope="module")
def clips(tmp_path_factory):
    folder = tmp_path_factory.mktemp("flight")
    for name, blur, seed in (
        ("before", Blur(0.7), 1),
        ("after", Blur(0.7), 2),
        ("knocked", Blur(0.7, (0.7, 1.5, 0.7, 0.9)), 3),
    ):
        film_edges(folder / f"{name}.mp4", blur, np.random.default_rng(seed))
    return folder


def run(clips, after, flights="4"):
    return measure(
        "survival", roles={"before": [clips / "before.mp4"], "after": [after]},
        readings={"flights": [flights]},
    ).outcome  # fmt: skip


def test_a_camera_that_survived(clips):
    outcome = run(clips, clips / "after.mp4")
    assert outcome.findings["survived"] == "yes"
    found = {r.measurand: r for r in outcome.results}
    assert found["sharpness_change"].interval[0] < 1 < found["sharpness_change"].interval[1]
    assert found["flights_survived"].value == 4
    assert found["failure_bound"].value == pytest.approx(1 - 0.05**0.25)
    assert "not rated" in outcome.sentence


def test_a_knocked_lens_is_found(clips):
    outcome = run(clips, clips / "knocked.mp4")
    assert outcome.findings["survived"] == "no"
    assert "decentring" in outcome.findings["changed"]
    assert not [r for r in outcome.results if r.measurand == "failure_bound"]


def test_a_file_cut_by_the_landing(clips, tmp_path):
    data = (clips / "after.mp4").read_bytes()
    cut = tmp_path / "cut.mp4"
    cut.write_bytes(data[: data.rfind(b"moov") - 4])
    outcome = run(clips, cut)
    assert outcome.findings["survived"] == "no"
    assert outcome.findings["files_broken_after"] == 1


def test_a_broken_file_before_is_the_users_mistake(clips, tmp_path):
    bad = tmp_path / "bad.mp4"
    bad.write_text("text " * 100)
    with pytest.raises(UnreadableInput):
        measure("survival", roles={"before": [bad], "after": [clips / "after.mp4"]})


@pytest.mark.parametrize("flights", ["2.5", "0.4"])
def test_flights_are_whole(clips, flights):
    with pytest.raises(WrongCall, match="whole number"):
        run(clips, clips / "after.mp4", flights)
