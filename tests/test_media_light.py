"""Code values to linear light: published values first."""

from __future__ import annotations

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.frames import ColourTags
from seeworthy.media.light import light, rgb_from_planes

VIDEO = ColourTags("limited", 1, 1, 1)
STILL = ColourTags("full", 1, 13, 1)


def rows(table, function):
    found = [r for r in table if r["function"] == function]
    assert found
    return found


def test_srgb_curve(published):
    # IEC 61966-2-1:1999, values equal to colour-science (tests/published/README.md).
    table = published("transfer_functions.csv")
    how = light(STILL, 8, still=True)
    for row in rows(table, "sRGB decode (code/255->linear)"):
        code = int(row["input"])
        assert how.table[code] == pytest.approx(float(row["output"]), abs=6e-9, rel=1e-6)
    for row in rows(table, "sRGB encode (linear->V)"):
        code = float(row["code (sRGB 8-bit full / BT.709 8-bit limited)"])
        assert how.encode(float(row["input"])) == pytest.approx(code, abs=2e-4)


def test_bt709_curve(published):
    # ITU-R BT.709-6 item 1.2, limited range.
    table = published("transfer_functions.csv")
    how = light(VIDEO, 8)
    for row in rows(table, "BT.709 inverse OETF (limited 8-bit code->linear)"):
        code = int(row["input"])
        assert how.linear(np.uint8(code)) == pytest.approx(float(row["output"]), abs=6e-9, rel=1e-6)
    for row in rows(table, "BT.709/BT.601 OETF (linear->V)"):
        code = float(row["code (sRGB 8-bit full / BT.709 8-bit limited)"])
        assert how.encode(float(row["input"])) == pytest.approx(code, abs=2e-4)


@pytest.mark.parametrize(("name", "matrix"), [("BT.601", 6), ("BT.709", 1), ("BT.2020", 9)])
def test_colour_bars_come_back_as_rgb(published, name, matrix):
    # Exact bars of BT.601-7, BT.709-6, BT.2020-2: codes rounded to 3 decimals.
    channels = {
        "white": (1, 1, 1), "yellow": (1, 1, 0), "cyan": (0, 1, 1), "green": (0, 1, 0),
        "magenta": (1, 0, 1), "red": (1, 0, 0), "blue": (0, 0, 1), "black": (0, 0, 0),
    }  # fmt: skip
    how = light(ColourTags("limited", matrix, 1, 1), 8)
    bars = [r for r in published("ycbcr_bars.csv") if r["standard"] == name]
    assert len(bars) == 16
    for bar in bars:
        y, cb, cr = (np.full((2, 2), float(bar[k])) for k in ("Y_exact", "Cb_exact", "Cr_exact"))
        want = np.array(channels[bar["colour"]]) * int(bar["amplitude_percent"]) / 100
        assert np.allclose(rgb_from_planes(y, cb, cr, how), want, atol=1e-5)


@pytest.mark.parametrize("bits", [8, 10, 12])
@pytest.mark.parametrize("span", ["limited", "full"])
@pytest.mark.parametrize("transfer", [1, 4, 5, 6, 7, 8, 11, 13, 14, 15])
def test_every_curve_goes_both_ways_and_rises(bits, span, transfer):
    how = light(ColourTags(span, 1, transfer, 1), bits)
    codes = np.arange(1 << bits)
    assert how.table.shape == (1 << bits,)
    assert how.table.dtype == np.float32
    assert how.table[how.black] == 0
    assert how.table[how.white] == 1
    rise = np.diff(how.table.astype(float))
    assert np.all(rise >= 0)
    # BT.709's rounded constants make one step of 0.00025 of the signal at the knee.
    assert np.count_nonzero(rise == 0) <= (0 if bits == 8 else 1)
    step = 0.00026 * (how.white - how.black)
    assert np.allclose(how.encode(how.linear(codes)), codes, atol=0.02 + step)
    # The formula for fractional codes and the table agree, and over-range values are kept.
    assert np.allclose(how.linear(codes.astype(float)), how.table)


def test_below_black_is_negative_and_above_white_over_one():
    how = light(VIDEO, 8)
    assert how.table[0] < 0
    assert how.table[255] > 1
    assert (how.black, how.white) == (16, 235)
    assert (light(VIDEO, 10).black, light(VIDEO, 10).white) == (64, 940)


def test_assumptions_are_worded():
    video = light(ColourTags(), 8, rows=720)
    assert (video.range, video.transfer, video.matrix) == ("limited", "BT.709", "BT.709")
    assert len(video.assumptions) == 3
    assert light(ColourTags(), 8, rows=480).matrix == "BT.601"
    still = light(ColourTags(), 8, still=True, rgb=True)
    assert (still.range, still.transfer) == ("full", "sRGB")
    assert light(VIDEO, 8).assumptions == ()


@pytest.mark.parametrize(
    ("code", "name"), [(16, "PQ"), (18, "HLG"), (9, "logarithmic"), (77, "77")]
)
def test_curves_without_scene_light_are_refused_by_name(code, name):
    with pytest.raises(CannotMeasure, match=name):
        light(ColourTags("limited", 9, code, 9), 10)


def test_half_resolution_chroma_is_sited_left_and_between_rows():
    # A chroma ramp down: at luma row y the chroma row is (y - 0.5) / 2 (H.264 E.2.1, type 0).
    how = light(VIDEO, 8)
    luma = np.full((16, 16), 126, np.uint8)
    grey = np.full((8, 8), 128, np.uint8)
    ramp_down = (128 + 4 * np.arange(8, dtype=np.uint8))[:, None] + np.zeros((1, 8), np.uint8)
    red = rgb_from_planes(luma, grey, ramp_down, how)[..., 0]
    expected = (126 - 16) / 219 + 2 * (1 - 0.2126) * 4 * (np.arange(16) - 0.5) / 2 / 224
    assert np.allclose(red[2:-2, 8], expected[2:-2], atol=1e-5)
    red = rgb_from_planes(luma, grey, np.ascontiguousarray(ramp_down.T), how)[..., 0]
    expected = (126 - 16) / 219 + 2 * (1 - 0.2126) * 4 * np.arange(16) / 2 / 224
    assert np.allclose(red[8, 2:-2], expected[2:-2], atol=1e-5)
