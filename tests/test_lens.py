"""Lens: camera models against published positions, calibration against rendered truth."""

import math
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from seeworthy.ground.budget import combined
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.media.source import Source
from seeworthy.observe.chessboard import find_chessboard
from seeworthy.optics.lens import LensCamera, tv_distortion, view_angles
from seeworthy.procedures import procedure
from seeworthy.procedures.declare import gather
from seeworthy.procedures.lens import study
from seeworthy.procedures.lens.board import BoardView
from seeworthy.procedures.lens.calibrate import FORMS, calibrate, choose, refine
from seeworthy.procedures.lens.measure import _budgets, measure_lens, select_views
from seeworthy.targets import target
from seeworthy.virtual.filming import Hold, Studio, film, paints_of, take_still
from seeworthy.virtual.planar import Lens, Pose

PHOTOS = Path("/usr/share/doc/opencv-doc/examples/data")
BOARD = np.array(list(target("board").points.values()))


def run(files, readings=None, options=None):
    sources = {"": [Source.of(f) for f in files]}
    return procedure("lens").run(gather(procedure("lens"), sources, readings or {}, options))


def pinhole(k=(0.0,) * 5, f=500.0, size=(1280, 720)):
    return LensCamera("pinhole", *size, f, f, (size[0] - 1) / 2, (size[1] - 1) / 2, k)


def views_of(lens, script, noise=0.02, seed=0):
    rng = np.random.default_rng(seed)
    found = []
    for hold in script:
        px = lens.project(hold.pose.apply(BOARD))
        inside = (px > 8).all(axis=1) & (px[:, 0] < lens.width - 9) & (px[:, 1] < lens.height - 9)
        if inside.sum() >= 12:
            noisy = px + rng.normal(0, noise, px.shape)
            found.append(BoardView(BOARD[inside], noisy[inside]))
    return found


# geometry


def test_published_positions_of_brown_conrady(published):
    # Source: Brown 1971, intrinsics of a real camera; equal to OpenCV.
    row = published("opencv_left_calibration.csv")[0]
    k = tuple(float(row[n]) for n in ("k1", "k2", "p1", "p2", "k3"))
    camera = LensCamera(
        "pinhole", 640, 480, float(row["fx"]), float(row["fy"]), float(row["cx"]),
        float(row["cy"]), k,
    )  # fmt: skip
    for point in published("distortion_brown_conrady.csv"):
        xy = np.array([[float(point["x_normalised"]), float(point["y_normalised"])]])
        expected = [float(point["u_px"]), float(point["v_px"])]
        # The table was made with coefficients of more digits than the calibration table shows.
        np.testing.assert_allclose(camera.distort(xy)[0], expected, atol=2e-3)
        np.testing.assert_allclose(camera.undistort(camera.distort(xy)), xy, atol=1e-9)


def test_models_are_those_of_opencv():
    xy = np.random.default_rng(0).uniform(-0.8, 0.8, (40, 2))
    points = np.column_stack([xy, np.ones(40)]).reshape(-1, 1, 3)
    matrix = np.array([[500.0, 0, 639.5], [0, 500, 359.5], [0, 0, 1]])
    k5, k4 = (-0.2, 0.05, 0.001, -0.002, 0.01), (0.02, -0.01, 0.003, 0.001)
    flat = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, np.array(k5))[0]
    np.testing.assert_allclose(pinhole(k5).distort(xy), flat.reshape(-1, 2), atol=1e-9)
    fish = LensCamera("fisheye", 1280, 720, 500.0, 500.0, 639.5, 359.5, k4)
    bent = cv2.fisheye.projectPoints(points, np.zeros(3), np.zeros(3), matrix, np.array(k4))[0]
    np.testing.assert_allclose(fish.distort(xy), bent.reshape(-1, 2), atol=1e-8)


def test_equidistant_lens_is_the_published_curve(published):
    # Source: r = f θ, arithmetic.
    camera = LensCamera("fisheye", 1280, 720, 100.0, 100.0, 0.0, 0.0, (0.0,) * 4)
    rows = [r for r in published("projection_r_over_f.csv") if float(r["theta_deg"]) < 90]
    for row in rows:
        slope = math.tan(math.radians(float(row["theta_deg"])))
        r = camera.distort(np.array([[slope, 0.0]]))[0, 0] / 100
        assert r == pytest.approx(float(row["equidistant_theta"]), abs=1e-6)
    wide = camera.rays(np.array([[100 * math.radians(110), 0.0]]))[0]
    assert math.degrees(math.atan2(wide[0], wide[2])) == pytest.approx(110)


