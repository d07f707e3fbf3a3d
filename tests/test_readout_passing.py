"""Read-out from passing uprights: geometry, rendered truth, refusals."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.media.frames import ColourTags, Stage
from seeworthy.observe.row_bands import ReadoutWatch
from seeworthy.procedures.readout.fit import fit_row_time
from seeworthy.procedures.readout.level import SpiritLevel, of_rest
from seeworthy.procedures.readout.passing import find_tracks, judge, measure_passing
from seeworthy.procedures.readout.refine import RowPoints
from seeworthy.procedures.readout.sorting import rough_path
from seeworthy.virtual import uprights_casts as casts
from seeworthy.virtual.scene_uprights import Bar, frames, steady
from seeworthy.virtual.sensor import RollingCamera

SMALL: dict[str, Any] = {"width": 640, "height": 360, "hfov": 60.0, "exposure": 1 / 1000}


@dataclass(frozen=True)
class _View:
    stage: Stage
    index: int
    seconds: float
    luma: np.ndarray
    corrupt: bool = False


def watch(scene, camera, times) -> ReadoutWatch:
    """Show a rendered scene to an observer, no coder between."""
    tags = ColourTags("limited", 1, 1, 1)
    rate = Fraction(camera.rate).limit_denominator(1001)
    stage = Stage(camera.width, camera.height, 0, Fraction(1, 90000), rate, 8, "yuv420p", tags)
    observer = ReadoutWatch(lamp_frames=0)
    observer.begin(stage)
    for index, (seconds, codes) in enumerate(frames(scene, camera, times)):
        observer.frame(_View(stage, index, seconds, codes))
    observer.finish()
    return observer


def seconds(count: int, start: float = 0.0, rate: float = 30.0) -> list[float]:
    return [start + k / rate for k in range(count)]


def made_points(
    speed: float,
    row_time: float,
    start: float,
    *,
    roll=0.0,
    pitch=0.0,
    bend=0.0,
    pull=0.0,
    tilt=0.0,
) -> RowPoints:
    """Places of one upright by the forward model, frame 1280x720, no noise."""
    rng = np.random.default_rng(abs(int(speed)) + abs(int(start)))
    rows = np.tile(np.linspace(-345, 345, 24), 10)
    times = np.repeat(np.arange(10) / 30, 24)
    t = times + rows * row_time
    s = start + speed * t + pull * t * t / 2
    xu, yu = s.copy(), rows.copy()
    x, y = xu.copy(), rows
    for _ in range(60):  # x_u = x (1 + bend r^2) along the line through the vanishing point
        stretch = 1 + bend * (x * x + y * y) / 640**2
        yu = y * stretch
        xu = s + (roll + tilt + pitch * s / 640) * yu
        x = xu / stretch
    return RowPoints(times, rows, x + 1e-4 * rng.standard_normal(len(x)), 0.05, 10, 0, 1.5)


def test_the_fit_returns_the_camera_it_was_given():
    row_time = 16e-3 / 720
    camera = {"roll": 0.03, "pitch": 0.02, "bend": 0.03}
    tracks = [
        made_points(v, row_time, start, pull=pull, **camera)
        for v, start, pull in ((900, -200, 0), (-700, 300, 200), (400, 50, -300), (-1500, 500, 0))
    ]
    fit = fit_row_time(tracks, np.arange(4), 640.0, 1e-5)
    assert fit.row_time == pytest.approx(row_time, rel=1e-4)
    assert fit.roll == pytest.approx(0.03, abs=1e-5)
    assert fit.pitch == pytest.approx(0.02, abs=2e-4)
    assert fit.bend == pytest.approx(0.03, abs=2e-4)


def test_roll_alone_is_not_taken_for_read_out():
    tracks = [made_points(v, 0.0, x, roll=0.05) for v, x in ((900, -300), (-900, 300), (500, 0))]
    fit = fit_row_time(tracks, np.arange(3), 640.0, 1e-5)
    assert fit.row_time * 720 == pytest.approx(0.0, abs=1e-6)


def test_one_leaning_post_counts_for_less():
    row_time = 20e-3 / 720
    tracks = [
        made_points(v, row_time, x)
        for v, x in ((900, -300), (-900, 300), (800, -100), (-850, 100), (950, -500), (-780, 500))
    ]
    tracks.append(made_points(870, row_time, -200, tilt=0.02))
    fit = fit_row_time(tracks, np.arange(7), 640.0, 1e-5)
    assert fit.row_time == pytest.approx(row_time, rel=0.12)
    assert fit.u > 0.02 * row_time
    assert np.argmax(np.abs(fit.tilts)) == 6


def test_tracks_of_one_speed_are_refused_however_good():
    tracks = [made_points(900, 2e-5, x) for x in (-300, -200, -100, 0, 100)]
    with pytest.raises(CannotMeasure, match="one speed in one direction"):
        judge(tracks, 1280, 720, 1 / 30)


def test_a_read_out_longer_than_a_frame_is_refused():
    tracks = [made_points(v, 9e-5, -v / 6) for v in (900, -700, 400, -1200, 600, -500)]
    with pytest.raises(CannotMeasure, match=r"(do not agree|longer than the time)"):
        judge(tracks, 1280, 720, 1 / 30)


CASES = {
    "both ways": (
        RollingCamera(**SMALL, readout_time=0.020, roll=2, pitch=-2, k1=-0.1),
        (700.0, -500.0),
    ),
    "upside down": (RollingCamera(**SMALL, readout_time=0.012, upwards=True), (900.0, -800.0)),
    "one way, three distances": (
        RollingCamera(**SMALL, readout_time=0.025, roll=-3),
        (200.0, 450.0, 900.0),
    ),
    "portrait": (
        RollingCamera(
            width=360, height=640, hfov=40, readout_time=0.020, roll=1.5, exposure=1 / 1000
        ),
        (500.0, -400.0),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_rendered_read_out_is_measured(name):
    camera, speeds = CASES[name]
    scene = casts.passing(camera, 3, speeds=speeds, seconds=1.3)
    found = measure_passing(watch(scene, camera, seconds(36)))
    truth = camera.readout_time / camera.height
    assert found.row_time == pytest.approx(truth, rel=0.015)
    assert abs(found.row_time - truth) < 4 * found.u
    assert found.u < 0.03 * truth
    assert found.upwards is camera.upwards


def test_roll_and_bend_are_reported():
    camera, speeds = CASES["both ways"]
    scene = casts.passing(camera, 3, speeds=speeds, seconds=1.3)
    fit = measure_passing(watch(scene, camera, seconds(36))).fit
    assert np.degrees(np.arctan(fit.roll)) == pytest.approx(-2.0, abs=0.1)
    # x_u = x (1 + bend) at the side: the inverse of x_d = x (1 + k1 tan^2(30 deg)).
    assert fit.bend == pytest.approx(0.1 * np.tan(np.radians(30)) ** 2, rel=0.3)


def test_real_time_stamps_count_not_frame_numbers():
    """Variable rate: every third frame is late, some are missing."""
    camera = RollingCamera(**SMALL, readout_time=0.020)
    scene = casts.passing(camera, 4, speeds=(600.0, -600.0), seconds=1.6)
    times = [k / 30 + (0.008 if k % 3 == 2 else 0.0) for k in range(42) if k % 11 != 7]
    found = measure_passing(watch(scene, camera, times))
    assert found.row_time * 360 == pytest.approx(0.020, rel=0.015)


def test_duplicated_frames_are_not_new_observations():
    camera = RollingCamera(**SMALL, readout_time=0.020)
    scene = casts.passing(camera, 4, speeds=(600.0, -600.0), seconds=1.3)
    observer = ReadoutWatch(lamp_frames=0)
    tags = ColourTags("limited", 1, 1, 1)
    stage = Stage(640, 360, 0, Fraction(1, 90000), Fraction(30), 8, "yuv420p", tags)
    observer.begin(stage)
    shown = [c for _, c in frames(scene, camera, seconds(8))]
    for index in range(16):
        observer.frame(_View(stage, index, index / 30, shown[index // 2]))
    assert observer.seen == 16
    assert observer.moving == 7


REFUSED = {
    "trees": (casts.trees, r"(straight|do not agree|one speed|shakes)"),
    "trunks that lean": (casts.straight_trunks, "one speed in one direction"),
    "shaken": (casts.shaken, "shakes"),
    "still": (casts.still, "Nothing upright moves"),
    "ground": (casts.ground_only, r"(Nothing upright|No upright)"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_only_looks_like_it_is_refused(name):
    cast, words = REFUSED[name]
    camera = RollingCamera(**SMALL, readout_time=0.020)
    observer = watch(cast(camera, 8), camera, seconds(24))
    with pytest.raises(CannotMeasure, match=words) as caught:
        measure_passing(observer)
    assert caught.value.hint


def test_a_lean_under_three_pixels_gives_a_bound():
    """ "At most x ms" holds the truth, is one-sided and is no wider than the clip makes it."""
    camera = RollingCamera(**SMALL, readout_time=0.006)
    scene = casts.passing(camera, 5, speeds=(300.0, -300.0), seconds=1.0)
    found = measure_passing(watch(scene, camera, seconds(28)))
    assert found.most is not None
    assert 0.006 <= camera.height * found.most < 0.012


ROLLED = [(3, -1.5), (4, 0.0), (5, 2.0), (6, 0.5)]


@pytest.mark.parametrize(("seed", "roll"), ROLLED)
def test_one_way_with_the_roll_read_holds_the_truth(seed, roll):
    """The roll read is off by what its own uncertainty says; the camera's is another one."""
    rng = np.random.default_rng([seed, int(10 * roll) + 50])
    camera = RollingCamera(**SMALL, readout_time=0.022, roll=roll)
    scene = casts.passing(camera, seed, speeds=(1100.0,), seconds=1.0)
    seen = watch(scene, camera, seconds(30))
    with pytest.raises(CannotMeasure, match="one speed in one direction") as refused:
        measure_passing(seen)
    assert "roll=" in refused.value.hint
    read = -roll + float(rng.normal(0, 0.3))  # the camera turns the picture the other way
    found = measure_passing(seen, level=SpiritLevel.of_roll(read, 0.3))
    assert found.level is not None
    assert found.most is None
    assert not found.upwards
    half = coverage_factor(found.dof) * found.u
    assert abs(camera.height * (found.row_time - camera.readout_time / camera.height)) < (
        camera.height * half
    )
    # A level known to 0.3° (and uprights to 0.2°) over 1100 px/s: about 2 ms, no less.
    least = math.radians(math.hypot(0.3, 0.2)) / 1100
    assert 0.99 * least < found.u < 1.6 * least


