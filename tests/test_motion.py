"""Rotation of a craft from its clip: geometry first, then a rendered flight, then bad input."""

from __future__ import annotations

import datetime as dt
import math
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from seeworthy.ground.errors import BadQuantity, CannotMeasure, WrongCall
from seeworthy.ground.results import result
from seeworthy.judge.compare.comparison import compare_results
from seeworthy.judge.plan.flight import read_flight
from seeworthy.judge.plan.from_clip import flight_from_clip
from seeworthy.observe.motion_flow import flow_of
from seeworthy.observe.motion_tracks import FramePair, MotionWatch
from seeworthy.optics.turning import Shape, solve
from seeworthy.procedures.gyro.align import Gyro, align
from seeworthy.procedures.motion.measure import RotationRates, measure_rates, rms
from seeworthy.procedures.motion.rhythm import swing, vibration
from seeworthy.procedures.study import measured
from seeworthy.virtual.flight_view import Eye, Wave, film, fly, log_rows
from telling import says_its_budget


def _pair(lens, rate, dt=1 / 30, n=80, seed=0):
    """Points of a far scene before and after a rotation, by Rodrigues' formula of OpenCV."""
    rng = np.random.default_rng(seed)
    px = rng.uniform((20, 20), (lens.width - 20, lens.height - 20), (n, 2))
    turn, _ = cv2.Rodrigues(-np.asarray(rate) * dt)
    after = lens.project(lens.rays(px) @ turn.T)
    return FramePair(1, 0.0, dt, np.hstack([px, after]).astype(np.float32))


@pytest.mark.parametrize("k", [-0.12, 0.0, 0.25, 1.0])
def test_rays_and_pixels_are_each_others_inverse(k):
    lens = Shape.of_view(math.radians(85), k, 640, 360)
    px = np.random.default_rng(1).uniform((0, 0), (639, 359), (200, 2))
    assert np.allclose(lens.project(lens.rays(px)), px, atol=1e-6)
    assert math.degrees(lens.hfov) == pytest.approx(85, abs=1e-6)
    edge = lens.rays(np.array([[-0.5, 179.5], [639.5, 179.5]]))
    assert math.degrees(math.acos(edge[0] @ edge[1])) == pytest.approx(85, abs=1e-4)


def test_a_straight_lens_is_the_pinhole_of_every_textbook():
    lens = Shape.of_view(math.radians(60), 1.0, 640, 360)
    focal = 320 / math.tan(math.radians(30))  # w / (2 tan(view / 2))
    assert lens.focal == pytest.approx(focal)
    ray = lens.rays(np.array([[500.0, 100.0]]))[0]
    assert ray[0] / ray[2] == pytest.approx((500 - 319.5) / focal)


@pytest.mark.parametrize("rate", [(0.2, 0, 0), (0, -0.3, 0), (0, 0, 0.5), (0.1, 0.2, -0.3)])
def test_a_rotation_comes_back_with_its_signs(rate):
    lens = Shape.of_view(math.radians(70), 1.0, 640, 360)
    found = solve(flow_of([_pair(lens, rate)], lens, 640, 360))
    assert np.allclose(found.rate[0], rate, atol=2e-4)
    # Yaw to the right moves the scene to the left.
    if rate[1] > 0.1:
        points = _pair(lens, (0, rate[1], 0)).points
        assert np.median(points[:, 2] - points[:, 0]) < 0


def test_what_moves_by_itself_is_left_out():
    lens = Shape.of_view(math.radians(70), 1.0, 640, 360)
    pair = _pair(lens, (0.1, 0.2, 0.0))
    pair.points[:24, 2:] += (9, -4)  # three tenths of the points are birds
    found = solve(flow_of([pair], lens, 640, 360))
    assert np.allclose(found.rate[0], (0.1, 0.2, 0.0), atol=2e-3)


