"""Roll from a level line in the picture: made pictures first (geometry), then a rendered pass."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.observe.row_bands import ReadoutWatch
from seeworthy.procedures.readout.horizon import level_line
from seeworthy.procedures.readout.level import SpiritLevel
from seeworthy.procedures.readout.study import by_horizon
from seeworthy.procedures.readout.study_pan import show
from seeworthy.virtual import uprights_casts as casts
from seeworthy.virtual.scene_uprights import frames
from seeworthy.virtual.sensor import RollingCamera


def _pictures(degrees, rng, count=4, size=(320, 180), posts=6):
    """Sky over ground whose edge is tilted, clockwise positive, with posts before it."""
    width, height = size
    y, x = np.mgrid[:height, :width].astype(float)
    shown = []
    for k in range(count):
        edge = height * 0.55 + 3 * k + math.tan(math.radians(degrees)) * (x - width / 2)
        codes = 60 + 110 / (1 + np.exp((y - edge) / 0.8)) + 3 * rng.standard_normal(y.shape)
        for at in rng.integers(0, width - 12, posts):
            codes[:, at : at + 9] = 30
        shown.append((k / 30, np.clip(codes, 16, 235).astype(np.uint8)))
    return shown


@pytest.mark.parametrize("degrees", [-4.0, -0.7, 0.0, 0.4, 3.1])
def test_the_tilt_of_a_line_is_the_roll(degrees):
    """A camera turned clockwise by a shows the horizon turned anticlockwise by a."""
    found = level_line(_pictures(-degrees, np.random.default_rng(2)))
    assert math.degrees(math.atan(found.slope)) == pytest.approx(degrees, abs=0.1)
    assert found.slope == pytest.approx(SpiritLevel.of_roll(degrees, 0.1).slope, abs=0.002)
    assert math.degrees(found.u) >= 0.36  # 0.3° of the line and 0.2° of the uprights


def test_lines_that_disagree_widen_or_are_refused():
    rng = np.random.default_rng(3)
    same = level_line(_pictures(1.0, rng))
    mixed = level_line(_pictures(1.0, rng, 2) + _pictures(1.8, rng, 2))
    assert mixed.u > same.u
    far = [p for a in (-5, -2, 1, 4) for p in _pictures(a, rng, 1)]
    with pytest.raises(CannotMeasure, match="No line that runs level"):
        level_line(far)


def test_no_line_no_level():
    rng = np.random.default_rng(4)
    noise = [(0.0, rng.integers(16, 235, (180, 320)).astype(np.uint8)) for _ in range(4)]
    with pytest.raises(CannotMeasure, match="No line that runs level"):
        level_line(noise)
    with pytest.raises(CannotMeasure, match="No line"):
        level_line([])


def test_one_way_before_a_horizon():
    camera = RollingCamera(width=640, height=360, readout_time=0.022, exposure=0.001, roll=-2.0)
    scene = casts.passing(camera, 6, speeds=(900.0,))
    shown = frames(scene, camera, [k / 30 for k in range(30)])
    found = by_horizon(show(shown, camera, ReadoutWatch(lamp_frames=0)))
    assert found.level is not None
    assert found.level.rests_on == "a level line"
    assert 360e3 * found.row_time == pytest.approx(22.0, abs=1.0)
    assert 1.0 < 2 * 360e3 * found.u < 8.0  # what 0.36° leave at 900 px/s is 4.5 ms
