"""Gain, colour and LUT: what happens to a pixel, held against formulas and colour-science."""

from __future__ import annotations

import warnings

import cv2
import numpy as np
import pytest

from seeworthy.ground.errors import WrongCall
from seeworthy.judge.correct.data import ColourData, DataOrigin, ShadingData, parse
from seeworthy.judge.correct.gain import gain_field, write_gain_png
from seeworthy.judge.correct.lut import colour_table, write_cube
from seeworthy.judge.correct.pixels import Mender
from seeworthy.media.frames import ColourTags
from seeworthy.media.light import light, rgb_from_planes

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it misses a plotting library that is not needed
    import colour

VIDEO = light(ColourTags("limited", 1, 1, 1), 8)
MATRIX = np.array([[1.25, -0.2, -0.05], [-0.1, 1.2, -0.1], [0.02, -0.3, 1.28]])


def shading(stops, size=(640, 360), cap=8.0):
    """Gain grid of a fall-off with the square of the radius, red stronger."""
    x, y = np.meshgrid((np.arange(32) + 0.5) / 16 - 1, (np.arange(18) + 0.5) / 9 - 1)
    r2 = (x**2 + (0.5625 * y) ** 2) / (1 + 0.5625**2)
    gain = np.stack([np.exp2(k * stops * r2) for k in (1.1, 1.0, 1.0)], axis=-1)
    return ShadingData(size, np.minimum(gain, cap), cap, 0.0, DataOrigin("wall"))


def test_gain_is_the_formula_at_every_pixel_corners_too():
    gain = gain_field(shading(2.0), (640, 360))
    x, y = np.meshgrid((np.arange(640) + 0.5) / 320 - 1, (np.arange(360) + 0.5) / 180 - 1)
    r2 = (x**2 + (0.5625 * y) ** 2) / (1 + 0.5625**2)
    assert np.abs(np.log2(gain[..., 1]) - 2.0 * r2).max() < 0.001  # stops
    assert np.abs(np.log2(gain[..., 0]) - 2.2 * r2).max() < 0.001


def test_gain_scales_to_another_size_and_refuses_another_shape():
    small = gain_field(shading(1.0), (320, 180))
    large = gain_field(shading(1.0), (640, 360))
    np.testing.assert_allclose(small, cv2.resize(large, (320, 180), interpolation=cv2.INTER_AREA),
                               rtol=1e-4)  # fmt: skip
    with pytest.raises(WrongCall, match="another shape"):
        gain_field(shading(1.0), (640, 480))


def test_gain_map_png_holds_the_gain(tmp_path):
    gain = gain_field(shading(2.0), (64, 36))
    path = tmp_path / "gain.png"
    scale = write_gain_png(gain, path)
    back = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert back.dtype == np.uint16
    np.testing.assert_allclose(back[..., ::-1] / scale, gain, atol=0.51 / scale)
    assert f"count / {scale:g}".encode() in path.read_bytes()
    with pytest.raises(WrongCall, match="PNG"):
        write_gain_png(gain, tmp_path / "gain.tif")


@pytest.mark.parametrize("bits", [8, 10])
@pytest.mark.parametrize("span", ["limited", "full"])
def test_nothing_to_do_changes_nothing(bits, span):
    rng = np.random.default_rng(1)
    how = light(ColourTags(span, 1, 1, 1), bits)
    scale = 1 << (bits - 8)
    dtype = np.uint8 if bits == 8 else np.uint16
    luma = rng.integers(30 * scale, 200 * scale, (48, 64)).astype(dtype)
    cb, cr = (np.full((24, 32), v * scale, dtype) for v in (120, 133))
    for was, now in zip((luma, cb, cr), Mender.of(how).apply(luma, cb, cr), strict=True):
        assert now.dtype == was.dtype
        assert np.abs(now.astype(int) - was).max() <= 1


def test_gain_multiplies_light_not_code():
    # BT.709-6 item 1.2, written out again.
    ramp = np.tile(np.arange(20, 180, dtype=np.uint8), (4, 1))
    gain = np.full((4, 160, 3), 1.7, np.float32)
    grey = np.full((2, 80), 128, np.uint8)
    now, cb, cr = Mender.of(VIDEO, gain).apply(ramp, grey, grey)
    v = (ramp - 16) / 219
    lin = np.where(v < 0.081, v / 4.5, ((v + 0.099) / 1.099) ** (1 / 0.45)) * 1.7
    expected = 16 + 219 * np.where(lin < 0.018, 4.5 * lin, 1.099 * lin**0.45 - 0.099)
    np.testing.assert_allclose(now, np.minimum(expected, 255), atol=0.6)
    assert (cb == 128).all()
    assert (cr == 128).all()


@pytest.mark.parametrize("rgb", [(0.5, 0.4, 0.3), (0.2, 0.35, 0.6), (0.15, 0.1, 0.12)])
def test_colour_of_a_frame_is_colour_sciences(rgb):
    # Outside computation: colour-science's matrix Y'CbCr and tone curve of BT.709.
    codes = colour.RGB_to_YCbCr(rgb, out_bits=8, out_legal=True, out_int=True)
    luma, cb, cr = (np.full(s, c, np.uint8) for s, c in zip(((8, 8), (4, 4), (4, 4)), codes,
                                                           strict=True))  # fmt: skip
    now = Mender.of(VIDEO, None, MATRIX).apply(luma, cb, cr)
    back = colour.YCbCr_to_RGB(codes, in_bits=8, in_legal=True, in_int=True)
    linear = MATRIX @ colour.models.oetf_inverse_BT709(back)
    expected = colour.RGB_to_YCbCr(
        colour.models.oetf_BT709(np.maximum(linear, 0)), out_bits=8, out_legal=True, out_int=True
    )
    for plane, code in zip(now, expected, strict=True):
        assert np.abs(plane.astype(int) - int(code)).max() <= 1