def test_noise_of_the_tracking_is_taken_out_of_the_rms():
    rng = np.random.default_rng(5)
    t = np.arange(900) / 30
    true = 0.05 * np.sqrt(2) * np.sin(2 * np.pi * 0.5 * t)
    rate = np.stack([true + 0.03 * rng.standard_normal(900)] * 3, axis=1)
    rates = RotationRates(t, rate, np.full((900, 3), 0.03**2), 1 / 30, (), 1.0, 60.0)
    found = rms(rates, 0)
    assert found.value == pytest.approx(math.degrees(0.05), abs=2.5 * found.u)
    assert found.u < 0.3


def test_places_that_show_noise_alone_are_not_followed():
    rng = np.random.default_rng(2)
    ground = cv2.GaussianBlur(rng.standard_normal((240, 420)), (0, 0), 2.5) * 300
    watch = MotionWatch()
    watch.begin(SimpleNamespace(width=400, height=240, rotation=0, bits=8))
    for i in range(8):
        frame = 120 + 14 * rng.standard_normal((240, 400))  # noise that is new in every frame
        frame[:, :200] = 120 + ground[:, 2 * i : 2 * i + 200] + rng.standard_normal((240, 200))
        luma = np.clip(frame, 0, 255).astype(np.uint8)
        watch.frame(SimpleNamespace(corrupt=False, seconds=i / 30, luma=luma, index=i))
    followed = np.concatenate([pair.points for pair in watch.pairs])
    left = followed[followed[:, 0] < 180]
    assert len(left) > 7 * 20
    assert np.median(left[:, 2] - left[:, 0]) == pytest.approx(-2, abs=0.02)
    assert (followed[:, 0] > 215).sum() < 0.05 * len(left)


def test_pairs_that_were_hardly_followed_do_not_make_the_rms():
    lens = Shape.of_view(math.radians(70), 1.0, 640, 360)
    rng = np.random.default_rng(4)
    pairs = []
    for i in range(90):
        one = _pair(lens, (0.1, 0.2, 0.05), seed=i)
        points = one.points + rng.normal(0, 0.05, one.points.shape).astype(np.float32)
        if i % 10 == 0:  # every tenth frame: nine points that go their own ways
            points = points[:9] + rng.normal(0, 20, (9, 4)).astype(np.float32)
        pairs.append(FramePair(i + 1, i / 30, (i + 1) / 30, points))
    rates = measure_rates(pairs, [lens], 0.0, 640, 360, [0.0])
    assert rates.followed > 0.85
    for axis, true in enumerate((0.1, 0.2, 0.05)):
        found = rms(rates, axis)
        assert found.value == pytest.approx(math.degrees(true), abs=3 * found.u + 0.02)
        assert found.u < 0.5


def test_a_flight_past_near_ground_widens_what_is_said_of_turning():
    # By geometry: level flight at 8 m/s, 30 m over flat ground, seen 40 degrees downwards.
    lens, down = Shape.of_view(math.radians(70), 1.0, 640, 360), math.radians(40)
    normal = np.array([0.0, math.cos(down), math.sin(down)])  # ground ray · normal > 0
    ahead = np.array([0.0, -math.sin(down), math.cos(down)]) * 8 / 30

    def flown(speed, turn):
        pairs = []
        for i in range(60):
            px = np.random.default_rng(i).uniform((20, 40), (620, 340), (80, 2))
            rays = lens.rays(px)
            near = rays - speed * ahead / 30 * (rays @ normal)[:, None]
            back, _ = cv2.Rodrigues(-np.asarray(turn) / 30)
            points = np.hstack([px, lens.project(near @ back.T)]).astype(np.float32)
            pairs.append(FramePair(i + 1, i / 30, (i + 1) / 30, points))
        rates = measure_rates(pairs, [lens], 0.0, 640, 360, [0.0])
        return [rms(rates, axis) for axis in range(3)]

    true = np.degrees((0.1, 0.05, 0.02))
    near, far = flown(1.0, np.radians(true)), flown(0.0, np.radians(true))
    for axis in range(3):
        assert far[axis].value == pytest.approx(true[axis], rel=0.01)
        assert near[axis].value == pytest.approx(true[axis], abs=2 * near[axis].u)
    assert near[0].value > 2 * true[0]  # the way passes for pitch …
    assert near[0].u > 5 * far[0].u  # … and is not said to be pitch


