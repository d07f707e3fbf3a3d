"""The virtual camera for flat targets: exact coverage, projection, blur, movement."""

import math

import cv2
import numpy as np
import pytest

from seeworthy.virtual.filming import Hold, Studio, frames
from seeworthy.virtual.optics import Blur, Sharpening, develop, encode_tone
from seeworthy.virtual.planar import Lens, Paint, Pose, Shot, coverage, disc, photograph

SQUARE = np.array([[-20.0, -20.0], [20.0, -20.0], [20.0, 20.0], [-20.0, 20.0]])


def area_of(polygon, width=8, height=8):
    b = np.roll(polygon, -1, axis=0)
    return coverage(polygon, b, np.ones(len(polygon)), width, height)


def test_coverage_of_a_triangle_is_its_area_cell_by_cell():
    triangle = np.array([[1.2, 1.1], [5.7, 2.3], [3.1, 6.8]])
    cells = area_of(triangle)
    a, b = triangle[1] - triangle[0], triangle[2] - triangle[0]
    assert cells.sum() == pytest.approx(0.5 * (a[0] * b[1] - a[1] * b[0]), abs=1e-12)
    # Against counting: 400 × 400 samples in one cell that an edge crosses.
    s = (np.arange(400) + 0.5) / 400
    grid = np.stack(np.meshgrid(4 + s, 4 + s), axis=-1).reshape(-1, 1, 2).astype(np.float32)
    path = triangle.astype(np.float32).reshape(-1, 1, 2)
    inside = np.mean([cv2.pointPolygonTest(path, p[0].tolist(), False) > 0 for p in grid[::7]])
    assert cells[4, 4] == pytest.approx(inside, abs=0.01)


def test_coverage_outside_the_frame_counts_to_the_right_of_an_edge_only():
    shifted = np.array([[1.2, 1.1], [5.7, 2.3], [3.1, 6.8]]) - (3, 2)
    np.testing.assert_allclose(
        area_of(shifted, 3, 3),
        area_of(np.add(shifted, (3, 2)))[2:5, 3:6],
        atol=1e-12,
    )


def test_touching_polygons_leave_no_seam():
    left = Paint(np.array([[-9, -9], [0.3, -9], [0.3, 9], [-9, 9.0]]), -0.5)
    right = Paint(np.array([[0.3, -9], [9, -9], [9, 9], [0.3, 9.0]]), -0.5)
    lens = Lens(16, 16, 100.0, 100.0, 7.5, 7.5)
    seen = photograph([left, right], 0.8, lens, Shot(Pose.facing(100.0)))
    np.testing.assert_allclose(seen, 0.3, atol=1e-12)


def test_disc_has_the_area_of_its_circle():
    lens = Lens(64, 64, 100.0, 100.0, 31.5, 31.5)
    seen = photograph([Paint(disc((0, 0), 25.0), 1.0)], 0.0, lens, Shot(Pose.facing(100.0)))
    assert seen.sum() / 4 == pytest.approx(math.pi * 25**2, rel=2e-4)  # chords of 16 px


@pytest.mark.parametrize("k", [(-0.27, 0.04, 0.002, -0.0003, 0.02), (0.1, 0, 0, 0, 0)])
def test_pinhole_projection_is_that_of_opencv(k):
    lens = Lens(1280, 720, 900.0, 880.0, 650.0, 350.0, k=k)
    points = np.random.default_rng(0).uniform([-300, -200, 500], [300, 200, 900], (50, 3))
    matrix = np.array([[900.0, 0, 650], [0, 880, 350], [0, 0, 1]])
    expected = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, np.array(k))[0]
    np.testing.assert_allclose(lens.project(points), expected.reshape(-1, 2), atol=1e-9)


def test_fisheye_projection_is_that_of_opencv():
    k = (0.02, -0.01, 0.003, 0.0)
    lens = Lens(1280, 720, 560.0, 560.0, 650.0, 350.0, "fisheye", k)
    points = np.random.default_rng(0).uniform([-900, -500, 300], [900, 500, 900], (50, 3))
    matrix = np.array([[560.0, 0, 650], [0, 560, 350], [0, 0, 1]])
    expected, _ = cv2.fisheye.projectPoints(
        points.reshape(-1, 1, 3), np.zeros(3), np.zeros(3), matrix, np.array(k)
    )
    np.testing.assert_allclose(lens.project(points), expected.reshape(-1, 2), atol=1e-8)


def test_rays_undo_the_projection():
    for lens in (
        Lens(1280, 720, 800.0, 800.0, 640.0, 360.0, k=(-0.25, 0.05, 0.001, -0.001, 0.0)),
        Lens(1280, 720, 560.0, 560.0, 640.0, 360.0, "fisheye", (0.02, -0.01, 0.0, 0.0)),
    ):
        px = np.array([[0.0, 0.0], [1279.0, 100.0], [640.0, 360.0], [300.0, 719.0]])
        np.testing.assert_allclose(lens.project(lens.ray(px) * 500.0), px, atol=1e-6)


def test_view_angles_of_the_published_table(published):
    # Source: analytic pinhole geometry, arithmetic.
    rows = [r for r in published("fov_examples.csv") if r["model"].startswith("focal in px")]
    assert len(rows) == 2
    for row in rows:
        lens = Lens.of_view(int(row["w"]), int(row["h"]), float(row["H_deg"]))
        assert lens.fx == pytest.approx(float(row["f"]), abs=1e-4)
        for found, name in zip(lens.view_angles(), ("H_deg", "V_deg", "D_deg"), strict=True):
            assert found == pytest.approx(float(row[name]), abs=1e-4)


