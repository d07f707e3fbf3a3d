"""Dark clips: level, growth, hot pixels, stripes, and what is refused."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from seeworthy.engine.measure import measure
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.results import result
from seeworthy.procedures.dark import measure as dark
from seeworthy.procedures.dark.figures import sentence
from seeworthy.procedures.dark.study import FRAMES, FULL, RATE, film
from seeworthy.virtual.dark_frame import DarkCamera

CAMERA = DarkCamera(
    width=160, height=96, level=9.0, noise=1.5, pattern=0.2,
    hot=((40, 20, 60.0), (120, 70, 25.0), (80, 50, 3.0)),
)  # fmt: skip


def made(tmp_path, camera=CAMERA, light=0.0, bit_rate=None, **options):
    path = tmp_path / "dark.mp4"
    truth = film(path, camera, np.random.default_rng(3), bit_rate, light)
    given = {k: [v] for k, v in options.items()}
    return measure("dark", [path], options=given).outcome, truth


def values(outcome):
    return {
        (r.measurand, r.conditions.get("orientation", "")): r for r in outcome.results
    }  # fmt: skip


def test_a_picture_below_black_is_not_above_it():
    """Some cameras write codes under 16 without light: a negative share is no height above."""
    said = sentence([result("dark_level", -0.3, 0.05), result("hot_pixels", 2, 1.0)])
    assert said == "Without light the picture is not above black, with 2 hot pixels."


# --- the measures alone -------------------------------------------------------------


def test_rounding_without_noise_is_rectangular_and_with_noise_is_nothing():
    """1/√12 of a step (JCGM 100:2008, 4.3.7); with a spread of a step it all but vanishes."""
    one = np.zeros(256)
    one[20] = 1000
    assert dark.rounding(one, 16) == pytest.approx(exact(0.0), rel=1e-9)
    codes = np.rint(np.random.default_rng(1).normal(40.3, 1.0, 200_000)).astype(int)
    assert dark.rounding(np.bincount(codes, minlength=256).astype(float), 16) < 1e-6


def exact(power):
    return math.exp(-2 * math.pi**2 * power) / math.pi / math.sqrt(2)


@pytest.mark.parametrize("spread", [0.2, 0.3, 0.45])
def test_rounding_holds_the_error_of_a_rounded_mean(spread):
    """The mean of rounded normal draws errs by a sine of where it lies; its rms is stated."""
    rng = np.random.default_rng(2)
    at = np.linspace(30, 31, 40, endpoint=False)
    drawn = [np.rint(a + spread * rng.standard_normal(40_000)) for a in at]
    errors = np.array([d.mean() - a for d, a in zip(drawn, at, strict=True)])
    stated = [
        dark.rounding(np.bincount(d.astype(int), minlength=256).astype(float), 16) for d in drawn
    ]
    assert 0.5 < np.sqrt((errors**2).mean()) / np.mean(stated) < 1.5


def test_growth_is_a_difference_over_time():
    times = np.arange(600) / 10.0
    levels = 20 + 3 * times / 60
    found, by_codes = dark.growth(levels, times, 0.01)
    assert found.value == pytest.approx(3.0)
    assert by_codes == pytest.approx(0.01 * math.sqrt(2) / 0.8, rel=1e-2)  # 48 s apart


def test_hot_pixels_that_touch_are_one_and_near_ones_are_uncertain():
    out = np.zeros((40, 40))
    out[10, 10:13] = (12.0, 30.0, 11.0)
    out[30, 30] = 10.0  # right on the limit: half a chance
    out[20, 5] = 6.0
    hot, count = dark.hot_pixels(out, np.full(out.shape, 0.5), 10.0)
    assert [(d.x, d.y) for d in hot] == [(11, 10)]
    assert count.value == 1
    assert count.u == pytest.approx(0.5)


def test_stripes_are_told_from_grain_and_single_pixels():
    rng = np.random.default_rng(4)
    shape = (240, 320)
    grain = [rng.standard_normal(shape) * 0.4 + 20 for _ in (0, 1)]
    fixed = rng.standard_normal(shape) * 0.5
    use = np.ones(shape, bool)
    none = dark.bands((grain[0] + fixed, grain[1] + fixed), use)
    assert abs(none.power) < 3 * none.u
    rows = 0.3 * rng.standard_normal(240)
    whole = fixed + rows[:, None]
    found = dark.bands((grain[0] + whole, grain[1] + whole), use)
    assert math.sqrt(found.power) == pytest.approx(rows.std(), rel=0.05)
    across = dark.bands(((grain[0] + whole).T, (grain[1] + whole).T), use.T)
    assert abs(across.power) < 4 * across.u


def test_glow_in_a_corner_makes_no_stripes_and_no_hot_pixels():
    y, x = np.mgrid[0:240, 0:320]
    glow = 20 + 8 * (x / 320) ** 2 * (y / 240) ** 2
    use = np.ones(glow.shape, bool)
    assert abs(dark.bands((glow, glow), use).power) < 0.02**2
    assert dark.stand_outs(glow).max() < 1.0


# --- whole clips --------------------------------------------------------------------


def test_a_covered_camera(tmp_path):
    warming = replace(CAMERA, warming=4.0, settling=20.0, rows=0.4)
    outcome, (levels, _, rows, _) = made(tmp_path, warming)
    found = values(outcome)
    level = found["dark_level", ""]
    assert level.unit == "%"
    assert level.interval[0] <= levels.mean() / FULL * 100 <= level.interval[1]
    fifth = FRAMES // 5
    rise = (levels[-fifth:].mean() - levels[:fifth].mean()) / ((FRAMES - fifth) / RATE / 60)
    growth = found["dark_growth", ""]
    assert growth.value == pytest.approx(rise / FULL * 100, rel=0.02)
    assert found["dark_banding", "rows"].value == pytest.approx(rows.std() / FULL * 100, rel=0.06)
    assert found["dark_banding", "columns"].value < 0.03
    assert found["hot_pixels", ""].value == 2
    places = [(x, y) for x, y, _ in outcome.findings["hot"]]
    assert places == [(40, 20), (120, 70)]
    assert outcome.findings["hot"][0][2] == pytest.approx(60 / FULL * 100, rel=0.02)
    assert outcome.correction["kind"] == "hot-pixels"
    assert outcome.correction["size"] == [160, 96]
    assert "2 hot pixels" in outcome.sentence
    json.dumps(outcome.to_json(), allow_nan=False)


def test_coding_that_may_wipe_dots_out_makes_the_count_a_bound(tmp_path):
    outcome, _ = made(tmp_path, bit_rate=60_000)
    hot = values(outcome)["hot_pixels", ""]
    assert hot.conditions["bound"] == "lower"
    assert math.isinf(hot.interval[1])
    assert outcome.findings["coding_hides_below_percent"] > 4
    assert any("at least" in w for w in outcome.warnings)


def test_a_camera_that_swallows_the_dark(tmp_path):
    """Nothing but black: zero, known to a code value."""
    outcome, _ = made(tmp_path, replace(CAMERA, level=0.0, noise=0.0, pattern=0.0, hot=()))
    found = values(outcome)
    assert found["dark_level", ""].value == 0
    assert found["dark_level", ""].u * FULL / 100 == pytest.approx(exact(0.0), rel=0.05)
    assert found["hot_pixels", ""].value == 0
    assert outcome.findings["at_black_percent"] == 100
    assert not outcome.correction


# --- refusals -----------------------------------------------------------------------


def test_a_scene_is_not_dark(tmp_path):
    with pytest.raises(CannotMeasure, match="not dark: at x"):
        made(tmp_path, light=60.0)


def test_a_lamp_is_not_a_hot_pixel(tmp_path):
    y, x = np.mgrid[0:96, 0:160]
    lamp = 90.0 * (np.hypot(x - 100, y - 40) < 6)
    with pytest.raises(CannotMeasure, match=r"bright patch of 1.. px stands at x 100, y 40"):
        made(tmp_path, light=lamp)


def test_a_cover_that_comes_off(tmp_path):
    with pytest.raises(CannotMeasure, match=r"40 of 240 frames .* at 20\.0 s"):
        made(tmp_path, light=lambda i: 25.0 * (i >= 200))


def test_a_stamp_is_left_out_where_it_is_marked(tmp_path):
    stamp = np.zeros((96, 160))
    stamp[80:92, 10:70] = 180.0
    with pytest.raises(CannotMeasure) as refused:
        made(tmp_path, light=stamp)
    assert "leave_out" in refused.value.hint
    outcome, (levels, *_) = made(tmp_path, light=stamp, leave_out="8,78,66,16")
    found = values(outcome)
    assert found["hot_pixels", ""].value == 2
    assert found["dark_level", ""].value == pytest.approx(levels.mean() / FULL * 100, abs=0.02)
    with pytest.raises(WrongCall, match="leave_out"):
        made(tmp_path, light=stamp, leave_out="8,78")
    with pytest.raises(WrongCall, match="leaves the picture"):
        made(tmp_path, light=stamp, leave_out="100,78,66,16")


def test_too_short_a_clip(tmp_path, monkeypatch):
    monkeypatch.setattr("seeworthy.procedures.dark.study.FRAMES", 20)
    with pytest.raises(CannotMeasure, match="20 whole frames; 40 are needed"):
        made(tmp_path)
    monkeypatch.setattr("seeworthy.procedures.dark.study.FRAMES", 100)
    outcome, _ = made(tmp_path)
    assert ("dark_growth", "") not in values(outcome)
    assert any("No growth" in w for w in outcome.warnings)