def test_a_worse_level_gives_a_wider_answer_and_then_a_bound():
    camera = RollingCamera(**SMALL, readout_time=0.022)
    scene = casts.passing(camera, 3, speeds=(-1100.0,), seconds=1.0)
    seen = watch(scene, camera, seconds(30))
    widths = [measure_passing(seen, level=SpiritLevel.of_roll(0.0, u)).u for u in (0.1, 0.5, 1.0)]
    assert widths == sorted(widths)
    loose = measure_passing(seen, level=SpiritLevel.of_roll(0.0, 3.0))
    assert loose.most is not None
    assert camera.height * loose.most > 0.022


def test_a_roll_is_not_used_where_the_clip_tells_it():
    camera = RollingCamera(**SMALL, readout_time=0.018, roll=2.0)
    scene = casts.passing(camera, 5, speeds=(900.0, -700.0), seconds=1.0)
    seen = watch(scene, camera, seconds(30))
    wrong = measure_passing(seen, level=SpiritLevel.of_roll(-4.0, 0.1))
    assert wrong.level is None
    assert wrong.row_time == measure_passing(seen).row_time


REST, MOVES = 0.5, 1.0  # s


def rolled(scene, cameras, times) -> ReadoutWatch:
    """Show a scene whose camera is another one from a time on: ((camera, until), ...)."""
    shown = []
    start = -1.0
    for camera, until in cameras:
        shown += list(frames(scene, camera, [t for t in times if start <= t < until]))
        start = until
    observer = ReadoutWatch(lamp_frames=0)
    camera = cameras[0][0]
    tags = ColourTags("limited", 1, 1, 1)
    stage = Stage(camera.width, camera.height, 0, Fraction(1, 90000), Fraction(30), 8, "", tags)
    observer.begin(stage)
    for index, (stamp, codes) in enumerate(shown):
        observer.frame(_View(stage, index, stamp, codes))
    observer.finish()
    return observer


