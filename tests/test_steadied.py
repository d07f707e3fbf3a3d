"""Electronic steadying: made paths and rows first, then a rendered flight, then real clips."""

from __future__ import annotations

import math
from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

import field_data
from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.frames import ColourTags, Stage, watch
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter
from seeworthy.observe.motion_tracks import FramePair
from seeworthy.observe.steadied import SteadyingWatch, line_of, tell_steadied
from seeworthy.procedures.gyro.follow import held_back
from seeworthy.procedures.study import measured
from seeworthy.virtual.flight_view import Eye, Wave, fly, frames
from seeworthy.virtual.row_points import points_of, shaken
from seeworthy.virtual.steadied import Steadier

_WIDTH, _HEIGHT, _RATE = 640, 360, 30.0


def _shake(rng, size=6.0):
    return shaken(rng, size)


def _pairs(way, readout, rng, *, count=240, **more):
    made = points_of(way, readout, count, _RATE, rng, size=(_WIDTH, _HEIGHT), **more)
    return [
        FramePair(k + 1, k / _RATE, (k + 1) / _RATE, p.astype(np.float32))
        for k, p in enumerate(made)
    ]


def _window(way, smooth, count=241, limit=60.0):
    middle = way(np.arange(count) / _RATE)
    kept = gaussian_filter1d(middle, smooth * _RATE, axis=0, mode="nearest")
    return np.clip(middle - kept, -limit, limit)


@pytest.mark.parametrize("smooth", [0.2, 0.5, 1.0])
def test_a_picture_that_was_held_is_told(smooth):
    for seed in range(4):
        rng = np.random.default_rng(seed)
        way = _shake(rng)
        told = tell_steadied(_pairs(way, 0.018, rng, window=_window(way, smooth)), _WIDTH, _HEIGHT)
        assert told.state == "yes", (seed, told)
        assert "rows lean" in told.rests_on


def test_a_picture_that_was_not_held_is_never_called_so():
    said = []
    for seed in range(12):
        rng = np.random.default_rng(100 + seed)
        told = tell_steadied(
            _pairs(_shake(rng), float(rng.uniform(0.004, 0.032)), rng), _WIDTH, _HEIGHT
        )
        said.append(told.state)
    assert "yes" not in said


def _swept(rng, far=1.8):
    """A hand's shake on sweeps of more than twice the picture's width."""
    shake = _shake(rng)

    def way(t):
        turn = far * _WIDTH * np.sin(2 * math.pi * 1.4 * t)
        return shake(t) + np.stack([turn, 0 * turn], -1)

    return way


def test_no_is_said_of_sweeps_that_no_window_holds():
    said = []
    for seed in range(6):
        rng = np.random.default_rng(100 + seed)
        told = tell_steadied(_pairs(_swept(rng), 0.018, rng), _WIDTH, _HEIGHT)
        said.append(told.state)
    assert "yes" not in said
    assert said.count("no") >= 4


def test_the_same_share_taken_out_of_slow_and_fast_is_not_called_no():
    for seed in range(6):
        rng = np.random.default_rng(seed)
        way = _shake(rng, size=12.0)
        middle = way(np.arange(241) / _RATE)
        told = tell_steadied(_pairs(way, 0.012, rng, window=0.4 * middle), _WIDTH, _HEIGHT)
        assert told.state == "cannot tell"
        assert "a share is taken out" in told.rests_on


def test_rows_read_from_the_bottom_are_as_good():
    rng = np.random.default_rng(5)
    way = _shake(rng)
    assert "lean its rows alike" in tell_steadied(_pairs(way, -0.02, rng), _WIDTH, _HEIGHT).rests_on
    held = _pairs(way, -0.02, rng, window=_window(way, 0.4))
    assert tell_steadied(held, _WIDTH, _HEIGHT).state == "yes"


def test_half_of_the_motion_taken_out_looks_like_a_read_out_too_long():
    rng = np.random.default_rng(2)
    way = _shake(rng)
    middle = way(np.arange(241) / _RATE)
    told = tell_steadied(_pairs(way, 0.03, rng, window=0.6 * middle), _WIDTH, _HEIGHT)
    assert told.state == "yes"
    assert "times as long" in told.rests_on