def mtf_of(blur, oversample):
    """Measure the MTF from an upright edge at 16 places within a pixel."""
    lens = Lens(48, 6, 100.0, 100.0, 23.5, 2.5)
    samples = []
    for i in range(16):
        at = i / 16
        edge = np.array([[at, -9.0], [40.0, -9.0], [40.0, 9.0], [at, 9.0]])
        shot = Shot(Pose.facing(100.0), oversample=oversample)
        row = blur.apply(photograph([Paint(edge, 1.0)], 0.0, lens, shot), oversample)[3]
        samples.append(row.astype(float))
    spread = np.array(samples)[::-1].T.ravel()  # every pixel, every shift: 1/16 px steps
    line = np.diff(spread)[16 * 8 : 16 * 40]
    frequency = np.array([0.1, 0.2, 0.3, 0.4, 0.5])
    place = np.arange(len(line)) / 16
    wave = np.exp(-2j * np.pi * frequency[:, None] * place)
    return frequency, np.abs(wave @ line) / line.sum()


@pytest.mark.parametrize("sigma", [0.5, 0.8, 1.5])
def test_blur_has_the_mtf_it_states(sigma):
    # Source: Fourier transform of a Gaussian and of a square pixel, analytic.
    frequency, found = mtf_of(Blur(centre=sigma), 4)
    expected = np.exp(-2 * (np.pi * sigma * frequency) ** 2) * np.sinc(frequency)
    np.testing.assert_allclose(found, expected, atol=0.003)
    np.testing.assert_allclose(Blur(centre=sigma).mtf(frequency), expected, atol=1e-12)


def test_blur_grows_to_the_corners_as_stated():
    blur = Blur(0.6, (1.0, 1.4, 1.8, 2.2))
    corners = [float(blur.sigma(u, v)) for v in (-1, 1) for u in (-1, 1)]
    assert corners == pytest.approx([1.0, 1.4, 1.8, 2.2])
    assert float(blur.sigma(0, 0)) == pytest.approx(0.6)
    # The mixture of levels stays near the Gaussian that it stands for.
    f = np.linspace(0, 0.5, 11)
    exact = np.exp(-2 * (np.pi * float(blur.sigma(1, 0)) * f) ** 2) * np.sinc(f)
    np.testing.assert_allclose(blur.mtf(f, 1, 0), exact, atol=0.02)


def test_sharpening_lifts_the_spectrum_as_stated():
    sharp = Sharpening(0.8, 1.2)
    wave = 0.5 + 0.1 * np.cos(2 * np.pi * 0.2 * np.arange(400)) * np.ones((40, 1))
    out = sharp.apply(wave.astype(np.float32))[20, 100:300]
    gain = (out.max() - out.min()) / (wave[20, 100:300].max() - wave[20, 100:300].min())
    assert gain == pytest.approx(float(sharp.mtf(np.array(0.2))), rel=0.01)


def test_tone_curve_of_grey():
    # Source: BT.709-6 item 1.2: V(0.18) = 0.409008, limited code 105.57.
    assert float(encode_tone(np.array([0.18], np.float32))[0]) == pytest.approx(0.409008, abs=1e-6)
    codes = develop(np.full((4, 4), 0.18, np.float32), np.random.default_rng(0))
    assert codes[0, 0] == 106


def test_rolling_shutter_leans_a_moving_upright():
    lens = Lens(200, 160, 200.0, 200.0, 99.5, 79.5)
    bar = np.array([[-3.0, -200.0], [3.0, -200.0], [3.0, 200.0], [-3.0, 200.0]])
    moving = Shot(Pose.facing(200.0), Pose.facing(200.0, at=(20.0, 0.0)))
    seen = photograph([Paint(bar, 1.0)], 0.0, lens, moving)
    x = np.arange(seen.shape[1]) / 2
    centre = (seen * x).sum(axis=1) / seen.sum(axis=1)
    # 20 mm at 1 px per mm between first and last row.
    slope = np.polyfit(np.arange(len(centre)) / 2, centre, 1)[0]
    assert slope * (lens.height - 1) == pytest.approx(20.0, rel=0.005)


def test_mirrored_shot_is_the_mirror_image():
    lens = Lens(64, 48, 80.0, 80.0, 31.5, 23.5)
    pose = Pose.facing(100.0, at=(8.0, 3.0), roll=20.0)
    paint = [Paint(SQUARE, -0.5)]
    plain = photograph(paint, 0.8, lens, Shot(pose))
    mirrored = photograph(paint, 0.8, lens, Shot(pose, mirrored=True))
    np.testing.assert_array_equal(mirrored, plain[:, ::-1])


def test_frames_of_a_script_hold_and_move():
    studio = Studio([Paint(SQUARE, -0.7)], Lens(96, 64, 100.0, 100.0, 47.5, 31.5), sensor=None)
    script = [Hold(Pose.facing(200.0), 3, 2), Hold(Pose.facing(200.0, at=(30.0, 0.0)), 2)]
    made = list(frames(studio, script, np.random.default_rng(0)))
    assert len(made) == 3 + 2 + 2
    np.testing.assert_array_equal(made[0], made[2])
    assert np.any(made[3] != made[2])