def test_noise_alone_does_not_swing():
    rng = np.random.default_rng(6)
    t = np.arange(900) / 30
    wrong = sum(swing(t, rng.standard_normal((900, 3)), 1 / 30) is not None for _ in range(40))
    assert wrong <= 1


@pytest.mark.parametrize("hertz", [42.7, 69.5])
def test_a_vibration_is_not_taken_for_one_that_even_bands_of_rows_show_alike(hertz):
    # Six bands of a read-out of 20 ms are 3.33 ms apart, so that 300 Hz more look the same; a
    # row time that is 1.5 % off made the false one fit better.
    rng = np.random.default_rng(3)
    lens, row = Shape.of_view(math.radians(70), 1.0, 320, 180), 0.02 / 180
    turned = math.radians(0.08)

    def pitch(t):
        return lens.focal * turned * np.sin(2 * np.pi * hertz * t)

    pairs = []
    for i in range(300):
        x, y = rng.uniform(20, 300, 90), rng.uniform(10, 170, 90)
        start, end = i / 30 + row * (y - 90), (i + 1) / 30 + row * (y - 90)
        down = pitch(end) - pitch(start) + 0.05 * rng.standard_normal(90)
        points = np.column_stack([x, y, x + 0.05 * rng.standard_normal(90), y + down])
        pairs.append(FramePair(i + 1, i / 30, (i + 1) / 30, points.astype(np.float32)))
    found = vibration(pairs, lens, 320, 180, row_time=1.015 * row, interval=1 / 30)
    assert found.frequency == pytest.approx(hertz, abs=0.15)
    assert found.amplitude == pytest.approx(0.08, abs=2.5 * found.u_amplitude)
    assert found.u_amplitude < 0.03


def test_a_clip_is_found_in_a_log_and_the_axes_with_it():
    rng = np.random.default_rng(8)
    flight = fly(20.0, (Wave(1, 4, 0.7), Wave(0, 3, 1.1)), 6.0, rng)
    t = flight.start + np.arange(0, 20, 0.005)
    axes = np.array([[0, 0, 1], [1, 0, 0], [0, 1, 0.0]])  # logger's x is the camera's z
    rate = flight.rate[np.round((t - flight.start) * 1000).astype(int)] @ axes.T
    frames = np.arange(5, 14, 1 / 30)
    picture = flight.mean_rate(frames - 1 / 60, frames + 1 / 60)
    found = align(frames, picture, 1 / 30, Gyro(t + 1.234, rate))
    assert found.offset == pytest.approx(1.234, abs=2e-3)
    assert np.allclose(found.axes, axes.T, atol=0.02)
    assert found.scale == pytest.approx(1.0, abs=0.02)


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    folder = tmp_path_factory.mktemp("flown")
    rng = np.random.default_rng(20)
    waves = (Wave(0, 3, 0.5), Wave(1, 4, 0.8, 1.0), Wave(2, 3, 0.6, 2.0))
    flight = fly(7.0, waves, 5.0, rng)
    eye = Eye(readout=0.02)
    film(folder / "clip.mp4", eye, flight, 7.0, rng)
    log = log_rows(flight, np.array([[0, 1, 0], [0, 0, 1], [1, 0, 0.0]]), 0.75, 200, 0.3, rng)
    (folder / "log.csv").write_text(log, "utf-8")
    return folder, eye, flight


