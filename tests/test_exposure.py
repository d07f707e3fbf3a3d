"""Exposure time from a passing edge, and adaptation to a step of light."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy.stats import norm

from seeworthy.cli.main import run
from seeworthy.ground.errors import CannotMeasure
from seeworthy.observe.edge_passes import BIN, find_lines
from seeworthy.procedures.exposure.measure import boxed, profile_integral
from seeworthy.procedures.exposure.study import measure
from seeworthy.virtual.exposure import Adapting, PassingCard, film_card, film_step, steady
from seeworthy.virtual.sensor import RollingCamera

SMALL = {"width": 480, "height": 270}


def pair(folder, exposure=1 / 60, speed=700.0, **changed):
    """Film a card at rest and passing; return both paths."""
    how = {"tilt": 0.04, "width": 160.0, **changed}
    camera = RollingCamera(**SMALL, exposure=exposure, readout_time=0.02)
    moves = steady(240 - speed * 0.4, speed)
    film_card(folder / "moving.mp4", PassingCard(moves, **how), camera, 24)
    film_card(folder / "rest.mp4", PassingCard(steady(240, 0), **{**how, "seed": 9}), camera, 8)
    return folder / "moving.mp4", folder / "rest.mp4"


@pytest.fixture(scope="module")
def passing(tmp_path_factory):
    """One pair for the tests that only need some moving and some resting edge."""
    return pair(tmp_path_factory.mktemp("pair"))


def step(folder, made, seconds, name="step.mp4"):
    film_step(folder / name, made, RollingCamera(width=160, height=90), seconds, bit_rate=800_000)
    return folder / name


# Geometry.


def test_an_edge_at_rest_averaged_over_a_box_is_a_ramp():
    at = np.arange(-40, 40 + BIN, BIN)
    light = (at > 0).astype(float)
    ramp = boxed(profile_integral(at, light), 8.0, np.array([-6.0, -4.0, -2.0, 0.0, 2.0, 4.0, 6.0]))
    assert ramp == pytest.approx([0, 0, 0.25, 0.5, 0.75, 1, 1], abs=0.02)


def test_a_box_of_a_gaussian_edge_has_no_blur_of_its_own():
    # Variances add: that of the box is length² / 12, that of the edge sigma² (probability theory).
    at = np.arange(-40, 40 + BIN, BIN)
    total = profile_integral(at, norm.cdf(at / 0.6))
    slope = np.gradient(boxed(total, 1.5, at), BIN)
    # A central difference is itself a box, two steps long.
    variance = np.sum(slope * at**2) / np.sum(slope) - (2 * BIN) ** 2 / 12
    assert variance == pytest.approx(0.6**2 + 1.5**2 / 12, abs=0.001)


@pytest.mark.parametrize("sign", [1, -1])
def test_edges_are_found_to_a_twentieth_of_a_pixel_in_spite_of_lean(sign):
    rows = np.linspace(-150.0, 150.0, 32)
    x = np.arange(400.0)
    bands = [0.3 + sign * 0.2 * np.tanh((x - 203.3 - 0.07 * r) / 1.2) for r in rows]
    (line,) = find_lines(np.array(bands, np.float32), rows)
    assert line.sign == sign
    assert line.x == pytest.approx(203.3, abs=0.05)
    assert line.lean[-2] == pytest.approx(0.07, abs=0.001)
    assert (line.low, line.high) == pytest.approx((0.1, 0.5), abs=0.005)


# Injected truth.


def test_bars_that_lean_otherwise_in_motion_come_out_neither_short_nor_long(tmp_path):
    # 4° off the upright, and a shutter that adds or takes away 3.6° in motion.
    tilt, exposure, found = math.tan(math.radians(4)), 0.00266, []
    camera = RollingCamera(**SMALL, exposure=exposure, readout_time=0.03, psf=0.55)
    for speed in (560.0, -560.0):
        moves = steady(240 - speed * 0.4, speed)
        for name, place, frames in (("moving", moves, 24), ("rest", steady(231.3, 0), 8)):
            card = PassingCard(place, width=160.0, tilt=tilt, seed=frames)
            film_card(tmp_path / f"{name}.mp4", card, camera, frames, bit_rate=40_000_000)
        found.append(measure(tmp_path / "moving.mp4", tmp_path / "rest.mp4").results[0].value)
    assert found == pytest.approx([1000 * exposure] * 2, rel=0.03)
    assert found[0] == pytest.approx(found[1], rel=0.015)


@pytest.mark.parametrize(("exposure", "speed"), [(1 / 30, 500.0), (1 / 100, -700.0)])
def test_exposure_time_within_a_twentieth(tmp_path, exposure, speed):
    said = measure(*pair(tmp_path, exposure, speed))
    (found,) = said.results
    assert found.value == pytest.approx(1000 * exposure, rel=0.05)
    assert found.interval[0] < 1000 * exposure < found.interval[1]
    assert said.findings["image_speed_px_s"] == pytest.approx(abs(speed), rel=0.01)
    assert [p.name for p in said.pictures] == ["moving_edge.png"]
    assert [f.name for f in said.figures] == ["edge_profile"]


@pytest.mark.slow
def test_shortest_exposure_asked_for(tmp_path):
    (found,) = measure(*pair(tmp_path, 1 / 250, 1000.0)).results
    assert found.value == pytest.approx(4.0, rel=0.1)


def test_blur_under_the_lens_s_own_is_an_upper_bound(tmp_path):
    said = measure(*pair(tmp_path, 1 / 1500, 500.0))
    (found,) = said.results
    assert found.conditions["bound"] == "upper"
    assert found.interval[0] == 0
    assert 1000 / 1500 < found.interval[1] < 5
    assert any("upper bound" in w for w in said.warnings)


@pytest.mark.parametrize(
    ("before", "after", "way"), [(1.0, 3.0, "dark to bright"), (3.0, 1.0, "bright to dark")]
)
def test_adaptation_within_a_tenth(tmp_path, before, after, way):
    made = Adapting(0.35, 0.1, before, after, 0.12)
    (found,) = measure(step(tmp_path, made, 5.0)).results
    assert found.conditions["step"] == way
    assert found.value == pytest.approx(made.settling(), rel=0.1)
    assert found.interval[0] < made.settling() < found.interval[1]


def test_a_clipped_step_is_an_upper_bound(tmp_path):
    made = Adapting(0.35, 0.1, 1.0, 40.0, 0.25)
    said = measure(step(tmp_path, made, 5.5))
    (found,) = said.results
    assert found.conditions["bound"] == "upper"
    assert found.interval[0] == 0
    assert made.settling() < found.interval[1] < 2.0  # reached 90 % of what was seen


def test_both_from_two_clips(passing, tmp_path):
    from seeworthy.media.source import Source
    from seeworthy.procedures.declare import Inputs
    from seeworthy.procedures.exposure import PROCEDURE

    moving, rest = passing
    light = step(tmp_path, Adapting(0.2, 0.0, 1.0, 2.5, 0.12), 3.5)
    files = {"": (Source.of(moving), Source.of(light)), "rest": (Source.of(rest),)}
    said = PROCEDURE.run(Inputs(files))
    assert [r.measurand for r in said.results] == ["exposure_time", "adaptation_time"]
    assert said.results[0].value == pytest.approx(1000 / 60, rel=0.05)


# Bad input.


def test_no_step_is_refused(tmp_path, capsys):
    path = step(tmp_path, Adapting(0.3, 0.0, 1.0, 1.0, 0.15), 2.0)
    assert run(["measure", "exposure", str(path), "--json"]) == 3
    said = json.loads(capsys.readouterr().out)["error"]
    assert "No sudden step" in said["message"]
    assert "rest=" in said["hint"]


def test_a_clip_that_ends_at_98_percent_is_answered_by_a_curve(tmp_path):
    made = Adapting(0.4, 0.1, 1.0, 3.0, 0.12)
    (found,) = measure(step(tmp_path, made, 1.0 + 0.1 + 4 * 0.4)).results
    # ln 9 times the time constant: 10 to 90 % of an exponential, by arithmetic.
    assert found.interval[0] < 0.4 * math.log(9) < found.interval[1]
    assert found.value == pytest.approx(0.4 * math.log(9), rel=0.1)


def test_the_way_is_counted_in_stops_and_linear_light_is_a_finding(tmp_path):
    made = Adapting(0.4, 0.1, 1.0, 4.0, 0.12)
    said = measure(step(tmp_path, made, 5.0))
    assert said.results[0].conditions["size"] == "about 2 stops"
    # Down from four times the light, linear light falls early: by arithmetic, level 4^exp(-t/tau)
    # is 3.7 at tau times 0.058 and 1.3 at tau times 1.665.
    assert said.findings["adaptation_time_linear_s"] == [pytest.approx(0.643, rel=0.1)]


def test_a_clip_that_ends_before_it_settled_is_refused(tmp_path):
    with pytest.raises(CannotMeasure, match="settled"):
        measure(step(tmp_path, Adapting(1.0, 0.0, 1.0, 3.0, 0.12), 2.2))


def test_a_passing_card_is_no_step_of_light(passing):
    with pytest.raises(CannotMeasure):
        measure(passing[0])


def test_an_edge_that_moves_in_the_clip_at_rest_is_refused(passing):
    with pytest.raises(CannotMeasure, match="stands still"):
        measure(passing[0], passing[0])


def test_a_clip_in_which_nothing_moves_is_refused(passing):
    _, rest = passing
    with pytest.raises(CannotMeasure, match="No upright edge was seen to move"):
        measure(rest, rest)


def test_an_edge_exactly_upright_at_rest_is_refused(tmp_path):
    with pytest.raises(CannotMeasure, match="exactly upright"):
        measure(*pair(tmp_path, tilt=0.0))


def test_an_edge_that_the_shutter_sets_upright_in_motion_is_measured(tmp_path):
    # Lean by the shutter: 700 px/s times 20 ms over 270 rows, against the tilt.
    (found,) = measure(*pair(tmp_path, tilt=-0.0519)).results
    assert found.value == pytest.approx(1000 / 60, rel=0.05)


def test_a_clipped_wall_is_refused(tmp_path):
    with pytest.raises(CannotMeasure, match="clipped"):
        measure(*pair(tmp_path, wall=1.3))


def test_three_clips_are_a_wrong_call(passing, capsys):
    assert run(["measure", "exposure", *[str(passing[1])] * 3, "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["error"]["kind"] == "wrong-call"