def one_way(seed, roll, rolls=None, speed=1100.0, more=(), until=REST + MOVES + REST):
    """Uprights at rest, passing one way and at rest again; `rolls` before, during and after."""
    rolls = rolls or (roll, roll, roll)
    before, during, after = (RollingCamera(**SMALL, readout_time=0.022, roll=r) for r in rolls)
    scene = casts.passing(during, seed, speeds=(speed,), seconds=1.6, lean_sd=0.1)
    scene = casts.held(scene, REST, REST + MOVES)
    scene = replace(scene, bars=[*scene.bars, *more])
    parts = ((before, REST), (during, REST + MOVES), (after, 9.0))
    return rolled(scene, parts, [k / 30 for k in range(round(30 * until))])


def rest_frames(seen):
    run = seen.rests()[0]
    return zip(run.times, run.bands, strict=True)


def holds(found, truth=0.022, height=360):
    half = coverage_factor(found.dof) * found.u
    if found.most is not None:
        return truth <= height * found.most
    return abs(height * found.row_time - truth) < height * half


@pytest.mark.parametrize(("seed", "roll"), [(3, -3.0), (4, 1.0), (5, 2.0), (6, -1.0)])
def test_one_way_with_uprights_at_rest_before_and_after_holds_the_truth(seed, roll):
    found = measure_passing(one_way(seed, roll))
    assert found.level is not None
    assert found.level.rests_on == "uprights at rest"
    # `RollingCamera.roll` turns the picture clockwise: an upright's top goes to the right.
    assert math.degrees(math.atan(found.level.slope)) == pytest.approx(-roll, abs=0.3)
    assert holds(found)
    assert found.most is None
    # No narrower than what builders and the way leave.
    least = math.radians(math.hypot(0.2, 0.3)) / 1100
    assert least < found.u < 2 * least


