"""A camera that pans as a whole: what a steadied picture may have held back.

Truth is the read-out that the rows are rendered with; the window is moved by code that shares
nothing with the measure. Fixed cameras must keep their narrow answer.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.procedures.readout.pan import judge_pan
from seeworthy.procedures.readout.passing import measure_passing
from seeworthy.procedures.readout.study_pan import pan_watched, swing
from seeworthy.virtual import uprights_casts as casts
from seeworthy.virtual.scene_uprights import frames
from seeworthy.virtual.sensor import RollingCamera
from seeworthy.virtual.steadied import Steadier

CAMERA = RollingCamera(width=640, height=360, readout_time=0.018, exposure=0.001, roll=1.0)
TIMES = [k / 30 for k in range(70)]
HALF = Steadier(smooth=0.4, share=0.5, margin=80)


@pytest.fixture(scope="module")
def pans():
    """One hand's pan as the sensor saw it, and with half of its motion held back."""
    way = swing(np.random.default_rng(4), CAMERA, size=3.0)
    scene = casts.swung(CAMERA, 4, way)
    shown = list(frames(scene, CAMERA, TIMES))
    seen = {s: pan_watched(iter(shown), CAMERA, TIMES, way, s) for s in (None, HALF)}
    return {s: (measure_passing(watch), watch, pairs) for s, (watch, pairs) in seen.items()}


def _ms(passing, watch):
    half = coverage_factor(passing.dof) * passing.u
    low, high = passing.within or (passing.row_time - half, passing.row_time + half)
    return tuple(1e3 * watch.height * v for v in (low, passing.row_time, high))


def test_a_pan_holds_the_truth_steadied_or_not(pans):
    for steadier, (found, watch, pairs) in pans.items():
        found = judge_pan(found, pairs, watch.width)
        low, _, high = _ms(found, watch)
        truth = 18.0 * watch.height / CAMERA.height
        assert low <= truth <= high, (steadier, low, truth, high)
        assert found.swept > 0.3
        assert low > 0.3 * high


def test_half_of_the_motion_held_back_alone_would_be_too_long(pans):
    """What the interval is for: the fit by itself is far out, and narrow."""
    found, watch, _ = pans[HALF]
    truth = 18.0 * watch.height / CAMERA.height
    low, value, _ = _ms(found, watch)
    assert value > 1.15 * truth
    assert low > truth


def test_steadying_off_keeps_the_narrow_answer(pans):
    found, watch, pairs = pans[None]
    found = judge_pan(found, pairs, watch.width, steadied=False)
    low, value, high = _ms(found, watch)
    assert found.within is None
    assert high - low < 0.1 * value
    assert low <= 18.0 <= high


def test_a_camera_that_stands_is_left_alone():
    """Uprights pass to the right, then to the left, before ground that rests."""
    right, left = (casts.passing(CAMERA, 5, speeds=(v,), seconds=0.9) for v in (800.0, -700.0))
    bars = [
        replace(bar, motion=lambda t, m=bar.motion, k=k: m(t - 0.9 * k))
        for k, scene in enumerate((right, left))
        for bar in scene.bars
    ]
    watch, pairs = pan_watched(
        frames(replace(right, bars=bars), CAMERA, TIMES[:54]), CAMERA, TIMES, np.zeros_like, None
    )
    found = judge_pan(measure_passing(watch), pairs, watch.width)
    assert found.within is None
    assert 1e3 * watch.height * found.row_time == pytest.approx(18.0, rel=0.03)


def test_too_few_uprights_at_once_in_a_pan_are_refused(pans):
    found, watch, pairs = pans[None]
    few = replace(found, tracks=found.tracks[:5])
    with pytest.raises(CannotMeasure, match="too few to check each other"):
        judge_pan(few, pairs, watch.width)
