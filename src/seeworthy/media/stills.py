"""Stills: JPEG, PNG, TIFF, with all their bits, turned as they were taken."""

from __future__ import annotations

import io
import struct
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import UnreadableInput
from seeworthy.media.frames import ColourTags
from seeworthy.media.light import Light, light

if TYPE_CHECKING:
    from PIL.Image import Image

    from seeworthy.media.source import Source

# 200 megapixels: more than any small camera has, and 1.2 GB at 16 bit in three channels.
MOST_PIXELS = 200_000_000
_FORMATS = ("JPEG", "PNG", "TIFF", "BMP", "PPM", "WEBP")
_SRGB = 13
_EXIF_ORIENTATION, _EXIF_IFD = 0x0112, 0x8769
_EXIF_EXPOSURE, _EXIF_ISO, _EXIF_TAKEN = 0x829A, 0x8827, 0x9003
_EXIF_FRACTION = 0x9291
_TIFF_BITS = 258
_HINT = "Hand in a JPEG, PNG or TIFF as the camera or its maker's program writes it."


@dataclass(frozen=True, slots=True, eq=False)
class Still:
    """One still picture.

    Attributes:
        pixels: uint8 or uint16 array, (H, W) or (H, W, 3). Code values, upright: the orientation
            that the camera noted is applied.
        bits: 8 or 16.
        light: Turns code values into linear light: sRGB and full range.
        profile: Embedded ICC profile, as it is.
        profile_name: Its description, ``""`` where there is none.
        orientation: EXIF orientation that was applied, 1 for none.
        taken: Date and time as the camera wrote it, with the fraction of the second where it wrote
            one (EXIF, SubSecTimeOriginal); ``""`` where it did not.
        exposure_time: Seconds, by EXIF.
        iso: By EXIF.
    """

    name: str
    pixels: npt.NDArray[Any]
    bits: int
    light: Light
    profile: bytes | None
    profile_name: str
    orientation: int
    taken: str
    exposure_time: float | None
    iso: int | None

    @property
    def grey(self) -> bool:
        """One channel only."""
        return self.pixels.ndim == 2

    def linear_rgb(self) -> npt.NDArray[np.float32]:
        """Return linear R, G, B, (H, W, 3) float32, 0 black, 1 white."""
        linear = self.light.linear(self.pixels)
        return np.repeat(linear[:, :, None], 3, axis=2) if self.grey else linear


def read_still(source: Source) -> Still:
    """Read a still.

    Raises:
        UnreadableInput: Not a still, damaged, too large, or in a form without display code values
            (CMYK, floating point).
    """
    raw = source.path.read_bytes()
    with warnings.catch_warnings():
        # Pillow warns at its own limit of size; ours is checked below, before decoding.
        warnings.simplefilter("ignore")
        try:
            return _decode(source.name, raw)
        except UnreadableInput:
            raise
        except (OSError, SyntaxError, ValueError, struct.error, EOFError) as error:
            raise UnreadableInput(
                f"'{source.name}' is damaged or cut short and cannot be read as a picture.", _HINT
            ) from error


def _decode(name: str, raw: bytes) -> Still:
    import PIL.Image

    try:
        image = PIL.Image.open(io.BytesIO(raw), formats=_FORMATS)
    except PIL.UnidentifiedImageError:
        raise UnreadableInput(f"'{name}' is not a still that can be read.", _HINT) from None
    except PIL.Image.DecompressionBombError:
        raise _too_large(name) from None
    if image.width * image.height > MOST_PIXELS:
        raise _too_large(name)
    bits = _depth(image, raw)
    orientation = int(image.getexif().get(_EXIF_ORIENTATION, 1) or 1)
    if bits == 16:
        pixels: npt.NDArray[Any] = _deep_pixels(raw)
        # OpenCV turns TIFF by itself while decoding, PNG not.
        pixels = pixels if image.format == "TIFF" else _upright(pixels, orientation)
    else:
        pixels = _pixels(image, name)
        # Pillow turns TIFF by itself while loading, other formats not.
        pixels = _upright(pixels, int(image.getexif().get(_EXIF_ORIENTATION, 1) or 1))
    profile = image.info.get("icc_profile") or None
    profile_name = _profile_name(profile)
    tagged = (
        ColourTags("full", None, _SRGB) if _is_srgb(image, profile_name) else ColourTags("full")
    )
    exif = image.getexif().get_ifd(_EXIF_IFD)
    return Still(
        name=name,
        pixels=pixels,
        bits=bits,
        light=light(tagged, bits, still=True, rgb=True),
        profile=profile,
        profile_name=profile_name,
        orientation=orientation,
        taken=_moment(exif),
        exposure_time=_positive(exif.get(_EXIF_EXPOSURE)),
        iso=_whole(exif.get(_EXIF_ISO)),
    )


