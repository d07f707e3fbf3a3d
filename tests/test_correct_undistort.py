"""Undistortion: where each pixel comes from, held against OpenCV; framing; refusals."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from seeworthy.ground.errors import UnreadableInput, WrongCall
from seeworthy.judge.correct.data import DataOrigin, LensData, parse, read_file
from seeworthy.judge.correct.undistort import WIDEST, plan_undistortion
from seeworthy.optics.lens import LensCamera

SIZE = (640, 360)
BARREL = LensCamera("pinhole", *SIZE, 400, 404, 325, 176, (-0.25, 0.06, 3e-4, -4e-4, 0.0))
PINCUSHION = LensCamera("pinhole", *SIZE, 400, 400, 319.5, 179.5, (0.12, 0.0, 0.0, 0.0, 0.0))
FISHEYE = LensCamera("fisheye", *SIZE, 260, 262, 316, 183, (-0.02, 0.004, 0.0, 0.0))
ROUND = LensCamera("fisheye", *SIZE, 190, 190, 319.5, 179.5, (0.0, 0.0, 0.0, 0.0))  # 193° across


def lens(camera, reach=1.0):
    return LensData(camera, reach, DataOrigin("here"))


def square(matrix):
    fx, fy, cx, cy = matrix
    return np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]])


@pytest.mark.parametrize("keep_all", [False, True])
@pytest.mark.parametrize("camera", [BARREL, PINCUSHION])
def test_pinhole_map_is_opencvs(camera, keep_all):
    # Outside computation: cv2.initUndistortRectifyMap.
    plan = plan_undistortion(lens(camera), SIZE, keep_all)
    old = np.array([[camera.fx, 0, camera.cx], [0, camera.fy, camera.cy], [0, 0, 1]])
    theirs = cv2.initUndistortRectifyMap(
        old, np.array(camera.k), None, square(plan.matrix), SIZE, cv2.CV_32FC1
    )
    for own, other in zip(plan.maps(), theirs, strict=True):
        np.testing.assert_allclose(own, other, atol=2e-3)


def test_fisheye_map_is_opencvs():
    plan = plan_undistortion(lens(FISHEYE), SIZE, False)
    old = np.array([[FISHEYE.fx, 0, FISHEYE.cx], [0, FISHEYE.fy, FISHEYE.cy], [0, 0, 1]])
    theirs = cv2.fisheye.initUndistortRectifyMap(
        old.astype(float), np.array(FISHEYE.k), np.eye(3), square(plan.matrix), SIZE, cv2.CV_32FC1
    )
    for own, other in zip(plan.maps(), theirs, strict=True):
        np.testing.assert_allclose(own, other, atol=2e-3)


def test_a_straight_line_in_space_is_straight_in_the_new_picture():
    # Outside computation: cv2.projectPoints draws the line as the lens does.
    plan = plan_undistortion(lens(BARREL), SIZE, True)
    line = np.array([[t, 0.35 + 0.1 * t, 1.0 + 0.2 * t] for t in np.linspace(-0.6, 0.6, 25)])
    old = np.array([[BARREL.fx, 0, BARREL.cx], [0, BARREL.fy, BARREL.cy], [0, 0, 1]])
    zero = np.zeros(3)
    seen = cv2.projectPoints(line, zero, zero, old, np.array(BARREL.k))[0][:, 0]
    x, y = plan.maps()
    grid = np.stack([x, y], axis=-1).astype(float)
    rows, columns = np.mgrid[: SIZE[1], : SIZE[0]]
    new = []
    for point in seen:  # the new pixel whose source lies nearest, then one Newton step
        far = np.hypot(*(grid - point).transpose(2, 0, 1))
        r, c = np.unravel_index(int(far.argmin()), far.shape)
        r, c = min(max(r, 1), SIZE[1] - 2), min(max(c, 1), SIZE[0] - 2)
        jacobian = np.column_stack(
            [(grid[r, c + 1] - grid[r, c - 1]) / 2, (grid[r + 1, c] - grid[r - 1, c]) / 2]
        )
        step = np.linalg.solve(jacobian, point - grid[r, c])
        new.append((columns[r, c] + step[0], rows[r, c] + step[1]))
    new = np.array(new)
    bow = new[:, 1] - np.polyval(np.polyfit(new[:, 0], new[:, 1], 1), new[:, 0])
    before = seen[:, 1] - np.polyval(np.polyfit(seen[:, 0], seen[:, 1], 1), seen[:, 0])
    assert np.abs(before).max() > 2
    assert np.abs(bow).max() < 0.02


@pytest.mark.parametrize("camera", [BARREL, PINCUSHION, FISHEYE, ROUND])
def test_fill_shows_nothing_but_the_old_picture(camera):
    plan = plan_undistortion(lens(camera), SIZE, False)
    x, y = plan.maps()
    assert x.min() >= -0.02
    assert x.max() <= SIZE[0] - 0.98
    assert y.min() >= -0.02
    assert y.max() <= SIZE[1] - 0.98
    # and wastes little: the picture reaches two opposite edges
    assert min(y.min(), SIZE[1] - 1 - y.max()) < 4 or min(x.min(), SIZE[0] - 1 - x.max()) < 4


@pytest.mark.parametrize("camera", [BARREL, PINCUSHION, replace(FISHEYE, fx=340, fy=342)])
def test_keep_all_shows_all_of_the_old_picture(camera):
    plan = plan_undistortion(lens(camera), SIZE, True)
    x, y = np.meshgrid(np.linspace(0, SIZE[0] - 1, 33), np.linspace(0, SIZE[1] - 1, 19))
    flat = camera.undistort(np.column_stack([x.ravel(), y.ravel()]))
    fx, fy, cx, cy = plan.matrix
    new = flat * (fx, fy) + (cx, cy)
    assert new.min() >= -0.01
    assert (new <= (SIZE[0] - 0.99, SIZE[1] - 0.99)).all()
    assert not plan.narrowed


def test_wider_than_a_flat_picture_is_cut_and_said():
    plan = plan_undistortion(lens(ROUND), SIZE, True)
    assert plan.narrowed
    fx, fy, cx, cy = plan.matrix
    x, y = np.meshgrid((np.arange(SIZE[0]) - cx) / fx, (np.arange(SIZE[1]) - cy) / fy)
    shown = plan.maps()[0] > -1000
    assert (np.hypot(x, y)[shown] <= math.tan(WIDEST)).all()
    assert 0.5 < shown.mean() < 1


def test_what_the_model_folds_over_stays_black():
    folding = LensCamera("pinhole", *SIZE, 400, 400, 319.5, 179.5, (-0.45, 0.0, 0.0, 0.0, 0.0))
    x, _ = plan_undistortion(lens(folding), SIZE, True).maps()
    fx, _, cx, _ = plan_undistortion(lens(folding), SIZE, True).matrix
    beyond = (np.arange(SIZE[0]) - cx) / fx > math.sqrt(1 / (3 * 0.45))
    assert (x[SIZE[1] // 2][beyond] < -1000).all()


def test_pixels_keep_their_shape():
    fx, fy, _, _ = plan_undistortion(lens(BARREL), SIZE, False).matrix
    assert fy / fx == pytest.approx(404 / 400)


def test_another_size_of_the_same_shape_is_scaled():
    small = plan_undistortion(lens(BARREL), SIZE, False)
    large = plan_undistortion(lens(BARREL), (1280, 720), False)
    assert large.hfov == pytest.approx(small.hfov, abs=0.1)
    assert large.camera.cx == pytest.approx((325 + 0.5) * 2 - 0.5)  # edges of pixels coincide
    # A pixel of the small map looks where the four of the large one do, on average.
    for own, fine in zip(small.maps(), large.maps(), strict=True):
        mean = cv2.resize(fine, SIZE, interpolation=cv2.INTER_AREA)
        np.testing.assert_allclose((mean + 0.5) / 2 - 0.5, own, atol=0.6)


def test_another_shape_is_refused():
    with pytest.raises(WrongCall, match="640×480, another shape"):
        plan_undistortion(lens(BARREL), (640, 480), False)


def test_the_description_is_enough_to_draw_it():
    plan = plan_undistortion(lens(BARREL), SIZE, True)
    told = json.loads(json.dumps(plan.to_json()))
    fx, fy, cx, cy = told["new_matrix"]
    camera = LensCamera(told["model"], *told["size"], *told["matrix"], tuple(told["distortion"]))
    px = camera.distort(np.array([[(100 - cx) / fx, (50 - cy) / fy]]))[0]
    assert px == pytest.approx([m[50, 100] for m in plan.maps()], abs=1e-3)


GOOD = {
    "kind": "lens", "size": [640, 360], "model": "pinhole", "matrix": [400, 400, 320, 180],
    "distortion": [-0.2, 0, 0, 0, 0],
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"model": "other"}, "not known"),
        ({"matrix": [400, 400, 320]}, "numbers were expected"),
        ({"matrix": [-400, 400, 320, 180]}, "not positive"),
        ({"distortion": [0.1]}, "numbers were expected"),
        ({"size": [640]}, "unpack"),
        ({"matrix": None}, "numbers were expected"),
    ],
)
def test_damaged_lens_data_is_refused(change, said):
    with pytest.raises(WrongCall, match=said):
        parse({**GOOD, **change}, DataOrigin("lens.json"))


def test_files_that_are_no_correction(tmp_path):
    path = tmp_path / "lens.json"
    with pytest.raises(UnreadableInput, match="cannot be read"):
        read_file(path, "lens")
    path.write_text("no json")
    with pytest.raises(UnreadableInput, match="not JSON"):
        read_file(path, "lens")
    path.write_text('{"procedure": "sound", "results": []}')
    with pytest.raises(WrongCall, match="results of sound"):
        read_file(path, "lens")
    path.write_text('{"error": {"kind": "cannot-measure", "message": "No board."}}')
    with pytest.raises(WrongCall, match="refusal: No board"):
        read_file(path, "lens")
    path.write_text(json.dumps({"correction": GOOD, "inputs": [{"file": "a.mp4", "sha256": "ab"}]}))
    with pytest.raises(WrongCall, match="corrects lens, not shading"):
        read_file(path, "shading")
    found = read_file(path, "lens")
    assert found.origin == DataOrigin("lens.json (a.mp4)", ("ab",))
