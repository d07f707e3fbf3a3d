"""Veiling glare: even spread light of a known share, coded by NumPy and MPEG-4 alone."""

from __future__ import annotations

from fractions import Fraction

import av
import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.procedures.glare.measure import ends_of, find_trap, position
from seeworthy.procedures.study import measured

WIDTH, HEIGHT = 320, 192
HOLE = (140, 80, 36, 32)  # x, y, w, h
PURE = {"trap_reflectance": ["0 % ± 0.01 %"]}


def bt709(light):  # ITU-R BT.709-6 item 1.2
    return np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 1e-9) ** 0.45 - 0.099)


def s_curve(light):
    v = bt709(light)
    return v + 0.5 * v * (1 - v) * (2 * v - 1)


def film(path, share, level=0.5, curve=bt709, own=0.0, black=16.0, holes=(HOLE,), lossless=False):
    """Film a hole that has `own` of the field's light under a veil of `share` of the field's.

    The index is 100 `share` by its definition (ISO 9358, from memory).
    """
    rng = np.random.default_rng(7)
    field = level * (1 + 0.04 * np.linspace(-1, 1, WIDTH)) * np.ones((HEIGHT, 1))
    scene = field.copy()
    for x, y, w, h in holes:
        scene[y : y + h, x : x + w] *= own
    light = (1 - share) * scene + share * field
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264" if lossless else "mpeg4", rate=30)
        stream.options = {"qp": "0"} if lossless else {}
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.bit_rate = 3_000_000
        context = stream.codec_context
        context.color_range = context.colorspace = context.color_primaries = context.color_trc = 1
        for k in range(12):
            seen = np.clip(light + rng.normal(0, 0.0003 if lossless else 0.0015, light.shape), 0, 1)
            luma = np.clip(np.rint(black + 219 * curve(seen)), 16, 235).astype(np.uint8)
            packed = np.concatenate([luma.ravel(), np.full(luma.size // 2, 128, np.uint8)])
            frame = av.VideoFrame.from_ndarray(packed.reshape(-1, WIDTH), format="yuv420p")
            frame.pts, frame.time_base = k, Fraction(1, 30)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


@pytest.mark.parametrize("share", [0.01, 0.03, 0.08])
def test_the_index_is_found_with_what_the_tone_curve_leaves_open(tmp_path, share):
    said = measured("glare", [film(tmp_path / "a.mp4", share)], PURE)
    found = said.results[0]
    assert found.value == pytest.approx(100 * share, rel=0.06)
    assert found.interval[0] < 100 * share < found.interval[1]
    assert found.conditions == {"position": "centre"}
    # A third of five stops either way is more than all the rest together.
    curve = next(c for c in found.budget if "tone curve" in c.name)
    assert 0.5 < curve.part / found.u <= 1
    assert found.u > 0.3 * found.value
    assert said.findings["found"] == "found"


def test_another_curve_stays_within(tmp_path):
    found = measured("glare", [film(tmp_path / "a.mp4", 0.02, curve=s_curve)], PURE).results[0]
    assert abs(found.value - 2) > 0.3  # what it does shows
    assert found.interval[0] < 2 < found.interval[1]


def test_what_the_trap_throws_back_is_taken_off(tmp_path):
    clip = film(tmp_path / "a.mp4", 0.03, own=0.01)
    known = measured("glare", [clip], {"trap_reflectance": ["1 % ± 0.1 %"]}).results[0]
    blind = measured("glare", [clip], PURE).results[0]
    # The veil lets 97 % of it through.
    assert blind.value - known.value == pytest.approx(1.0, abs=1e-6)
    assert known.value == pytest.approx(3, abs=0.2)


def test_a_black_level_is_told_by_the_covered_lens(tmp_path):
    clip = film(tmp_path / "a.mp4", 0.01, black=19.0, lossless=True)
    cover = film(tmp_path / "dark.mp4", 0.0, level=0.0, black=19.0, lossless=True)
    blind = measured("glare", [clip], PURE).results[0]
    told = measured("glare", {"": [clip], "dark": [cover]}, PURE)
    assert blind.value > 1.4
    assert told.results[0].value == pytest.approx(1, abs=0.12)
    assert told.findings["black_from"] == "the covered lens"
    with pytest.raises(CannotMeasure, match="not dark"):
        measured("glare", {"": [clip], "dark": [clip]}, PURE)


def test_a_hole_cut_off_at_black_is_a_bound(tmp_path):
    found = measured("glare", [film(tmp_path / "a.mp4", 0.0005, lossless=True)], PURE).results[0]
    assert found.conditions["bound"] == "upper"
    assert found.interval[0] == 0 < 0.05 < found.interval[1] < 2


def test_what_is_no_trap_is_refused(tmp_path):
    with pytest.raises(CannotMeasure, match="clipped"):
        measured("glare", [film(tmp_path / "a.mp4", 0.02, level=1.3)])
    with pytest.raises(CannotMeasure, match="No black hole"):
        measured("glare", [film(tmp_path / "b.mp4", 0.02, holes=())])
    two = film(tmp_path / "c.mp4", 0.02, holes=(HOLE, (40, 40, 36, 32)))
    with pytest.raises(CannotMeasure, match="More than one"):
        measured("glare", [two])
    marked = {"trap": ["146,86,22,20"], "field": ["100,86,20,20", "200,86,20,20"]}
    found = measured("glare", [two], PURE, marked).results[0]
    assert found.value == pytest.approx(2, abs=0.2)
    with pytest.raises(WrongCall, match="together"):
        measured("glare", [two], PURE, {"trap": ["146,86,22,20"]})
    dim = {"trap": ["146,86,22,20"], "field": ["44,44,20,20"]}
    with pytest.raises(CannotMeasure, match="no even bright field"):
        measured("glare", [two], PURE, dim)


def test_places_by_geometry():
    codes = np.full((270, 480), 180.0)
    codes[100:140, 200:250] = 18
    found = find_trap(codes, 16)
    x, y, w, h = found.trap
    assert (codes[y : y + h, x : x + w] == 18).all()
    assert len(found.fields) == 4
    for x, y, w, h in found.fields:
        assert codes[y : y + h, x : x + w].min() == 180
    assert [position((x, y, 20, 20), 480, 270) for x, y in ((230, 125), (30, 125), (30, 10))] == [
        "centre", "edge", "corner",
    ]  # fmt: skip
    low, high = ends_of(1.0, 0.2, 0.5, 0.0, 2.0)
    assert (low, high) == pytest.approx((0.5 - 0.2, 2.0 - 0.2))  # a stop either way