def test_angles_of_the_published_table(published):
    # Source: analytic pinhole geometry, arithmetic.
    for row in published("fov_examples.csv"):
        if not row["model"].startswith("focal in px"):
            continue
        camera = pinhole(f=float(row["f"]), size=(int(row["w"]), int(row["h"])))
        expected = [float(row[n]) for n in ("H_deg", "V_deg", "D_deg")]
        assert view_angles(camera) == pytest.approx(expected, abs=1e-4)


def test_tv_distortion_of_the_published_table(published):
    # Source: ISO 17850 form dH/H from memory, arithmetic; r = 1 at the frame's corner.
    rows = published("distortion_tv.csv")
    for row in rows:
        k = float(row[next(n for n in row if n.startswith("k in"))])
        expected = float(row[next(n for n in row if n.startswith("TV_distortion"))])
        size = (1280, 960) if row["aspect"] == "4:3" else (1280, 720)
        f = math.hypot(*size) / 2
        camera = pinhole((k, 0, 0, 0, 0), f, size)
        assert tv_distortion(camera) == pytest.approx(expected, abs=2e-4)
    assert len(rows) == 8


def test_beyond_the_fold_there_is_no_angle():
    folded = pinhole((-0.9, 0, 0, 0, 0), 500.0)
    assert all(math.isnan(a) for a in (view_angles(folded)[0], view_angles(folded)[2]))
    assert not math.isnan(view_angles(pinhole((-0.2, 0, 0, 0, 0), 900.0))[2])


# injected truth


@pytest.mark.parametrize("group", study.GROUPS)
def test_exact_corners_give_the_exact_lens(group):
    rng = np.random.default_rng(4)
    lens = study.random_lens(group, rng)
    fits, _ = choose(views_of(lens, study.script(lens, rng), noise=1e-6), 1280, 720)
    assert fits[0].form.kind == lens.kind
    assert fits[0].camera.fx == pytest.approx(lens.fx, rel=1e-5)
    np.testing.assert_allclose(view_angles(fits[0].camera), lens.view_angles(), atol=1e-3)


def test_a_corner_taken_for_another_is_left_out():
    rng = np.random.default_rng(4)
    lens = study.random_lens("mild barrel", rng)
    views = views_of(lens, study.script(lens, rng))
    whole = measure_lens(views, 1280, 720)
    wrong = views[3].image.copy()
    wrong[5] += (18.0, -3.0)
    views[3] = BoardView(views[3].plane, wrong, "one wrong")
    found = measure_lens(views, 1280, 720)
    assert (whole.left_out, found.left_out) == (0, 1)
    assert found.values["focal_length"][0] == pytest.approx(whole.values["focal_length"][0], 2e-4)
    assert found.fit.rms < 0.1


def test_uncertainty_is_the_scatter_of_repeats():
    rng = np.random.default_rng(2)
    lens = study.random_lens("strong barrel", rng)
    script = study.script(lens, rng)
    found = []
    for seed in range(12):
        fit = calibrate(views_of(lens, script, 0.05, seed), 1280, 720, FORMS[0])
        u = fit.uncertainty(lambda c: np.array([c.fx]))[0]
        found.append(((fit.camera.fx - lens.fx) / u, u))
    z = [f[0] for f in found]
    assert 0.4 < np.sqrt(np.mean(np.square(z))) < 1.8


def test_a_model_that_fits_as_well_is_inside_the_uncertainty():
    """The way to it is rectangular: u of at least the difference over root 3 (JCGM 100:2008,
    4.3.7)."""
    rng = np.random.default_rng(3)
    lens = study.random_lens("strong barrel", rng)
    fits, _ = choose(views_of(lens, study.script(lens, rng), 0.3), 1280, 720)
    first, other = fits[0], fits[-1]
    alone, both = (combined(_budgets(first, r)["hfov"]) for r in ([], [other]))
    away = abs(view_angles(other.camera)[0] - view_angles(first.camera)[0])
    assert away > 0.1 * alone
    assert both == pytest.approx(math.hypot(alone, away / math.sqrt(3)))


