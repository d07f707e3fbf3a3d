"""Lateral colour error: channels against green, through edges and through a coded clip."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import ndtr

from seeworthy.engine.measure import measure
from seeworthy.procedures.sharpness.lateral import lateral, lateral_finding, lateral_results
from seeworthy.procedures.sharpness.measure import EdgeRegion
from seeworthy.procedures.sharpness.study import film_edges, studio_of
from seeworthy.virtual.filming import film_colours
from seeworthy.virtual.optics import Blur

WIDTH, HEIGHT = 640, 360
MIDDLE = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
HALF = math.hypot(WIDTH, HEIGHT) / 2  # 367.2 px


def board(scale, cube=0.0, shift=(0.0, 0.0), spread=0.9, dark=0.0):
    """Code values of edges of 5 degrees, one a tile, that one channel draws `scale` as large.

    Regions are turned with their edges, as those of the target are; `dark`: px by which red edges
    lie towards their dark side.
    """
    rgb = np.full((HEIGHT, WIDTH, 3), 60.0)
    regions = []
    for row, y0 in enumerate(range(10, 310, 60)):
        for column, x0 in enumerate(range(10, 590, 60)):
            upright = (row + column) % 2 == 0
            at = np.array([x0 + 25.0, y0 + 25.0])
            y, x = np.mgrid[y0 : y0 + 50, x0 : x0 + 50].astype(float)
            for c in range(3):
                out = at - MIDDLE
                grown = (scale[c] + (cube * (out @ out) / HALF**2 if c == 0 else 0.0)) * out
                dx, dy = at + grown + (np.array(shift) if c == 0 else 0.0)
                s, t = math.sin(math.radians(5)), math.cos(math.radians(5))
                away = (x - dx) * t + (y - dy) * s if upright else (y - dy) * t + (x - dx) * s
                ways = 1 if (row // 2 + column) % 3 else -1
                lit = ways * away + (dark if c == 0 else 0.0)
                rgb[y0 : y0 + 50, x0 : x0 + 50, c] = 60 + 100 * ndtr(lit / spread)
            s, t = math.sin(math.radians(5)), math.cos(math.radians(5))
            way_of = np.array([[t, s], [-s, t]] if upright else [[t, -s], [s, t]])
            corners = at + 17 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) @ way_of
            way = "vertical" if upright else "horizontal"
            regions.append(EdgeRegion(f"{row} {column}", "centre", way, corners))
    return rgb.astype(np.float32), regions


def test_a_channel_that_is_drawn_larger():
    # ISO 19084: displacement of a channel; by arithmetic 0.4 % of the half diagonal, 1.469 px.
    red, blue = lateral(*board((0.004, 0.0, -0.002)))
    assert (red.channel, blue.channel) == ("red", "blue")
    assert red.corner == pytest.approx(0.004 * HALF, abs=0.008)
    assert blue.corner == pytest.approx(-0.002 * HALF, abs=0.008)
    assert red.radius == 1.0


def test_edges_that_a_colour_sees_towards_their_dark_side_are_no_fringe():
    # A softer red looks so in code values: by the curve, on all sides of a square alike.
    red, _ = lateral(*board((0.003, 0.0, 0.0), dark=0.3))
    assert red.corner == pytest.approx(0.003 * HALF, abs=0.01)


def test_a_shift_of_the_whole_picture_is_no_fringe_of_the_corner():
    red, _ = lateral(*board((0.002, 0.0, 0.0), shift=(0.5, -0.4)))
    assert red.corner == pytest.approx(0.002 * HALF, abs=0.03)


def test_the_largest_may_lie_inside():
    # a r - b r³ has its largest at r = sqrt(a / 3b) = 0.577 for a = b, and none at the corner.
    red, _ = lateral(*board((0.006, 0.0, 0.0), cube=-0.006))
    assert red.corner == pytest.approx(0.0, abs=0.06)
    assert red.radius == pytest.approx(0.577, abs=0.04)
    assert red.largest == pytest.approx(0.006 * HALF * 0.577 * (2 / 3), abs=0.05)
    assert lateral_finding([red])["red"]["largest_at"] == pytest.approx(0.58, abs=0.04)


def test_a_grey_picture_and_the_middle_alone_cannot_tell():
    assert lateral(*board((0.0, 0.0, 0.0))) == []
    rgb, regions = board((0.004, 0.0, 0.0))
    near = [r for r in regions if np.hypot(*(r.corners.mean(axis=0) - MIDDLE)) < 0.5 * HALF]
    assert len(near) >= 12
    assert lateral(rgb, near) == []


def test_per_cent_of_the_picture_height_and_wider_with_half_the_chroma():
    found = lateral(*board((0.004, 0.0, -0.002)))
    full = lateral_results(found, (HEIGHT, WIDTH), halved=False)
    half = lateral_results(found, (HEIGHT, WIDTH), halved=True)
    assert full[0].value == pytest.approx(100 * 0.004 * HALF / HEIGHT, abs=0.01)
    assert full[0].unit == "%"
    assert half[0].u ** 2 - full[0].u ** 2 == pytest.approx((100 * 0.06 / HEIGHT) ** 2)


def test_through_a_coded_clip(tmp_path):
    rng = np.random.default_rng(5)
    made, pose = studio_of(Blur(0.8), rng)
    film_colours(tmp_path / "c.mp4", made, pose, (1.002, 1.0, 0.9985), rng, frames=16)
    outcome = measure("sharpness", [tmp_path / "c.mp4"]).outcome
    found = {r.conditions["channel"]: r for r in outcome.results if r.measurand == "lateral_colour"}
    reach = math.hypot(1280, 720) / 2
    for channel, scale in (("red", 0.002), ("blue", -0.0015)):
        low, high = found[channel].interval
        assert low <= 100 * scale * reach / 720 <= high
        assert high - low < 0.08
        # Its own conversion of planes: a player's, in whole codes, is off by twice as much.
        assert found[channel].value == pytest.approx(100 * scale * reach / 720, abs=0.006)


def test_a_clip_without_colour_says_nothing_of_fringes(tmp_path):
    film_edges(tmp_path / "grey.mp4", Blur(0.8), np.random.default_rng(6))
    outcome = measure("sharpness", [tmp_path / "grey.mp4"]).outcome
    assert outcome.findings["lateral_colour_px"] is None
    assert not [r for r in outcome.results if r.measurand == "lateral_colour"]
