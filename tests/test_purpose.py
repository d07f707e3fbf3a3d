"""Purposes: desirability, TOML files with line numbers, Monte Carlo ranks."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seeworthy.ground.errors import NotFound, WrongCall
from seeworthy.ground.measurands import measurand
from seeworthy.judge.purpose.desirability import one_sided, overall, two_sided
from seeworthy.judge.purpose.library import find_purpose, shipped
from seeworthy.judge.purpose.model import Limit, Purpose, Wish, read_purpose
from seeworthy.judge.purpose.rank import Measure, key_of, limit_kept, rank


def wish(name, worst, best, weight=1.0, **kw):
    return Wish(measurand(name), weight, kw.pop("shape", 1.0), "a reason", worst=worst, best=best)


def limit(name, least=None, most=None):
    return Limit(measurand(name), least, most, "a reason")


def purpose(limits=(), wishes=()):
    return Purpose("test", "Test", "", tuple(limits), tuple(wishes))


# Geometry of the curves.


def test_one_sided_runs_from_worst_to_best_either_way():
    assert one_sided([5, 10, 15, 20, 25], 10, 20).tolist() == [0, 0, 0.5, 1, 1]
    assert one_sided([5, 10, 15, 20, 25], 20, 10).tolist() == [1, 1, 0.5, 0, 0]
    assert one_sided(15.0, 10, 20, 2.0) == 0.25


def test_two_sided_peaks_at_its_aim():
    assert two_sided([0, 5, 10, 20, 30], 0, 10, 30).tolist() == [0, 0.5, 1, 0.5, 0]


@pytest.mark.parametrize(
    ("d", "weights", "expected"),
    [
        # Arithmetic, desirability.csv.
        ((0.5, 0.8, 1.0), (1, 1, 1), 0.736806),
        ((0, 0.9, 1), (1, 1, 1), 0.0),
        ((0.7, 0.7, 0.7), (1, 1, 1), 0.7),
        ((0.5, 0.8, 1.0), (1, 2, 3), 0.827037),
    ],
)
def test_weighted_geometric_mean(d, weights, expected):
    assert overall(d, weights) == pytest.approx(expected, abs=5e-7)


# Published: Derringer and Suich (1980), tyre-tread compounds, at their optimum.
# y1 >= 120..170, y2 >= 1000..1300, y3 400..500..600, y4 60..67.5..75.


def test_derringer_and_suich_tyre_tread():
    d1 = one_sided(129.5, 120, 170)
    d2 = one_sided(1300, 1000, 1300)
    d3 = two_sided(465.7, 400, 500, 600)
    d4 = two_sided(68.0, 60, 67.5, 75)
    # The paper prints 0.189, 1.000, 0.656, 0.932 and D = 0.583 (values rounded there).
    assert float(d1) == pytest.approx(0.189, abs=2e-3)
    assert float(d2) == pytest.approx(1.0, abs=5e-4)
    assert float(d3) == pytest.approx(0.656, abs=2e-3)
    assert float(d4) == pytest.approx(0.932, abs=2e-3)
    assert float(overall([d1, d2, d3, d4], np.ones(4))) == pytest.approx(0.583, abs=2e-3)


def test_derringer_and_suich_refit_from_the_data(published):
    # A full quadratic fitted to the twenty runs in the paper's order, evaluated at its optimum.
    rows = published("desirability_data.csv")
    x = np.array([[float(r[k]) for k in ("x1", "x2", "x3_original_paper_order")] for r in rows])

    def design(p):
        a, b, c = p.T
        return np.stack([np.ones(len(p)), a, b, c, a * a, b * b, c * c, a * b, a * c, b * c], 1)

    at = design(np.array([[-0.050, 0.145, -0.868]]))
    y = [
        float(
            (at @ np.linalg.lstsq(design(x), np.array([float(r[k]) for r in rows]), rcond=None)[0])[
                0
            ]
        )
        for k in ("Y1", "Y2", "Y3", "Y4")
    ]
    d = [
        one_sided(y[0], 120, 170),
        one_sided(y[1], 1000, 1300),
        two_sided(y[2], 400, 500, 600),
        two_sided(y[3], 60, 67.5, 75),
    ]
    assert float(overall(d, np.ones(4))) == pytest.approx(0.583, abs=1e-3)


# Injected truth.


def test_ranks_follow_known_truth():
    want = purpose(wishes=[wish("readout_time", 30, 5)])
    cameras = {
        "slow": {"readout_time": Measure(25, 0.5)},
        "fast": {"readout_time": Measure(10, 0.5)},
        "middle": {"readout_time": Measure(18, 0.5)},
    }
    found = rank(want, cameras)
    assert [c.camera for c in found.cameras] == ["fast", "middle", "slow"]
    for place, camera in enumerate(found.cameras):
        assert camera.ranks[place] > 0.99
        assert sum(camera.ranks) == pytest.approx(1)


def test_equal_cameras_share_ranks():
    want = purpose(wishes=[wish("readout_time", 30, 5)])
    same = {"readout_time": Measure(15, 0.5)}
    found = rank(want, {"a": same, "b": same})
    assert found.cameras[0].ranks[0] == pytest.approx(0.5, abs=0.03)


def test_probability_of_rank_agrees_with_the_normal_difference():
    # P(a better than b) = Phi((b - a) / sqrt(ua² + ub²)), SciPy as independent computation.
    from scipy import stats

    want = purpose(wishes=[wish("readout_time", 100, 0)])
    found = rank(
        want,
        {"a": {"readout_time": Measure(49, 1.0)}, "b": {"readout_time": Measure(50, 1.5)}},
        draws=40_000,
    )
    a = next(c for c in found.cameras if c.camera == "a")
    assert a.ranks[0] == pytest.approx(stats.norm.cdf(1 / np.hypot(1, 1.5)), abs=0.01)


def test_a_missing_test_never_flatters():
    want = purpose(wishes=[wish("readout_time", 30, 5), wish("mtf50_centre", 0.1, 0.4)])
    full = {"readout_time": Measure(10, 0.3), "mtf50_centre": Measure(0.3, 0.01)}
    part = {"readout_time": Measure(10, 0.3)}
    found = {c.camera: c for c in rank(want, {"full": full, "part": part}).cameras}
    assert found["part"].score < found["full"].score
    width = [c.interval[1] - c.interval[0] for c in (found["part"], found["full"])]
    assert width[0] > width[1]


def test_leaving_out_a_bad_figure_does_not_pay():
    want = purpose(wishes=[wish("readout_time", 30, 5), wish("mtf50_centre", 0.1, 0.4)])
    good = {"readout_time": Measure(10, 0.3), "mtf50_centre": Measure(0.3, 0.01)}
    part = {"readout_time": Measure(10, 0.3)}
    found = rank(want, {"good": good, "part": part})
    assert found.cameras[0].camera == "good"


def test_a_broken_limit_is_out_and_says_why():
    want = purpose([limit("mass", most=40)], [wish("readout_time", 30, 5)])
    found = rank(
        want,
        {
            "heavy": {"mass": Measure(55, 0.1), "readout_time": Measure(6, 0.1)},
            "light": {"mass": Measure(20, 0.1), "readout_time": Measure(25, 0.1)},
        },
    )
    assert found.cameras[0].camera == "light"
    heavy = found.cameras[1]
    assert heavy.grade == "does not fit"
    assert heavy.limits[0].word == "broken"
    assert heavy.score == 0


def test_an_untested_limit_is_not_known():
    want = purpose([limit("mass", most=40)], [wish("readout_time", 30, 5)])
    found = rank(want, {"a": {"readout_time": Measure(6, 0.1)}})
    assert found.cameras[0].grade == "not known"
    assert found.cameras[0].limits[0].word == "not tested"


def test_the_next_test_is_the_one_that_could_change_the_choice():
    want = purpose(
        wishes=[wish("readout_time", 30, 5, 3.0), wish("corner_shading", 3, 0, 0.2)],
    )
    cameras = {
        "known": {"readout_time": Measure(20, 0.2), "corner_shading": Measure(1, 0.1)},
        "other": {"readout_time": Measure(19, 0.2), "corner_shading": Measure(1, 0.1)},
        "open": {"corner_shading": Measure(1, 0.1)},
    }
    found = rank(want, cameras)
    assert found.next_tests[0].camera == "open"
    assert found.next_tests[0].measurand == "readout_time"


def test_limit_kept_is_a_probability():
    assert limit_kept(limit("mass", most=40), Measure(40, 1)) == pytest.approx(0.5)
    assert limit_kept(limit("mass", least=10, most=40), Measure(20, 1)) == pytest.approx(1)


def test_like_conditions_have_their_own_key():
    plain = wish("snr_18", 10, 40)
    lit = Wish(measurand("snr_18"), 1, 1, "why", worst=10, best=40, where={"light": 500.0})
    assert key_of(plain) != key_of(lit)


# Files.


def test_every_shipped_purpose_gives_reasons():
    found = shipped()
    assert len(found) >= 6
    for item in found.values():
        assert item.title
        assert item.about
        assert all(len(x.why) > 10 for x in (*item.limits, *item.wishes))


GOOD = """title = "Test"
[[limit]]
measurand = "mass"
most = "1 oz"
why = "the kite"