@pytest.mark.parametrize("bow", [0.1, 0.25, 0.5])
@pytest.mark.parametrize("way", [(1.0, 0.0, 0.0), (0.5, 1.0, 0.5), (0.7, 0.0, 0.7)])
def test_a_bowed_board_moves_no_angle_out_of_its_interval(bow, way):
    """A cylinder across, one along the diagonal, a bowl; mm at the edge of the pattern.

    Unfitted, 0.25 mm moved hfov by 0.24 to 0.29 degrees with 0.06 to 0.14 stated
    (../shared/intervals.md 1.6, made by other code than this).
    """
    rng = np.random.default_rng(7)
    lens = study.random_lens("strong barrel", rng)
    x, y = ((BOARD - (BOARD.max(0) + BOARD.min(0)) / 2) / (np.ptp(BOARD, axis=0).max() / 2)).T
    off = bow * (way[0] * x * x + way[1] * x * y + way[2] * y * y)
    noise = np.random.default_rng(3)
    views = []
    for hold in study.script(lens, rng):
        corner, right, down = hold.pose.apply(np.array([[0.0, 0], [1, 0], [0, 1]]))
        normal = np.cross(right - corner, down - corner)
        px = lens.project(hold.pose.apply(BOARD) + off[:, None] * normal)
        inside = (px > 8).all(axis=1) & (px[:, 0] < 1271) & (px[:, 1] < 711)
        if inside.sum() >= 12:
            views.append(
                BoardView(BOARD[inside], px[inside] + noise.normal(0, 0.04, (inside.sum(), 2)))
            )
    found = measure_lens(views, 1280, 720)
    for name, true in zip(("hfov", "vfov", "dfov"), lens.view_angles(), strict=True):
        value, u = found.values[name]
        assert abs(value - true) < 2.2 * u  # Student's t of so many views, 95 %
        assert u < 0.04
    assert found.fit.board.bow == pytest.approx(bow * np.array(way), abs=0.02)


def test_views_are_chosen_for_their_difference():
    rng = np.random.default_rng(4)
    lens = study.random_lens("mild barrel", rng)
    views = views_of(lens, study.script(lens, rng))
    many = [v for v in views for _ in range(4)]
    chosen = select_views(many, 1280, most=len(views))
    assert {id(v) for v in chosen} == {id(v) for v in views}


def test_rendered_film_through_the_encoder(tmp_path):
    rng = np.random.default_rng(6)
    lens = study.random_lens("strong barrel", rng)
    path = study._film(lens, study.script(lens, rng), rng, str(tmp_path))
    outcome = run([path], {"printed_length": ["175.2 mm ± 0.2 mm"]})
    found = {r.measurand: r for r in outcome.results}
    for name, true in zip(("hfov", "vfov", "dfov"), lens.view_angles(), strict=True):
        assert found[name].value == pytest.approx(true, abs=0.3)
        assert found[name].u < 0.1
    assert found["focal_length"].value == pytest.approx(lens.fx, rel=0.003)
    assert found["reprojection_rms"].value < 0.3
    k1 = outcome.findings["coefficients"]["k1"]["value"]
    assert abs(k1 - lens.k[0]) < max(0.005, 0.03 * abs(lens.k[0]))
    assert outcome.findings["print_scale"]["value"] == pytest.approx(175.2 / 176)
    assert {p.name for p in outcome.pictures} == {"board.png", "coverage.png"}
    assert all(p.data.startswith(b"\x89PNG") for p in outcome.pictures)
    assert "from side to side" in outcome.sentence


@pytest.mark.slow
def test_moving_between_holds_does_not_harm(tmp_path):
    rng = np.random.default_rng(8)
    lens = study.random_lens("mild barrel", rng)
    script = [Hold(h.pose, 12, 9) for h in study.script(lens, rng)]
    path = tmp_path / "walk.mp4"
    film(path, Studio(paints_of(target("board").painting()), lens), script, rng)
    outcome = run([path])
    hfov = next(r for r in outcome.results if r.measurand == "hfov")
    assert hfov.value == pytest.approx(lens.view_angles()[0], abs=0.1)
    assert outcome.findings["views"] >= 8


# published values


@pytest.mark.skipif(not (PHOTOS / "left01.jpg").exists(), reason="opencv-doc is not installed")
def test_published_calibration_of_thirteen_photos(published):
    row = published("opencv_left_calibration.csv")[0]
    outcome = run(sorted(PHOTOS.glob("left??.jpg")), options={"board": ["9x6"]})
    found = {r.measurand: r for r in outcome.results}
    assert found["focal_length"].value == pytest.approx(float(row["fx"]), rel=0.005)
    k1 = outcome.findings["coefficients"]["k1"]["value"]
    assert k1 == pytest.approx(float(row["k1"]), rel=0.03)
    assert outcome.findings["views"] == 13
    assert outcome.findings["intrinsics"]["cx"] == pytest.approx(float(row["cx"]), abs=1.0)
    # The published lens takes that board for flat; it is not (this fit: 0.6 mm at its edge, and
    # 0.31 px of misses where the flat one has 0.41). Flat against flat, the figure is theirs.
    assert abs(outcome.findings["board_bow_mm"]) > 0.3
    assert found["reprojection_rms"].value < 0.35
    assert found["focal_length"].interval[0] < float(row["fx"]) < found["focal_length"].interval[1]
    views = []
    for path in sorted(PHOTOS.glob("left??.jpg")):
        seen = find_chessboard(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), (9, 6), 25.0)
        views.append(BoardView(seen.plane, seen.image))
    bowed = calibrate(views, 640, 480, FORMS[1])
    flat = refine(views, bowed.camera, bowed.poses, FORMS[1])
    assert not flat.board.free
    edge = math.degrees(2 * math.atan(320 / flat.camera.fx))
    assert edge == pytest.approx(float(row["HFOV_deg"]), abs=0.1)
    hfov = found["hfov"]  # along the true rays: the published lens' own edge rays
    k = tuple(float(row[n]) for n in ("k1", "k2", "p1", "p2", "k3"))
    lens = LensCamera(
        "pinhole", 640, 480, float(row["fx"]), float(row["fy"]), float(row["cx"]),
        float(row["cy"]), k,
    )  # fmt: skip
    assert hfov.interval[0] < view_angles(lens)[0] < hfov.interval[1]