@pytest.mark.parametrize("frequency", [14.3, 27.5, 29.3, 30.6, 33.0, 61.2, 88.0])
def test_vibration_that_frames_hardly_show_is_no_steadying(frequency):
    """Near the frame rate a vibration stands almost still from frame to frame."""
    for seed in range(3):
        rng = np.random.default_rng(seed)
        slow = _shake(rng, size=0.3)

        def way(t, slow=slow):
            buzz = 4.0 * np.sin(2 * math.pi * frequency * t)
            return slow(t) + np.stack([buzz, 0.5 * buzz], -1)

        told = tell_steadied(_pairs(way, 0.02, rng), _WIDTH, _HEIGHT)
        assert told.state != "yes", (frequency, seed, told)


@pytest.mark.parametrize(
    "depth", [lambda y: y + 0.5, lambda y: np.maximum(y, 0.0), lambda y: 2.0 * (y > 0.1)]
)
def test_ground_that_passes_below_is_no_steadying(depth):
    """A plane up to its horizon, ground below a far horizon, a near thing in the foreground."""
    for seed in range(3):
        rng = np.random.default_rng(seed)
        told = tell_steadied(_pairs(_shake(rng), 0.012, rng, depth=depth), _WIDTH, _HEIGHT)
        assert told.state != "yes", (seed, told)


def test_what_cannot_be_told_is_said():
    rng = np.random.default_rng(1)

    def still(t):
        return np.zeros((*t.shape, 2))

    assert tell_steadied([], _WIDTH, _HEIGHT).state == "cannot tell"
    assert "few" in tell_steadied(_pairs(still, 0.02, rng, count=40), _WIDTH, _HEIGHT).rests_on
    assert "too little" in tell_steadied(_pairs(still, 0.02, rng), _WIDTH, _HEIGHT).rests_on
    crowd = _pairs(still, 0.02, rng, noise=8.0)
    assert tell_steadied(crowd, _WIDTH, _HEIGHT).state == "cannot tell"


def test_a_slope_and_what_it_is_uncertain_by():
    """Against the textbook's standard error of a slope through the origin."""
    rng = np.random.default_rng(0)
    x = rng.standard_normal(1200)
    found = [line_of(x, 0.4 * x + 0.5 * rng.standard_normal(1200)) for _ in range(300)]
    slopes = np.array(found)[:, 0]
    expected = 0.5 / math.sqrt(1200)
    assert slopes.mean() == pytest.approx(0.4, abs=4 * expected / math.sqrt(300))
    assert np.mean([u for _, u in found]) == pytest.approx(expected, rel=0.1)


def test_a_picture_behind_its_gyroscope_is_told():
    rng = np.random.default_rng(3)
    t = np.arange(600) / _RATE
    told = np.stack([np.gradient(_shake(rng)(t)[:, i], t) * 0.01 for i in (0, 1, 0)], 1)
    told += 0.4 * np.sin(2 * math.pi * 0.15 * t)[:, None]
    seen = told + 0.002 * rng.standard_normal(told.shape)
    assert held_back(seen, told, 1 / _RATE) == ""
    noisy = told + 0.2 * rng.standard_normal(told.shape)  # a poor gyroscope is no steadying
    assert held_back(seen, noisy, 1 / _RATE) == ""
    kept = gaussian_filter1d(told, 0.4 * _RATE, axis=0) + 0.002 * rng.standard_normal(told.shape)
    assert "by the gyroscope" in held_back(kept, told, 1 / _RATE)


@pytest.fixture(scope="module")
def clips(tmp_path_factory):
    """One flight, as it is and steadied: a window that is moved after the rows were read."""
    folder = tmp_path_factory.mktemp("steadied")
    rng = np.random.default_rng(7)
    eye = Eye(width=368, height=228, readout=0.018, hfov=70)
    waves = [Wave(0, 0.4, 3.1), Wave(1, 0.4, 4.7), Wave(1, 0.8, 1.7, 1.0)]
    flight = fly(5.0, waves, 6.0, rng)
    shown = list(frames(eye, flight, 5.0, rng))
    steadier = Steadier()
    free = np.zeros((len(shown), 2))
    held = steadier.window(flight.way([t for t, _ in shown], eye.focal), eye.rate)
    found = []
    for name, window in (("free.mp4", free), ("held.mp4", held)):
        with ClipWriter(folder / name, 320, 180, rate=30, bit_rate=1_500_000) as clip:
            for seconds, codes in steadier.frames(shown, window):
                clip.write_luma(codes, seconds)
        found.append(folder / name)
    return found


def _seen(path):
    observer = SteadyingWatch()
    watch(Source.of(path), [observer])
    return observer


