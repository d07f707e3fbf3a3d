"""The camera with faults: what it writes is what it says it wrote."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import av
import numpy as np
import pytest

from seeworthy.ground.errors import UnreadableInput
from seeworthy.media.frames import watch
from seeworthy.media.source import Source
from seeworthy.virtual.faults import (
    FaultPlan,
    cut,
    erase,
    low_light_rates,
    overwrite,
    packets,
    render,
)
from seeworthy.virtual.scene_plain import PlainScene

SMALL = {"width": 320, "height": 192}


def scene(**kind):
    return PlainScene(**SMALL, **kind)


def stamps(path):
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        return [float(f.pts * stream.time_base) for f in container.decode(stream)]


def test_the_same_moment_is_the_same_picture_and_another_is_not():
    for motion in ("still", "pan", "sway"):
        one = scene(motion=motion)
        assert np.array_equal(one.picture(5.0), one.picture(5.0))
        assert not np.array_equal(one.picture(5.0), one.picture(6.0))


def test_a_pan_moves_the_picture_by_its_speed():
    pan = scene(motion="pan", speed=4.0, noise=0.0)
    assert np.array_equal(pan.picture(10.0)[:, 4:], pan.picture(11.0)[:, :-4])


def test_noise_and_fade_are_as_asked():
    still = scene(motion="still", noise=3.0)
    difference = still.picture(1.0).astype(float) - still.picture(2.0)
    assert difference.std() == pytest.approx(3.0 * 2**0.5, rel=0.03)
    fade = scene(motion="still", noise=0.0, fade=(10, 20))
    assert fade.picture(10).mean() > 80
    assert fade.picture(15).mean() == pytest.approx((fade.picture(10).mean() + 16) / 2, abs=0.5)
    assert fade.picture(20).max() == 16


def test_dropped_frames_leave_gaps_and_skipped_ones_do_not(tmp_path):
    path = tmp_path / "clip.mp4"
    truth = render(
        path, scene(), FaultPlan(40, dropped=frozenset({10, 11, 39}), skipped=frozenset({20}))
    )
    assert truth.dropped == (9, 9)  # the last slot leaves no gap
    assert truth.skipped == (18,)
    found = stamps(path)
    assert len(found) == truth.frames == 36
    steps = np.diff(found) * 30
    assert steps[9] == pytest.approx(3.0, abs=0.01)
    assert np.delete(steps, 9) == pytest.approx(np.ones(34), abs=0.01)


def test_a_skip_is_a_jump_in_content(tmp_path):
    pan = PlainScene(**SMALL, speed=4.0, noise=0.0)
    path = tmp_path / "clip.mp4"
    truth = render(path, pan, FaultPlan(12, skipped=frozenset({6})), bit_rate=8_000_000)
    with av.open(str(path)) as container:
        pictures = [f.to_ndarray(format="gray").astype(float) for f in container.decode(video=0)]
    (after,) = truth.skipped
    double = np.abs(pictures[after - 1][:, 8:] - pictures[after][:, :-8]).mean()
    single = np.abs(pictures[after - 1][:, 4:] - pictures[after][:, :-4]).mean()
    assert double < 0.3 * single


def test_repeated_frames_are_the_same_picture_encoded_again(tmp_path):
    path = tmp_path / "clip.mp4"
    truth = render(path, scene(), FaultPlan(30, repeated=frozenset({7, 8, 20})))
    assert truth.repeated == (7, 8, 20)
    with av.open(str(path)) as container:
        pictures = [f.to_ndarray(format="gray").astype(float) for f in container.decode(video=0)]
    change = [np.abs(a - b).mean() for a, b in pairwise(pictures)]
    repeated = [change[i - 1] for i in (7, 8, 20)]
    assert max(repeated) < 0.25 * min(c for c in change if c not in repeated)


def test_jitter_and_variable_rates_are_in_the_stamps(tmp_path):
    path = tmp_path / "clip.mp4"
    render(path, scene(), FaultPlan(100, jitter=2e-3))
    off = np.array(stamps(path)) - np.arange(100) / 30
    assert (off - off.mean()).std() == pytest.approx(2e-3, rel=0.25)
    rates = low_light_rates(spells=[(10, 30.0), (5, 15.0)])
    render(path, scene(), FaultPlan(20, intervals=rates))
    steps = np.diff(stamps(path))
    assert steps[:9] == pytest.approx(np.full(9, 1 / 30), abs=1e-4)
    assert steps[10:] == pytest.approx(np.full(9, 1 / 15), abs=1e-4)


def test_time_base_and_rate_are_kept(tmp_path):
    path = tmp_path / "clip.mp4"
    truth = render(path, scene(), FaultPlan(31, rate=Fraction(30000, 1001)))
    assert truth.rate == pytest.approx(30000 / 1001, rel=1e-6)
    assert stamps(path)[-1] == pytest.approx(30 * 1001 / 30000, abs=1e-4)
    assert truth.keys == (0, 30)


def test_overwritten_frames_are_the_ones_that_decode_differently(tmp_path):
    path = tmp_path / "clip.mp4"
    # Large pictures: in small ones damaged data often decode as valid content.
    render(path, PlainScene(), FaultPlan(30))
    sizes = [p.size for p in packets(path)]
    assert overwrite(path, [25, 12]) == (12, 25)
    assert [p.size for p in packets(path)] == sizes
    summary = watch(Source.of(path), [_Blind()])
    assert summary.corrupt == [12, 25]


def test_erased_frames_are_in_the_file_but_not_in_the_picture(tmp_path):
    path = tmp_path / "clip.mp4"
    render(path, scene(), FaultPlan(40))
    erase(path, [15])
    summary = watch(Source.of(path), [_Blind()])
    assert summary.lost == [15]
    assert summary.frames == 40


def test_a_cut_file_has_no_index(tmp_path):
    whole, part = tmp_path / "whole.mp4", tmp_path / "part.mp4"
    render(whole, scene(), FaultPlan(40))
    cut(whole, part, 0.6)
    assert part.stat().st_size == int(whole.stat().st_size * 0.6)
    with pytest.raises(UnreadableInput):
        watch(Source.of(part), [_Blind()])


class _Blind:
    def begin(self, stage): ...
    def frame(self, view): ...
    def finish(self): ...