@pytest.mark.parametrize("rolls", [(0.0, 1.0, 1.0), (1.5, 0.0, -0.5), (-1.0, -2.0, 0.5)])
def test_a_camera_that_rolled_on_the_way_widens_the_answer(rolls):
    found = measure_passing(one_way(4, 0.0, rolls))
    still = measure_passing(one_way(4, 0.0))
    assert found.u > 1.3 * still.u
    assert holds(found)


def test_a_camera_that_was_turned_on_the_way_tells_nothing():
    with pytest.raises(CannotMeasure, match="one speed in one direction"):
        measure_passing(one_way(4, 0.0, (2.0, 0.0, -2.0)))


@pytest.mark.parametrize("roll", [1.0, -1.2])
def test_rest_on_one_side_only_counts_for_less(roll):
    """The camera rolls by about a degree as the pass begins, and nothing shows it."""
    found = measure_passing(one_way(5, 0.0, (0.0, roll, roll), until=REST + MOVES))
    assert found.u > math.radians(1.0) / 1100
    assert holds(found)


def test_what_rests_while_others_pass_is_no_level():
    """Three straight things that belong to the camera's carrier, not upright: a car's pillars."""
    camera = RollingCamera(**SMALL, readout_time=0.022)
    own = [
        Bar(steady(x, 0.0), 14.0, 0.8, tilt=math.tan(math.radians(4.0))) for x in (-250, 20, 240)
    ]
    scene = casts.held(casts.passing(camera, 3, speeds=(900.0,), seconds=1.6), REST, 9.0)
    posts = [b for b in scene.bars if abs(float(b.motion(np.zeros(1))[0][0])) > 340]
    seen = rolled(replace(scene, bars=[*posts, *own]), ((camera, 9.0),), seconds(45))
    assert len(seen.rests()) == 1
    with pytest.raises(CannotMeasure, match="one speed in one direction"):
        measure_passing(seen)
    # Without the frames that show them at rest while others pass they would be taken for uprights.
    stretch = find_tracks(replace(seen, _frames=[(0, t, b) for t, b in rest_frames(seen)]))
    posts_only = [p for p in find_tracks(seen) if abs(rough_path(p).speed) > 100]
    mistaken = of_rest([stretch], posts_only, 640)
    assert mistaken is not None
    assert math.degrees(math.atan(mistaken.slope)) == pytest.approx(4.0, abs=0.1)