[[wish]]
measurand = "felt_peak"
worst = "100 g"
best = "10 g"
why = "loads"
"""


def test_quantities_are_converted_to_the_unit_of_the_measurand():
    found = read_purpose(GOOD, "test")
    # NIST SP 811: 1 oz (avoirdupois) = 28.349523125 g, exact.
    assert found.limits[0].most == pytest.approx(28.349523125)
    assert found.wishes[0].worst == pytest.approx(100)


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (('measurand = "mass"', 'measurand = "weight"'), 3, "no measurand 'weight'"),
        (('most = "1 oz"', 'most = "1 m"'), 4, "cannot be"),
        (('most = "1 oz"', 'most = "40 g"\nleast = "50 g"'), 2, "at least 50 and at most 40"),
        (('why = "the kite"', ""), 2, "no reason"),
        (('worst = "100 g"', 'wurst = "100 g"'), 9, "'wurst' has no meaning"),
        (('best = "10 g"', 'best = "100 g"'), 7, "are the same"),
        (('best = "10 g"', ""), 7, "either worst and best, or low, aim and high"),
        (('title = "Test"', 'title = "Test'), 1, "not TOML"),
        (('why = "loads"', 'why = "loads"\nweight = -1'), 12, "above zero"),
    ],
)
def test_a_wrong_file_gets_a_line_and_a_reason(change, line, words):
    with pytest.raises(WrongCall) as caught:
        read_purpose(GOOD.replace(*change), "test")
    assert f"line {line}:" in caught.value.message
    if words != "cannot be":
        assert words in caught.value.message


def test_two_limits_that_no_camera_can_keep():
    text = GOOD + '\n[[limit]]\nmeasurand = "mass"\nleast = "60 g"\nwhy = "wind"\n'
    with pytest.raises(WrongCall, match="no camera can keep both"):
        read_purpose(text, "test")


def test_an_unknown_purpose_names_the_known_ones():
    with pytest.raises(NotFound) as caught:
        find_purpose("submarine")
    assert "kite-picture" in caught.value.hint


def test_own_purposes_come_before_shipped_ones(tmp_path):
    (tmp_path / "kite-picture.toml").write_text(GOOD)
    assert find_purpose("kite-picture", tmp_path).title == "Test"


def test_what_nobody_tested_comes_first_nowhere():
    want = purpose([limit("mass", most=40)], [wish("readout_time", 30, 5)])
    open_ = {"readout_time": Measure(6, 0.1)}  # better, but its hard limit is untested
    poor = {"mass": Measure(20, 0.1), "readout_time": Measure(27, 0.1)}
    found = rank(want, {"open": open_, "poor": poor})
    assert [c.camera for c in found.cameras] == ["poor", "open"]
    assert found.cameras[0].ranks[0] == 1.0


def test_the_order_is_that_of_the_ranks():
    # Better on the average, but the other one is first more often.
    want = purpose(wishes=[wish("readout_time", 100, 0)])
    steady = {"readout_time": Measure(50, 0.1)}
    split = {"readout_time": Measure(51, 30.0, ends=(-2000.0, 52.0))}
    found = rank(want, {"split": split, "steady": steady})
    firsts = [c.ranks[0] for c in found.cameras]
    assert firsts == sorted(firsts, reverse=True)


def test_a_score_does_not_change_with_the_company():
    want = purpose(
        [limit("mass", most=40)], [wish("readout_time", 30, 5), wish("mtf50_centre", 0.1, 0.4)]
    )
    part = {"readout_time": Measure(10, 3.0)}
    other = {"readout_time": Measure(10, 0.3), "mtf50_centre": Measure(0.35, 0.01)}
    alone = rank(want, {"part": part}).cameras[0]
    both = {c.camera: c for c in rank(want, {"other": other, "part": part}).cameras}["part"]
    assert (alone.score, alone.interval) == (both.score, both.interval)


def test_the_documented_rule_gives_the_score():
    # docs/suit.md, worked by hand: d1 = (30-12)/(30-5) = 0.72, weight 2; d2 = (0.25-0.1)/0.3.
    want = purpose(wishes=[wish("readout_time", 30, 5, 2.0), wish("mtf50_centre", 0.1, 0.4, 1.0)])
    sure = {"readout_time": Measure(12, 1e-9), "mtf50_centre": Measure(0.25, 1e-9)}
    by_hand = math.exp((2 * math.log(0.72) + math.log(0.5)) / 3)
    assert rank(want, {"a": sure}).cameras[0].score == pytest.approx(by_hand, abs=1e-6)
    # Untested: d2 evenly between 0 and 0.5, mean of its cube root 0.5^(1/3) 3/4.
    half = rank(want, {"a": {"readout_time": Measure(12, 1e-9)}}).cameras[0]
    by_hand = 0.72 ** (2 / 3) * 0.75 * 0.5 ** (1 / 3)
    assert half.score == pytest.approx(by_hand, abs=0.005)