@pytest.mark.parametrize("rows", [2, 90, 180, 250])
def test_bands_do_not_show(rows, monkeypatch):
    from seeworthy.judge.correct import pixels

    rng = np.random.default_rng(6)
    luma = rng.integers(60, 180, (rows, 32)).astype(np.uint8)
    cb, cr = (rng.integers(90, 166, (rows // 2, 16)).astype(np.uint8) for _ in range(2))
    mender = Mender.of(VIDEO, np.full((rows, 32, 3), 1.2, np.float32), MATRIX)
    banded = mender.apply(luma, cb, cr)
    monkeypatch.setattr(pixels, "_BAND", 1000)
    for own, whole in zip(banded, mender.apply(luma, cb, cr), strict=True):
        np.testing.assert_array_equal(own, whole)


def test_chroma_is_enlarged_as_media_light_does_it():
    rng = np.random.default_rng(7)
    luma = rng.integers(60, 180, (96, 32)).astype(np.uint8)
    cb, cr = (rng.integers(110, 146, (48, 16)).astype(np.uint8) for _ in range(2))
    linear = VIDEO.decode_signal(rgb_from_planes(luma, cb, cr, VIDEO)) @ MATRIX.T
    coded = (VIDEO.encode(linear) - 16) / 219
    expected = 16 + 219 * (coded @ [0.2126, 0.7152, 0.0722])
    now, _, _ = Mender.of(VIDEO, None, MATRIX).apply(luma, cb, cr)
    assert np.abs(now - expected).max() < 0.6


def test_a_grey_clip_stays_grey():
    luma = np.full((8, 8), 100, np.uint8)
    now, cb, cr = Mender.of(VIDEO, np.full((8, 8, 3), 1.5, np.float32)).apply(luma, None, None)
    assert now[0, 0] > 110
    assert cb is None
    assert cr is None


def test_black_edges_are_black_and_rims_are_not_darkened():
    from seeworthy.judge.correct.data import LensData
    from seeworthy.judge.correct.undistort import plan_undistortion
    from seeworthy.optics.lens import LensCamera

    camera = LensCamera("pinhole", 64, 36, 40, 40, 31.5, 17.5, (-0.2, 0.0, 0.0, 0.0, 0.0))
    luma, half = np.full((36, 64), 120, np.uint8), np.full((18, 32), 128, np.uint8)
    for keep_all, least in ((False, 120), (True, 16)):
        plan = plan_undistortion(LensData(camera, 1.0, DataOrigin("board")), (64, 36), keep_all)
        now, _, _ = Mender.of(VIDEO, undistortion=plan).apply(luma, half, half)
        assert now.min() == least
        assert now.max() == 120


# --- LUT ---


@pytest.mark.filterwarnings("ignore")
def test_the_file_is_read_and_applied_by_colour_science(tmp_path):
    # Outside computation: colour.read_LUT and its tetrahedral interpolation. In the colours of
    # scenes, light from 15 to 60 %, the table of 33³ is within a code of 8 bit of the matrix.
    path = tmp_path / "new" / "c.cube"
    given = ColourData(MATRIX, 1.1, DataOrigin("a scene at the Dünen"))
    write_cube(given, VIDEO, "Dunlin", path)
    back = colour.read_LUT(str(path))
    assert (back.size, back.name) == (33, "Dunlin")
    assert path.read_bytes().isascii()
    assert back.comments[0] == "From a scene at the D?nen."
    linear = 0.15 + 0.45 * np.random.default_rng(4).random((2000, 3))
    coded = colour.models.oetf_BT709(linear)
    expected = colour.models.oetf_BT709(np.clip(linear @ given.product.T, 0, 1))
    seen = back.apply(coded, interpolator=colour.algebra.table_interpolation_tetrahedral)
    away = np.abs(seen - expected) * 255
    assert away.max() < 1
    assert away.mean() < 0.05


def test_nothing_to_correct_is_the_table_that_changes_nothing():
    table = colour_table(ColourData(np.eye(3), 1.0, DataOrigin("scene")), VIDEO, 5)
    np.testing.assert_allclose(table[1, 2, 4], [0.25, 0.5, 1.0], atol=2e-6)


@pytest.mark.parametrize(
    "found",
    [
        {"kind": "colour", "matrix": [[1, 0], [0, 1]], "exposure": 1},
        {"kind": "colour", "matrix": [[0] * 3] * 3, "exposure": 1},
        {"kind": "colour", "matrix": np.eye(3).tolist(), "exposure": 0},
        {"kind": "shading", "size": [64, 36], "grid": [8, 8], "gain": [[1.0] * 64] * 2},
        {"kind": "shading", "size": [64, 36], "grid": [8, 8], "gain": [[-1.0] * 64] * 3},
        {"kind": "shading", "size": [64, 36], "grid": [2, 2], "gain": [[1.0] * 4] * 3},
        {"kind": "focus"},
    ],
)
def test_damaged_corrections_are_refused(found):
    with pytest.raises(WrongCall):
        parse(found, DataOrigin("x.json"))
