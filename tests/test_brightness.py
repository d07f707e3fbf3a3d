"""Clipped and black shares over a clip, and the light by the sun."""

from __future__ import annotations

import numpy as np
import pytest

from seeworthy.ground.errors import BadQuantity
from seeworthy.media.write import ClipWriter
from seeworthy.optics.sunlight import clear_sky_lux
from seeworthy.procedures.brightness.run import stretches
from seeworthy.procedures.study import measured
from telling import says_its_budget


def test_the_sun_gives_the_light_of_the_published_table(published):
    # USNO Circular 171 and the Explanatory Supplement (1992), Table 9.34.1; see the README there.
    for row in published("sun_altitude_illuminance.csv"):
        height, lux = float(row["sun_altitude_deg"]), float(row["E_horizontal_clear_lux"])
        assert clear_sky_lux(height) == pytest.approx(lux, rel=1e-3)
    with pytest.raises(BadQuantity):
        clear_sky_lux(-19)


def test_stretches_bridge_a_flash_and_end_with_their_last_frame():
    time = np.arange(12) * 0.1
    there = np.array([0, 1, 1, 0, 1, 0, 0, 0, 0, 0, 1, 0], bool)
    assert stretches(time, there, 0.1) == [[0.1, 0.5], [1.0, 1.1]]
    assert stretches(time, np.zeros(12, bool), 0.1) == []


def _clip(path, frames, *, full=False):
    with ClipWriter(path, 320, 180, rate=30, bit_rate=2_000_000, full_range=full) as clip:
        for i, codes in enumerate(frames):
            clip.write_luma(codes.astype(np.uint8), i / 30)
    return path


def _scene(white, top=235):
    codes = np.random.default_rng(2).integers(60, 190, (30, 40)).repeat(6, 0).repeat(8, 1)
    codes[:, : round(320 * white)] = top
    return codes


def test_a_clip_with_a_fifth_in_white_and_a_black_second(tmp_path):
    dead = np.full((180, 320), 16)
    path = _clip(tmp_path / "clip.mp4", [_scene(0.2)] * 60 + [dead] * 30 + [_scene(0.2)] * 60)
    outcome = measured("brightness", [path], readings={"sun_height": ["20 deg"]})
    says_its_budget(outcome)
    white, black = outcome.results
    assert white.value == pytest.approx(16.0, abs=0.5)  # a fifth of 120 frames of 150
    assert black.value == pytest.approx(20.0, abs=0.5)
    assert outcome.findings["black_stretches"] == [[2.0, 3.0]]
    assert outcome.findings["white_stretches"] == []
    assert outcome.findings["light_lux"] == 27400  # USNO Circular 171: 27,380 lx


def test_codes_above_white_are_not_clipped_when_the_camera_uses_them(tmp_path):
    scene = _scene(0.2, top=255)
    scene[:, 200:280] = 243  # brighter than white, and not clipped
    outcome = measured("brightness", [_clip(tmp_path / "a.mp4", [scene] * 40)])
    assert outcome.results[0].value == pytest.approx(20.0, abs=0.7)
    plain = measured("brightness", [_clip(tmp_path / "b.mp4", [_scene(0.2)] * 40)])
    assert plain.results[0].value == pytest.approx(20.0, abs=0.7)
    full = measured("brightness", [_clip(tmp_path / "c.mp4", [_scene(0.2)] * 40, full=True)])
    assert full.results[0].value < 0.5  # 235 of 255 is not clipped there


def test_where_white_may_lie_at_two_codes_the_interval_holds_both(tmp_path):
    # Ten seconds near white, not clipped, with a few codes above it: five codings of one real clip
    # were said to clip 0 and 0.8 %, each to a hundredth.
    scene = _scene(0.2, top=233)
    scene[:4, 300:310] = 245  # 0.07 %: ringing or codes that are used
    few = measured("brightness", [_clip(tmp_path / "few.mp4", [scene] * 150)]).results[0]
    scene[:20, 300:312] = 245  # 0.4 %
    more = measured("brightness", [_clip(tmp_path / "more.mp4", [scene] * 150)]).results[0]
    for found in (few, more):
        assert found.interval[0] < 1.0
        assert found.interval[1] > 20.0