def test_the_rotation_of_a_rendered_flight_is_that_which_was_flown(flown):
    folder, _, flight = flown
    readings = {"hfov": ["63 deg ± 0.2 deg"], "readout_time": ["20 ms ± 0.3 ms"]}
    outcome = measured("motion", [folder / "clip.mp4"], readings, {"lens": ["straight"]})
    frames = np.arange(210) / 30
    real = np.degrees(flight.mean_rate(frames[:-1], frames[1:]))
    sizes = {r.conditions["axis"]: r for r in outcome.results if r.measurand == "rotation_rms"}
    for i, axis in enumerate(("pitch", "yaw", "roll")):
        rms_ = float(np.sqrt((real[:, i] ** 2).mean()))
        assert sizes[axis].value == pytest.approx(rms_, rel=0.03)
    assert outcome.results[0].measurand == "unrest"
    says_its_budget(outcome)
    assert {f.name for f in outcome.figures} == {"rotation", "rotation_spectrum"}


def test_clip_and_log_give_view_offset_and_read_out(flown):
    folder, eye, _ = flown
    outcome = measured("gyro", {"": [folder / "clip.mp4"], "log": [folder / "log.csv"]})
    found = {r.measurand: r for r in outcome.results}
    assert found["focal_length"].value == pytest.approx(eye.focal, rel=0.02)
    assert found["hfov"].value == pytest.approx(63, rel=0.02)
    assert found["gyro_offset"].value == pytest.approx(750, abs=3)
    assert found["readout_time"].value == pytest.approx(20, abs=3)
    assert outcome.findings["rows_read"] == "top to bottom"
    says_its_budget(outcome)


def test_wrong_input_is_told_with_what_to_do(flown, tmp_path):
    folder, _, _ = flown
    clip = folder / "clip.mp4"
    with pytest.raises(WrongCall, match="hfov"):
        measured("motion", [clip])
    with pytest.raises(BadQuantity, match="view"):
        measured("motion", [clip], {"hfov": ["179 deg"]})
    log = tmp_path / "log.csv"
    log.write_text("time (s),gx (deg/s),height (m)\n" + "".join(
        f"{i / 100},{i % 7},{i % 5}\n" for i in range(500)
    ), "utf-8")  # fmt: skip
    with pytest.raises(CannotMeasure, match="three are needed"):
        measured("gyro", {"": [clip], "log": [log]})


def test_a_plan_takes_its_swing_from_the_clip(flown):
    folder, _, _ = flown
    base = read_flight(
        '[motion]\nspeed = "12 m/s"\nswing = "20 deg"\nswing_period = "9 s"\n', "test"
    )
    plan = flight_from_clip(folder / "clip.mp4", "63 deg ± 0.2 deg", "20 ms", base)
    assert plan.given["motion.speed"].value == pytest.approx(12)
    swung = plan.get("motion.swing")
    # The guess is gone: what the clip shows stands there, or nothing.
    assert swung is None or swung.value < 8
    with pytest.raises(WrongCall, match="view"):
        flight_from_clip(folder / "clip.mp4", "")


def test_two_mounts_are_compared_flight_for_flight():
    def taken(number, mount, value):
        conditions = {"mount": mount} if mount else {}
        return SimpleNamespace(
            camera="Knot", unit="1", firmware="", procedure="motion",
            taken=dt.date(2024, 5, number),
            take_id=number, files=(f"{number}",), evidence=(f"{number}",),
            result=result("unrest", value, 0.4, conditions=conditions),
        )  # fmt: skip

    takes = [
        taken(1, "pendulum", 9.0), taken(2, "pendulum", 9.6), taken(3, "cross lines", 4.1),
        taken(4, "cross lines", 4.6), taken(5, "", 20.0),
    ]  # fmt: skip
    found = compare_results(takes, "mount")
    assert set(found.subjects) == {"Knot, pendulum", "Knot, cross lines"}
    (row,) = found.rows
    assert row.best == ("Knot, cross lines",)
    assert compare_results(takes, "camera").rows == ()