def test_stream_says_of_a_rendered_flight_whether_it_was_steadied(clips):
    free, held = (measured("stream", [clip]) for clip in clips)
    assert free.findings["steadied"] == "cannot tell"
    assert "lean its rows alike" in free.findings["steadied_by"]
    assert not any("steadies" in w for w in free.warnings)
    assert held.findings["steadied"] == "yes"
    assert "lean" in held.findings["steadied_by"]
    assert any("steadies" in w for w in held.warnings)


def test_measures_of_the_camera_s_own_motion_refuse_a_steadied_clip(clips):
    free, held = clips
    for name, files, readings in (
        ("readout", {"": [held]}, {}),
        ("lens", {"": [held]}, {}),
        ("motion", {"": [held]}, {"hfov": ["70 deg ± 1 deg"]}),
        ("exposure", {"": [held], "rest": [free]}, {}),
    ):
        with pytest.raises(CannotMeasure, match=r"steadied 'held\.mp4'") as refused:
            measured(name, files, readings)
        assert "Turn steadying off" in refused.value.hint
    assert measured("motion", [free], {"hfov": ["70 deg ± 1 deg"]}).results


def _real(name):
    row = next(r for r in field_data.rows() if r["file"] == name)
    path = field_data.find(row)
    if path is None:
        pytest.skip(field_data.how(row))
    return path


def _steady_a_real_clip(path, target, smooth, margin):
    """Warp a real clip as a steadying camera would: by its own picture's measured motion."""
    seen = _seen(path).motion
    moved = {p.number: np.median(p.points[:, 2:] - p.points[:, :2], axis=0) for p in seen.pairs}
    codes = []

    class _Keep:
        def begin(self, stage):
            self.rate = float(stage.nominal_rate)

        def frame(self, view):
            codes.append((view.seconds, view.index, view.luma.copy()))

        def finish(self):
            pass

    keep = _Keep()
    watch(Source.of(path), [keep])
    way = np.cumsum([moved.get(i, np.zeros(2)) for _, i, _ in codes], axis=0)
    steadier = Steadier(smooth, margin=margin)
    window = steadier.window(way, keep.rate)
    h, w = codes[0][2].shape
    size = (w - 2 * margin, h - 2 * margin)
    with ClipWriter(target, *size, rate=round(keep.rate), bit_rate=4_000_000) as clip:
        for seconds, luma in steadier.frames(((t, c) for t, _, c in codes), window):
            clip.write_luma(luma, seconds - codes[0][0])
    return target


def test_a_real_clip_of_a_phone_is_not_steadied_until_it_is_warped(tmp_path):
    """with-gps.mov: hand-held, its rows lean with the picture's own motion."""
    real = _real("media/with-gps.mov")
    told = _seen(real).told()
    assert told.state == "cannot tell"
    assert "lean its rows alike" in told.rests_on
    held = _steady_a_real_clip(real, tmp_path / "held.mp4", 0.4, 20)
    assert "alike" not in _seen(held).told().rests_on


def test_a_real_flight_follows_its_gyroscope_until_it_is_warped(tmp_path):
    """karma.mp4 with its 400 Hz gyroscope: the counter-example without steadying."""
    real = _real("media/karma.mp4")
    log = real.parent / "karma_gyro.csv"
    if not log.exists():
        pytest.skip("media/karma_gyro.csv is not there: extract the GYRO stream of karma.mp4")
    assert _seen(real).told().state != "yes"
    held = _steady_a_real_clip(real, tmp_path / "held.mp4", 0.4, 60)
    with pytest.raises(CannotMeasure, match=r"gyroscope|log"):
        measured("gyro", {"": [held], "log": [log]})


def test_the_followed_picture_is_means_of_whole_blocks():
    """1280 is no multiple of 3: a picture squeezed into 426 columns stands 0.16 % off."""
    from seeworthy.observe.motion_tracks import MotionWatch

    luma = np.random.default_rng(3).integers(0, 256, (720, 1280)).astype(np.uint8)
    stage = Stage(1280, 720, 0, Fraction(1, 30), Fraction(30), 8, "gray", ColourTags())
    watch = MotionWatch()
    watch.begin(stage)
    watch.frame(SimpleNamespace(luma=luma, seconds=0.0, corrupt=False, index=0))
    means = luma[:, :1278].reshape(240, 3, 426, 3).mean(axis=(1, 3))
    assert watch.picture.shape == (240, 426)
    assert np.abs(watch.picture - means).max() <= 0.5 + 1e-9
