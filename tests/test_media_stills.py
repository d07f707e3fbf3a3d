"""Stills: every bit kept, upright, and refused for a reason."""

from __future__ import annotations

import io
import warnings

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms, ImageOps

from seeworthy.ground.errors import UnreadableInput
from seeworthy.media import stills
from seeworthy.media.source import Source
from seeworthy.media.stills import read_still


def ramp(dtype, channels=3, rows=6, columns=10):
    top = np.iinfo(dtype).max
    flat = np.linspace(0, top, rows * columns * channels).astype(dtype)
    return flat.reshape((rows, columns, channels) if channels > 1 else (rows, columns))


@pytest.mark.parametrize("ending", [".png", ".tif"])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("channels", [1, 3])
def test_lossless_formats_keep_every_code_value(tmp_path, ending, dtype, channels):
    pixels = ramp(dtype, channels)
    path = tmp_path / f"a{ending}"
    # OpenCV wants B, G, R; the writer is another program than the reader of 8 bit files.
    path.write_bytes(cv2.imencode(ending, pixels[..., ::-1] if channels == 3 else pixels)[1])
    still = read_still(Source.of(path))
    assert still.bits == np.iinfo(dtype).bits
    assert np.array_equal(still.pixels, pixels)
    linear = still.linear_rgb()
    assert linear.shape == (6, 10, 3)
    assert linear.min() == 0
    assert linear.max() == 1
    assert still.light.transfer == "sRGB"
    assert still.light.range == "full"


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("ending", ["jpg", "png", "tif"])
def test_orientation_is_honoured(tmp_path, orientation, ending):
    # Against Pillow's own transposition (another implementation of CIPA DC-008, tag 274).
    blocks = np.kron(np.arange(6, dtype=np.uint8).reshape(2, 3) * 40, np.ones((16, 16), np.uint8))
    image = Image.fromarray(blocks).convert("RGB")
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / f"a.{ending}"
    image.save(path, exif=exif)
    still = read_still(Source.of(path))
    with Image.open(path) as opened:
        wanted = np.asarray(ImageOps.exif_transpose(opened).convert("RGB"))
    assert still.orientation == orientation
    assert np.array_equal(still.pixels, wanted)
    assert (still.pixels.shape[0] > still.pixels.shape[1]) == (orientation >= 5)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("ending", ["png", "tif"])
def test_orientation_of_sixteen_bit_stills(tmp_path, orientation, ending):
    blocks = np.arange(6, dtype=np.uint16).reshape(2, 3) * 10000
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / f"a.{ending}"
    Image.fromarray(blocks).save(path, exif=exif)
    still = read_still(Source.of(path))
    turned = {
        1: blocks, 2: blocks[:, ::-1], 3: blocks[::-1, ::-1], 4: blocks[::-1], 5: blocks.T,
        6: np.rot90(blocks, 3), 7: blocks[::-1, ::-1].T, 8: np.rot90(blocks),
    }  # fmt: skip
    assert still.bits == 16
    assert np.array_equal(still.pixels, turned[orientation])


def test_profile_and_exposure_are_handed_on(tmp_path):
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x829A] = 1 / 125
    exif.get_ifd(0x8769)[0x8827] = 200
    exif.get_ifd(0x8769)[0x9003] = "2024:05:01 10:11:12"
    path = tmp_path / "a.jpg"
    Image.new("RGB", (8, 8)).save(path, icc_profile=profile, exif=exif)
    still = read_still(Source.of(path))
    assert still.profile == profile
    assert "sRGB" in still.profile_name
    assert still.light.assumptions == ()
    assert still.exposure_time == pytest.approx(1 / 125, rel=1e-3)
    assert (still.iso, still.taken) == (200, "2024:05:01 10:11:12")


def test_an_untagged_still_says_what_was_assumed(tmp_path):
    path = tmp_path / "a.png"
    Image.new("RGB", (8, 8)).save(path)
    still = read_still(Source.of(path))
    assert len(still.light.assumptions) == 1
    assert "sRGB" in still.light.assumptions[0]


def test_palette_transparency_and_bitmaps_become_plain(tmp_path):
    for mode, shape in (("P", (4, 4, 3)), ("RGBA", (4, 4, 3)), ("LA", (4, 4)), ("1", (4, 4))):
        path = tmp_path / f"{mode}.png"
        Image.new("L", (4, 4), 255).convert(mode).save(path)
        still = read_still(Source.of(path))
        assert still.pixels.shape == shape
        assert still.pixels.max() == 255


def test_a_picture_that_claims_to_be_huge_is_not_decoded(tmp_path, monkeypatch):
    monkeypatch.setattr(stills, "MOST_PIXELS", 100)
    path = tmp_path / "a.png"
    Image.new("L", (11, 10)).save(path)
    with pytest.raises(UnreadableInput, match="megapixels"):
        read_still(Source.of(path))


def test_a_bomb_beyond_the_decoder_s_own_limit(tmp_path):
    # A PNG header of 60000 x 60000 pixels with no data behind it.
    import struct
    import zlib

    head = b"IHDR" + struct.pack(">IIBBBBB", 60000, 60000, 8, 0, 0, 0, 0)
    data = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + head + struct.pack(">I", zlib.crc32(head))
    path = tmp_path / "a.png"
    path.write_bytes(data + b"\0\0\0\0IEND\xaeB`\x82")
    with pytest.raises(UnreadableInput, match="megapixels"):
        read_still(Source.of(path))


@pytest.mark.parametrize(
    ("content", "reason"), [(b"hello", "not a still"), (b"\xff\xd8\xff\xe0\0", "not a still")]
)
def test_what_is_no_still(tmp_path, content, reason):
    path = tmp_path / "a.jpg"
    path.write_bytes(content)
    with pytest.raises(UnreadableInput, match=reason) as caught:
        read_still(Source.of(path))
    assert "JPEG" in caught.value.hint


@pytest.mark.parametrize("ending", ["jpg", "png", "tif"])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_still_cut_short(tmp_path, ending, dtype):
    if ending == "jpg" and dtype is np.uint16:
        pytest.skip("JPEG has 8 bits")
    pixels = np.random.default_rng(1).integers(0, np.iinfo(dtype).max, (64, 64, 3), dtype=dtype)
    data = cv2.imencode(f".{ending}", pixels)[1].tobytes()
    path = tmp_path / f"a.{ending}"
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises(UnreadableInput):
        read_still(Source.of(path))


def test_print_colours_are_refused(tmp_path):
    path = tmp_path / "a.tif"
    Image.new("CMYK", (4, 4)).save(path)
    with pytest.raises(UnreadableInput, match="CMYK"):
        read_still(Source.of(path))


def test_reading_leaves_no_warning(tmp_path):
    buffer = io.BytesIO()
    Image.new("RGB", (4, 4)).save(buffer, "JPEG")
    path = tmp_path / "a.jpg"
    path.write_bytes(buffer.getvalue())
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read_still(Source.of(path))
