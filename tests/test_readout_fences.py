"""A picket fence: uprights that look alike at even distances. Truth by arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.readout.passing import measure_passing
from seeworthy.virtual.scene_uprights import Bar, UprightScene
from seeworthy.virtual.sensor import RollingCamera
from test_readout_passing import SMALL, seconds, watch

CAMERA = RollingCamera(**SMALL, readout_time=0.008)
APART = 36.0  # px; 1.6 of it a frame are 2.7 widths a second


def fence(way, uneven=0.0):
    """Pickets that all move the way of a function of time, px."""
    rng = np.random.default_rng(5)
    bars, place = [], -1500.0
    while place < 1500:
        bars.append(Bar(lambda t, p=place: (p + way(t), np.ones_like(t)), 12.0, 0.05))
        place += APART * (1 + uneven * rng.uniform(-1, 1))
    return UprightScene(bars, way_of_ground(way), seed=3)


def way_of_ground(way):
    return lambda t: (way(t), np.ones_like(t))


def there_and_back(speed):
    return lambda t: speed * (0.6 - np.abs(t - 0.6))


def swung(t):
    """To and fro with up to 0.45 distances a frame, through every speed."""
    return 0.45 * APART * 30 / 4 * np.sin(4 * t)


def test_pickets_that_pass_by_more_than_their_distance_are_not_taken_for_their_neighbours():
    """1.6 distances a frame look like 0.4 the other way, and like a read-out four times longer."""
    with pytest.raises(CannotMeasure, match="even distances"):
        measure_passing(watch(fence(there_and_back(1.6 * APART * 30)), CAMERA, seconds(36)))


@pytest.mark.parametrize(
    ("way", "uneven"), [(swung, 0.0), (there_and_back(0.6 * APART * 30), 0.3)],
    ids=["even, at many speeds", "uneven, at one speed"],
)  # fmt: skip
def test_pickets_that_can_be_told_apart_are_measured(way, uneven):
    found = measure_passing(watch(fence(way, uneven), CAMERA, seconds(48)))
    assert found.row_time * CAMERA.height == pytest.approx(0.008, rel=0.05)