def test_a_picture_that_hangs_is_no_rest():
    """Its uprights lean by the motion in which it hung."""
    camera = RollingCamera(**SMALL, readout_time=0.022)
    scene = casts.passing(camera, 3, speeds=(1100.0,), seconds=1.6)
    shown = [c for _, c in frames(scene, camera, seconds(30))]
    observer = ReadoutWatch(lamp_frames=0)
    tags = ColourTags("limited", 1, 1, 1)
    stage = Stage(640, 360, 0, Fraction(1, 90000), Fraction(30), 8, "yuv420p", tags)
    observer.begin(stage)
    for index, codes in enumerate([*[shown[0]] * 15, *shown, *[shown[-1]] * 15]):
        observer.frame(_View(stage, index, index / 30, codes))
    assert observer.rests() == []
    with pytest.raises(CannotMeasure, match="one speed in one direction"):
        measure_passing(observer)


def test_a_roll_read_with_the_wrong_sign_is_refused():
    seen = one_way(5, 3.0)
    with pytest.raises(CannotMeasure, match="By the roll read"):
        measure_passing(seen, level=SpiritLevel.of_roll(3.0, 0.5))
    agreed = measure_passing(seen, level=SpiritLevel.of_roll(-3.0, 0.05))
    assert agreed.level is not None
    assert agreed.level.rests_on == "the roll read"


def test_an_empty_clip_is_refused():
    with pytest.raises(CannotMeasure, match="too few pictures"):
        measure_passing(ReadoutWatch())


def test_memory_of_the_observer_is_flat():
    """A long moving clip is thinned to runs spread over all of it."""
    camera = RollingCamera(width=64, height=36, exposure=1 / 1000)
    scene = casts.passing(camera, 6, speeds=(300.0, -200.0), seconds=2.0)
    shown = [c for _, c in frames(scene, camera, seconds(20))]
    observer = ReadoutWatch(run=10, keep=40, lamp_frames=16)
    tags = ColourTags("limited", 1, 1, 1)
    stage = Stage(64, 36, 0, Fraction(1, 90000), Fraction(30), 8, "yuv420p", tags)
    observer.begin(stage)
    for index in range(400):
        observer.frame(_View(stage, index, index / 30, shown[index % 20]))
    runs = observer.runs()
    assert sum(len(r.times) for r in runs) <= 40
    assert runs[-1].times[0] > 0.6 * 400 / 30
    assert all(np.allclose(np.diff(r.times), 1 / 30) for r in runs)
    assert len(observer.rows()[0]) <= 16
    assert len(observer.pictures) <= 12
