"""Detail across frame sizes: line widths per picture height, the ground, and who may be ranked."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seeworthy.ground.budget import Component
from seeworthy.ground.measurands import measurand
from seeworthy.ground.results import result
from seeworthy.judge.compare.combine import like_sets
from seeworthy.judge.compare.comparison import compare_results
from seeworthy.judge.plan.camera import FlownCamera
from seeworthy.judge.plan.flight import read_flight
from seeworthy.judge.plan.predict import predict
from seeworthy.judge.purpose.bench_rank import _rank
from seeworthy.judge.purpose.library import find_purpose
from seeworthy.judge.purpose.model import read_purpose
from seeworthy.optics.tone import Tone
from seeworthy.procedures.sharpness.lines import in_lines, per_height, tenth_in_lines
from seeworthy.procedures.sharpness.measure import EdgeRegion, measure_edge
from test_compare import made

SMALL, LARGE = (480, 640), (1080, 1920)


def cycles(value, frame, u=0.004, where="centre"):
    return result(
        f"mtf50_{where}", value, conditions={"orientation": "vertical", "frame": frame},
        budget=(Component("all", u, "cy/px"),),
    )  # fmt: skip


def both(value, shape, u=0.004):
    """What `sharpness` says of one place."""
    found = [cycles(value, f"{shape[1]}x{shape[0]}", u)]
    return [*in_lines(found, shape), *found]


# ISO 12233: LW/PH = 2 x cycles per pixel x picture height in px; the products are by hand.


@pytest.mark.parametrize(
    ("value", "shape", "lines"),
    [(0.34, SMALL, 326.4), (0.22, LARGE, 475.2), (0.22, (1920, 1080), 475.2), (0.5, SMALL, 480.0)],
)
def test_line_widths_per_picture_height(value, shape, lines):
    assert per_height(value, shape) == pytest.approx(lines)
    found = in_lines([cycles(value, "x")], shape)[0]
    assert found.measurand == "mtf50_ph_centre"
    assert found.unit == "LW/PH"
    assert found.value == pytest.approx(lines)
    assert found.u == pytest.approx(0.004 * lines / value)
    assert found.interval[1] - found.value == pytest.approx(1.96 * found.u, rel=1e-3)
    assert found.conditions == {"orientation": "vertical", "frame": "x"}


def edge_of(sigma, noise=1e-4):
    """An upright edge of 5 degrees behind a Gaussian of sigma px, no pixel aperture."""
    from scipy.special import ndtr

    y, x = np.mgrid[:120, :80].astype(float)
    away = (x - 39.7) * math.cos(math.radians(5)) + (y - 60) * math.sin(math.radians(5))
    light = 0.2 + 0.4 * ndtr(away / sigma)
    rng = np.random.default_rng(3)
    frames = [light + rng.normal(0, noise, light.shape) for _ in range(3)]
    corners = np.array([[12, 10], [66, 10], [66, 108], [12, 108]], float)
    return measure_edge(frames, EdgeRegion("e", "centre", "vertical", corners), (-1.0, 2.0))


def test_mtf10_of_a_gaussian_edge():
    # exp(-2 pi^2 s^2 f^2) = 0.1 at f = sqrt(ln 10 / 2) / (pi s), 0.3415 / s: by arithmetic.
    edge = edge_of(1.2)
    assert edge.mtf10 == pytest.approx(0.34154 / 1.2, rel=0.01)
    (found,) = tenth_in_lines([edge], (0.6, 0.2), Tone(), LARGE)
    assert found.measurand == "mtf10_ph_centre"
    assert found.value == pytest.approx(2 * 1080 * 0.34154 / 1.2, rel=0.01)
    assert found.interval[0] < 614.8 < found.interval[1]


def test_detail_ends_at_the_pixel_grid():
    # 0.3415 / 0.6 = 0.57 cy/px: beyond half a cycle a pixel nothing true is shown.
    (found,) = tenth_in_lines([edge_of(0.6)], (0.6, 0.2), Tone(), SMALL)
    assert found.value == 480.0
    assert found.interval[1] == 480.0


def test_only_cycles_per_pixel_are_of_one_frame():
    assert measurand("mtf50_centre").per_frame
    assert not measurand("mtf50_ph_centre").per_frame


# Compare.


def stored(camera, found):
    return [
        made(camera, r.measurand, r.value, r.u, **r.conditions) for r in found
    ]  # fmt: skip


def test_a_small_frame_does_not_win_by_its_large_pixels():
    origins = stored("Dunlin", both(0.34, SMALL)) + stored("Turnstone", both(0.22, LARGE))
    found = compare_results(origins)
    assert [r.measurand.id for r in found.rows] == ["mtf50_ph_centre"]
    assert found.rows[0].best == ("Turnstone",)
    assert any("frame size" in words and "MTF50, centre" in words for words in found.apart)


def test_pixels_of_one_frame_size_are_compared():
    origins = stored("Dunlin", both(0.34, LARGE)) + stored("Turnstone", both(0.22, LARGE))
    rows = {r.measurand.id: r.best for r in compare_results(origins).rows}
    assert rows["mtf50_centre"] == ("Dunlin",)
    assert rows["mtf50_ph_centre"] == ("Dunlin",)


def test_pixels_of_an_unknown_frame_are_not_compared():
    origins = [made(n, "mtf50_centre", 0.3, 0.01) for n in ("Dunlin", "Turnstone")]
    found = compare_results(
        [*origins, made("Dunlin", "mass", 30, 1), made("Turnstone", "mass", 31, 1)]
    )
    assert [r.measurand.id for r in found.rows] == ["mass"]
    assert any("unknown size" in words for words in found.apart)


# Suit.


def per_camera(small=SMALL):
    alike = {"mass": 50.0, "focus_evenness": 0.7, "hfov": 70.0, "de00_mean": 10.0,
             "run_time": 60.0, "exposure_time": 5.0}  # fmt: skip
    rest = [result(name, value, 1e-6) for name, value in alike.items()]
    return {"Dunlin": [*both(0.34, small), *rest], "Turnstone": [*both(0.22, LARGE), *rest]}


def test_the_kite_picture_asks_for_lines_of_the_picture(tmp_path):
    # The case of the review: 640x480 at 0.34 cy/px had beaten 1920x1080 at 0.22 with P = 1.
    found = _rank(find_purpose("kite-picture", tmp_path), per_camera())
    assert found.cameras[0].camera == "Turnstone"
    assert found.cameras[0].ranks[0] > 0.95
    assert found.notes == ()


_OLD = """
title = "Old"
[[wish]]
measurand = "mtf50_centre"
worst = "0.10 cy/px"
best = "0.38 cy/px"
why = "Written before line widths were known."
[[wish]]
measurand = "mass"
worst = "60 g"
best = "40 g"
why = "Light."
"""


def test_an_old_purpose_still_reads_and_does_not_rank_across_frames():
    found = _rank(read_purpose(_OLD, "old"), per_camera())
    assert all(w.found is None for c in found.cameras for w in c.wishes[:1])
    assert "mtf50_ph_centre" in found.notes[0]
    assert all(0.3 < c.ranks[0] < 0.7 for c in found.cameras)


def test_an_old_purpose_ranks_cameras_of_one_frame():
    found = _rank(read_purpose(_OLD, "old"), per_camera(LARGE))
    assert found.cameras[0].camera == "Dunlin"
    assert found.cameras[0].ranks[0] > 0.95
    assert found.notes == ()


# Plan.


def test_the_finest_stripe_on_the_ground():
    # 90 deg across 1920 px: focal length 960 px; 1080 rows see 2 x 56.25 m from 100 m; over
    # 450 lines that is 25.0 cm a line. By hand.
    camera = FlownCamera(
        "x",
        {
            "hfov": [result("hfov", 90.0, 1e-7)],
            "mtf50_ph_centre": [result("mtf50_ph_centre", 450.0, 1e-6)],
        },
        frame=(1920, 1080),
    )
    text = '[motion]\ndistance = "100 m ± 0 m"\n[accept]\nground_detail = "{}"\n'
    for most, verdict in (("26 cm", "fine"), ("24 cm", "will not do")):
        found = {p.name: p for p in predict(read_flight(text.format(most), "t"), camera)}
        assert found["ground_detail"].value == pytest.approx(25.0, rel=1e-4)
        assert found["ground_detail"].unit == "cm"
        assert found["ground_detail"].verdict == verdict


def test_a_stripe_without_a_sharpness_test_is_not_known():
    camera = FlownCamera("x", {"hfov": [result("hfov", 90.0, 1e-7)]}, frame=(1920, 1080))
    flight = read_flight('[motion]\ndistance = "100 m ± 0 m"\n', "t")
    found = {p.name: p for p in predict(flight, camera)}
    assert found["ground_detail"].value is None
    assert "sharpness" in found["ground_detail"].missing


# Modes of one camera.


def in_mode(camera, frame, value, measurand="mtf50_ph_centre"):
    return made(camera, measurand, value, 5.0, procedure="sharpness", frame=frame)


def test_two_modes_of_a_camera_are_not_averaged():
    # 1080p twice, 720p once: what was tested most answers, across frame sizes of cameras.
    found = compare_results(
        [in_mode("Dunlin", "1920x1080", 600.0), in_mode("Dunlin", "1280x720", 400.0),
         in_mode("Dunlin", "1920x1080", 604.0), in_mode("Knot", "640x480", 300.0)]
    )  # fmt: skip
    (row,) = found.rows
    values = {v.subject: v.value for v in row.values}
    assert values == {"Dunlin": pytest.approx(602.0), "Knot": pytest.approx(300.0)}
    (note,) = found.apart
    assert note == "Dunlin: 1920x1080 answers for sharpness; takes of 1280x720 stand aside."


def test_a_tie_of_modes_goes_to_the_larger_frame():
    found = compare_results(
        [in_mode("Dunlin", "1280x720", 400.0), in_mode("Dunlin", "1920x1080", 600.0),
         in_mode("Knot", "1280x720", 410.0)]
    )  # fmt: skip
    assert [v.value for v in found.rows[0].values] == [410.0, 600.0]


def test_claims_keep_modes_apart():
    sets = like_sets([in_mode("a", f, v).result for f, v in (("1x1", 400.0), ("2x2", 600.0))])
    assert [n for _, n in sets] == [1, 1]


def test_a_focal_length_in_pixels_is_of_one_frame_size():
    found = compare_results(
        [in_mode(c, f, v, "focal_length") for c, f, v in (
            ("Dunlin", "1920x1080", 1500.0), ("Knot", "1280x720", 1000.0))]
    )  # fmt: skip
    assert not found.rows
    assert "frame size" in found.apart[0]
    long = result("focal_length", 1500.0, 1.0, conditions={"frame": "1920x1080"})
    for frame, focal in (((1920, 1080), 1500.0), ((1280, 720), 640 / math.tan(math.radians(30)))):
        camera = FlownCamera("x", {"focal_length": [long], "hfov": [result("hfov", 60.0, 0.1)]},
                             frame)  # fmt: skip
        assert np.median(camera.focal()) == pytest.approx(focal, rel=1e-3)
