"""Stills through their embedded ICC profile, all bits kept, to linear light of BT.709.

Profiles made of three primaries and three curves (ICC.1, 8.3.3) are evaluated here in
floating point; profiles with tables go through Pillow's engine, which works in 8 bits.
"""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import UnreadableInput

if TYPE_CHECKING:
    from seeworthy.media.stills import Still

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Colours:
    """What a still's profile makes of its code values.

    Attributes:
        xyz: float32 array, (H, W, 3). Relative to the profile connection white (D50), Y 1 at white.
        coarse: Went through 8 bits.
    """

    xyz: npt.NDArray[np.float32]
    coarse: bool


def through_profile(still: Still) -> Colours:
    """Return the XYZ (D50) of a still's pixels by its embedded profile.

    Raises:
        UnreadableInput: The profile is damaged, or not one for RGB pictures.
    """
    assert still.profile is not None
    pixels = still.pixels
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[:, :, None], 3, axis=2)
    try:
        tags = _tags(still.profile)
        if b"rTRC" in tags and b"rXYZ" in tags and b"A2B0" not in tags:
            return Colours(_by_matrix(tags, pixels, still.bits), False)
    except (struct.error, ValueError, IndexError):
        raise _damaged(still.name) from None
    return Colours(_by_engine(still, pixels), True)


def _damaged(name: str) -> UnreadableInput:
    return UnreadableInput(
        f"The colour profile inside '{name}' cannot be used.", "Export the picture again as sRGB."
    )


def _tags(profile: bytes) -> dict[bytes, bytes]:
    """Return the tagged elements of a profile (ICC.1, 7.3)."""
    if profile[36:40] != b"acsp" or profile[16:20] != b"RGB ":
        raise ValueError("not an RGB profile")
    (count,) = struct.unpack_from(">I", profile, 128)
    found = {}
    for i in range(min(count, 200)):
        name, start, size = struct.unpack_from(">4sII", profile, 132 + 12 * i)
        found[name] = profile[start : start + size]
    return found


def _by_matrix(
    tags: dict[bytes, bytes], pixels: npt.NDArray[Any], bits: int
) -> npt.NDArray[np.float32]:
    primaries = np.stack([_xyz(tags[n]) for n in (b"rXYZ", b"gXYZ", b"bXYZ")], axis=1)
    codes = np.arange(1 << bits) / ((1 << bits) - 1)
    linear = np.stack(
        [
            _curve(tags[name], codes).astype(np.float32)[pixels[..., c]]
            for c, name in enumerate((b"rTRC", b"gTRC", b"bTRC"))
        ],
        axis=-1,
    )
    return np.asarray(linear @ primaries.T.astype(np.float32), np.float32)


def _xyz(element: bytes) -> Floats:
    return np.array(struct.unpack_from(">3i", element, 8)) / 65536.0


def _curve(element: bytes, codes: Floats) -> Floats:
    """Evaluate a curve (ICC.1, 10.6 ``curv`` and 10.18 ``para``) at codes 0 to 1."""
    if element[:4] == b"curv":
        (count,) = struct.unpack_from(">I", element, 8)
        if count == 0:
            return codes
        points = np.array(struct.unpack_from(f">{count}H", element, 12), float)
        if count == 1:
            return np.asarray(codes ** (points[0] / 256))
        return np.asarray(np.interp(codes, np.linspace(0, 1, count), points / 65535))
    if element[:4] != b"para":
        raise ValueError("unknown kind of curve")
    (kind,) = struct.unpack_from(">H", element, 8)
    length = (1, 3, 4, 5, 7)[kind]
    given = [n / 65536.0 for n in struct.unpack_from(f">{length}i", element, 12)]
    g, a, b, c, d, e, f = given + [0.0] * (7 - length)
    if kind == 0:
        return np.asarray(codes**g)
    top = np.maximum(a * codes + b, 0) ** g
    if kind == 1:
        return np.asarray(np.where(codes >= -b / a, top, 0.0))
    if kind == 2:
        return np.asarray(np.where(codes >= -b / a, top + c, c))
    return np.asarray(np.where(codes >= d, top + e, c * codes + f))


def _by_engine(still: Still, pixels: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
    import PIL.Image
    from PIL import ImageCms

    eight = pixels if still.bits == 8 else (pixels >> 8).astype(np.uint8)
    assert still.profile is not None
    try:
        change = ImageCms.buildTransform(
            ImageCms.ImageCmsProfile(io.BytesIO(still.profile)),
            ImageCms.createProfile("LAB"),
            "RGB",
            "LAB",
            ImageCms.Intent.RELATIVE_COLORIMETRIC,
        )
        made = ImageCms.applyTransform(PIL.Image.fromarray(eight), change)
    except (ImageCms.PyCMSError, OSError):
        raise _damaged(still.name) from None
    assert made is not None
    raw = np.asarray(made)
    lightness = raw[..., 0].astype(np.float32) * np.float32(100 / 255)
    ab = raw[..., 1:].astype(np.int8).astype(np.float32)
    return _xyz_of_lab(lightness, ab[..., 0], ab[..., 1])


def _xyz_of_lab(lightness: Any, a: Any, b: Any) -> npt.NDArray[np.float32]:
    """Invert CIE 1976 L*a*b* (ISO/CIE 11664-4) for the profile connection white, D50."""
    fy = (lightness + 16) / 116
    parts = []
    for f, white in ((fy + a / 500, 0.9642), (fy, 1.0), (fy - b / 200, 0.8249)):
        parts.append(white * np.where(f > 6 / 29, f**3, (f - 16 / 116) * 3 * (6 / 29) ** 2))
    return np.stack(parts, axis=-1).astype(np.float32)