def _moment(exif: Any) -> str:
    text = str(exif.get(_EXIF_TAKEN, "")).strip("\0 ")
    fraction = str(exif.get(_EXIF_FRACTION, "")).strip("\0 ")
    return f"{text}.{fraction}" if text and fraction.isascii() and fraction.isdigit() else text


def _too_large(name: str) -> UnreadableInput:
    return UnreadableInput(
        f"'{name}' claims more than {MOST_PIXELS // 1_000_000} megapixels; it was not opened.",
        "If it is a real picture, scale a copy down.",
    )


def _depth(image: Image, raw: bytes) -> int:
    """8 or 16 bits per sample; Pillow's modes hide 16 bit in colour."""
    if image.format == "PNG":
        return 16 if raw[24] == 16 else 8
    if image.format == "TIFF":
        stored: Any = getattr(image, "tag_v2", {}).get(_TIFF_BITS, (8,))
        return 16 if max(stored) == 16 else 8
    return 16 if image.mode.startswith("I;16") else 8


def _pixels(image: Image, name: str) -> npt.NDArray[np.uint8]:
    mode = image.mode
    if mode in ("CMYK", "F", "I", "LAB", "HSV"):
        raise UnreadableInput(
            f"'{name}' is stored as {mode}, not as display code values.",
            "Export it as an 8 or 16 bit RGB picture.",
        )
    grey = mode in ("1", "L", "LA", "La")
    return np.asarray(image.convert("L" if grey else "RGB"), np.uint8)


def _deep_pixels(raw: bytes) -> npt.NDArray[np.uint16]:
    import cv2

    flags = cv2.IMREAD_UNCHANGED
    found: Any = cv2.imdecode(np.frombuffer(raw, np.uint8), flags)
    if found is None or found.dtype != np.uint16:
        raise ValueError("16 bit picture not decoded")
    if found.ndim == 2:
        return np.asarray(found, np.uint16)
    colours = found[:, :, 2::-1] if found.shape[2] >= 3 else found[:, :, 0]
    return np.ascontiguousarray(colours)


def _upright(pixels: npt.NDArray[Any], orientation: int) -> npt.NDArray[Any]:
    """Apply an EXIF orientation (CIPA DC-008, tag 274)."""
    flipped = {2, 4, 5, 7}
    turns = {3: 2, 4: 2, 5: 1, 6: 3, 7: 3, 8: 1}.get(orientation, 0)
    out = np.rot90(pixels, turns)
    if orientation in flipped:
        # 5 and 7 are transpositions: a quarter turn, then mirrored up-down.
        out = out[::-1] if orientation in (5, 7) else out[:, ::-1]
    return np.ascontiguousarray(out)


def _profile_name(profile: bytes | None) -> str:
    if not profile:
        return ""
    from PIL import ImageCms

    try:
        opened = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        return str(ImageCms.getProfileDescription(opened)).strip()
    except (ImageCms.PyCMSError, OSError):
        return ""


def _is_srgb(image: Image, profile_name: str) -> bool:
    return "srgb" in profile_name.lower() or "srgb" in image.info


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if number > 0 else None


def _whole(value: Any) -> int | None:
    number = _positive(value[0] if isinstance(value, tuple) and value else value)
    return None if number is None else int(number)
