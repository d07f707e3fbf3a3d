"""Finding targets: whole, cut off, dim, blurred, mirrored, tilted; and what is refused."""

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.observe.chessboard import find_chessboard, parse_board
from seeworthy.optics.lens import LensCamera
from seeworthy.optics.plane import direct_homography, fit_plane
from seeworthy.targets import target
from seeworthy.targets.find import find
from seeworthy.virtual.filming import Studio, paints_of, take_still
from seeworthy.virtual.optics import Blur, Sensor
from seeworthy.virtual.planar import Lens, Paint, Pose

LENS = Lens.of_view(1280, 720, 80, (-0.25, 0.06, 0.0005, -0.0004, 0.0))
MIDDLE = (136.0, 88.0)


def shot(name, pose, **settings):
    lens = settings.pop("lens", LENS)
    studio = Studio(paints_of(target(name).painting()), lens, **settings)
    return take_still(studio, pose, np.random.default_rng(3))


def truth(found, pose, lens=LENS):
    px = lens.project(pose.apply(found.plane))
    return px * (-1, 1) + (lens.width - 1, 0) if found.mirrored else px


CASES = {
    # name: (pose, settings, at least so many points, rms in px at most)
    "facing": (Pose.facing(230, pivot=MIDDLE, tilt=(5, 4)), {}, 77, 0.04),
    "tilted": (Pose.facing(230, pivot=MIDDLE, tilt=(20, 25), roll=10), {}, 77, 0.04),
    "cut off": (Pose.facing(230, pivot=(0, 88), at=(0, -60), tilt=(20, 25)), {}, 35, 0.04),
    "near": (Pose.facing(120, pivot=MIDDLE, tilt=(10, -15), roll=-5), {}, 45, 0.04),
    "far": (Pose.facing(420, pivot=MIDDLE, tilt=(20, 25), roll=10), {}, 70, 0.05),
    "60 degrees": (Pose.facing(230, pivot=MIDDLE, tilt=(0, 60), roll=10), {}, 60, 0.12),
    "60 degrees, turned": (Pose.facing(260, pivot=MIDDLE, tilt=(60, 0), roll=100), {}, 55, 0.12),
    "upside down": (Pose.facing(230, pivot=MIDDLE, tilt=(15, 15), roll=180), {}, 77, 0.04),
    "dim": (
        Pose.facing(230, pivot=MIDDLE, tilt=(20, 25)),
        {"exposure": 0.04, "sensor": Sensor(4000, 12)}, 70, 0.4,
    ),
    "blurred": (Pose.facing(230, pivot=MIDDLE, tilt=(20, 25)), {"blur": Blur(2.5)}, 60, 0.3),
    "mirrored": (Pose.facing(230, pivot=MIDDLE, tilt=(20, 25)), {"mirrored": True}, 77, 0.04),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_board_corners_lie_where_they_were_rendered(case):
    pose, settings, least, rms = CASES[case]
    picture = shot("board", pose, **settings)
    found = find(picture, "board", mirrored=settings.get("mirrored", False))
    away = found.image - truth(found, pose)
    assert len(found.ids) >= least
    assert np.sqrt(np.mean(away**2)) < rms
    # Places come with their numbers: no point is taken for its neighbour.
    for number, place in zip(found.ids, found.plane, strict=True):
        assert target("board").points[int(number)] == tuple(place)


@pytest.mark.parametrize("name", ["edges", "edges-high", "rings", "greys", "slate"])
def test_regions_and_markers_of_other_targets(name):
    pose = Pose.facing(200, pivot=(136, 80), tilt=(6, -8), roll=3)
    found = find(shot(name, pose), name)
    layout = target(name)
    assert len(found.markers) >= len(layout.markers) - 1
    for region in layout.regions:
        corners = np.array(region.corners)
        away = found.region(region.name) - LENS.project(pose.apply(corners))
        assert np.abs(away).max() < 2.5


def test_known_lens_makes_the_map_exact():
    pose = Pose.facing(200, pivot=(136, 80), tilt=(20, -8), roll=3)
    camera = LensCamera("pinhole", 1280, 720, LENS.fx, LENS.fy, LENS.cx, LENS.cy, LENS.k)
    found = find(shot("board", pose), "board", camera=camera)
    every = np.array(list(target("board").points.values()))
    away = found.mapping.to_image(every) - LENS.project(pose.apply(every))
    assert np.abs(away).max() < 0.05
    np.testing.assert_allclose(
        found.mapping.to_plane(found.mapping.to_image(every)), every, atol=1e-6
    )


def test_mirrored_without_being_told_is_refused():
    picture = shot("board", Pose.facing(230, pivot=MIDDLE, tilt=(20, 25)), mirrored=True)
    with pytest.raises(CannotMeasure) as refusal:
        find(picture, "board")
    assert "mirrored" in refusal.value.hint


def test_wrong_target_is_named():
    picture = shot("greys", Pose.facing(230, pivot=(136, 90)))
    with pytest.raises(CannotMeasure, match="the target 'greys', not 'board'"):
        find(picture, "board")


@pytest.mark.parametrize("level", [0, 30, 128, 255])
def test_even_pictures_hold_no_target(level):
    rng = np.random.default_rng(1)
    noise = np.clip(level + rng.normal(0, 2, (720, 1280)), 0, 255).astype(np.uint8)
    with pytest.raises(CannotMeasure, match="No 'board' target"):
        find(noise, "board")


def test_too_far_away_is_refused():
    picture = shot("board", Pose.facing(3500, pivot=MIDDLE))
    with pytest.raises(CannotMeasure, match="target"):
        find(picture, "board")


def test_homography_of_exact_points_is_exact():
    rng = np.random.default_rng(0)
    h = np.array([[1.2, 0.1, 30], [-0.2, 0.9, 5], [1e-4, -2e-4, 1]])
    plane = rng.uniform(0, 200, (12, 2))
    lifted = np.column_stack([plane, np.ones(12)]) @ h.T
    np.testing.assert_allclose(
        direct_homography(plane, lifted[:, :2] / lifted[:, 2:]), h, atol=1e-9
    )


def test_map_shrugs_off_one_wrong_point():
    plane = np.array([[x, y] for x in range(0, 200, 40) for y in range(0, 200, 40)], float)
    image = plane * 3 + (100, 50)
    image[7] += (25, -40)
    mapping = fit_plane(plane, image, 1280, 720)
    keep = np.arange(len(plane)) != 7
    assert np.abs(mapping.to_image(plane) - image)[keep].max() < 0.5


def test_chessboard_corners_and_order():
    paints = [
        Paint(np.array([[x, y], [x + 25, y], [x + 25, y + 25], [x, y + 25]], float), -0.8)
        for x in range(0, 250, 25) for y in range(0, 175, 25) if (x + y) // 25 % 2 == 0
    ]  # fmt: skip
    pose = Pose.facing(330, pivot=(125, 88), tilt=(15, 20), roll=5)
    picture = take_still(Studio(paints, LENS), pose, np.random.default_rng(0))
    points = find_chessboard(picture, (9, 6), 25.0)
    assert len(points.ids) == 54
    # It may be read from either end; both are the same board.
    forward = LENS.project(pose.apply(points.plane + 25.0))
    backward = LENS.project(pose.apply(np.array([225.0, 150.0]) - points.plane))
    away = min(np.abs(points.image - forward).max(), np.abs(points.image - backward).max())
    assert away < 0.3
    with pytest.raises(CannotMeasure, match="8 × 6 inner corners"):
        find_chessboard(picture, (8, 6), 25.0)


@pytest.mark.parametrize("text", ["9", "9x", "1x9", "axb", "9x99", ""])
def test_chessboard_size_must_be_two_numbers(text):
    with pytest.raises(WrongCall, match="not the size of a chessboard"):
        parse_board(text)