# bad input


def stills(tmp_path, lens, poses):
    studio = Studio(paints_of(target("board").painting()), lens)
    paths = []
    for i, pose in enumerate(poses):
        path = tmp_path / f"still{i}.png"
        cv2.imwrite(str(path), take_still(studio, pose, np.random.default_rng(i)))
        paths.append(path)
    return paths


def test_one_angle_is_refused():
    lens = Lens.of_view(1280, 720, 70)
    script = [
        Hold(Pose.facing(d, pivot=(136, 88), at=(x, 0), tilt=(3, 2)))
        for d in (250, 300, 350) for x in (-30, 0, 30)
    ]  # fmt: skip
    with pytest.raises(CannotMeasure, match="same angle") as refusal:
        measure_lens(views_of(lens, script), 1280, 720)
    assert "Tip the board" in refusal.value.hint


def test_too_few_views_are_refused():
    rng = np.random.default_rng(4)
    lens = study.random_lens("mild barrel", rng)
    with pytest.raises(CannotMeasure, match="Only 3 still views"):
        measure_lens(views_of(lens, study.script(lens, rng))[:3], 1280, 720)


def test_the_same_still_again_is_no_new_view(tmp_path):
    lens = Lens.of_view(1280, 720, 70)
    paths = stills(tmp_path, lens, [Pose.facing(300, pivot=(136, 88), tilt=(20, 20))])
    copies = [Path(shutil.copy(paths[0], tmp_path / f"copy{i}.png")) for i in range(6)]
    with pytest.raises(CannotMeasure, match=r"still view|same angle"):
        run(copies)


def test_stills_of_different_sizes_are_refused(tmp_path):
    small, large = Lens.of_view(640, 360, 70), Lens.of_view(1280, 720, 70)
    pose = Pose.facing(300, pivot=(136, 88), tilt=(20, 20))
    paths = stills(tmp_path, large, [pose])
    other = tmp_path / "small"
    other.mkdir()
    with pytest.raises(CannotMeasure, match="different sizes"):
        run([*paths, *stills(other, small, [pose])])


def test_wrong_target_is_told(tmp_path):
    lens = Lens.of_view(1280, 720, 70)
    studio = Studio(paints_of(target("greys").painting()), lens)
    path = tmp_path / "greys.png"
    cv2.imwrite(str(path), take_still(studio, Pose.facing(300, pivot=(136, 90)),
                                      np.random.default_rng(0)))  # fmt: skip
    with pytest.raises(CannotMeasure, match="target 'greys'"):
        run([path])


def test_empty_scene_is_told(tmp_path):
    path = tmp_path / "wall.png"
    rng = np.random.default_rng(0)
    cv2.imwrite(str(path), rng.normal(120, 3, (360, 640)).astype(np.uint8))
    with pytest.raises(CannotMeasure, match="No 'board' target"):
        run([path])
    with pytest.raises(WrongCall, match="not the size of a chessboard"):
        run([path], options={"board": ["nine"]})


def test_mirrored_camera_when_told(tmp_path):
    rng = np.random.default_rng(5)
    lens = study.random_lens("mild barrel", rng)
    script = study.script(lens, rng, holds=9)
    studio = Studio(paints_of(target("board").painting()), lens, mirrored=True)
    paths = []
    for i, hold in enumerate(script):
        paths.append(tmp_path / f"{i}.png")
        cv2.imwrite(str(paths[-1]), take_still(studio, hold.pose, rng))
    outcome = run(paths, options={"mirrored": ["yes"]})
    hfov = next(r for r in outcome.results if r.measurand == "hfov")
    assert hfov.value == pytest.approx(lens.view_angles()[0], abs=0.1)
    with pytest.raises(CannotMeasure, match="target"):
        run(paths)
