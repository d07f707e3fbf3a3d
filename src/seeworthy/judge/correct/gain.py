"""The gain that evens out corners, at every pixel, and as a picture for other programs."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import WrongCall
from seeworthy.judge.correct.data import ShadingData, SpotData
from seeworthy.judge.correct.undistort import check_size

Floats = npt.NDArray[np.float32]

_LEAST = 2.0**-6  # six stops: more would lift noise alone (a judgement)


def gain_field(shading: ShadingData, size: tuple[int, int]) -> Floats:
    """Return the gain at every pixel, (H, W, 3) float32, linear light.

    The logarithm of the gain is smooth, so it is interpolated by cubic splines along rows
    and columns; half a cell at the rim is continued by the outermost piece.

    Args:
        size: (width, height). Of the clip; another size of the same aspect is scaled to.

    Raises:
        WrongCall: The aspect differs.
    """
    from scipy.interpolate import make_interp_spline

    check_size("shading", shading.size, size, shading.origin)
    stops = np.log2(np.maximum(shading.gain, _LEAST))
    for axis in (0, 1):
        count, pixels = stops.shape[axis], size[1 - axis]
        cells = (np.arange(count) + 0.5) / count
        spline = make_interp_spline(cells, stops, k=3, axis=axis)
        stops = spline((np.arange(pixels) + 0.5) / pixels)
    if shading.spot is not None:
        stops -= _bump(shading.spot, size[0] / shading.size[0], size)
    return np.asarray(np.clip(np.exp2(stops), _LEAST, shading.cap), np.float32)


def _bump(spot: SpotData, scale: float, size: tuple[int, int]) -> Floats:
    """Return the stops of a hot spot in a frame of another scale, (H, W, 3)."""
    x, y = ((at + 0.5) * scale - 0.5 for at in (spot.x, spot.y))
    away = (np.arange(size[0]) - x) ** 2 + (np.arange(size[1])[:, None] - y) ** 2
    round_about = np.exp(-4 * np.log(2) * away / (spot.size * scale) ** 2)
    return np.asarray(round_about[..., None] * np.array(spot.stops), np.float32)


def write_gain_png(gain: Floats, path: Path) -> float:
    """Write a gain field as a 16-bit RGB PNG and return how many counts a gain of 1 is.

    The scale stands in the file's own text, too.
    """
    import cv2

    if path.suffix.lower() != ".png":
        raise WrongCall(f"'{path.name}' is not the name of a PNG.", "End it with .png.")
    scale = float(2 ** int(np.floor(np.log2(65535 / float(gain.max())))))
    counts = np.rint(gain * scale).astype(np.uint16)
    done, data = cv2.imencode(".png", np.ascontiguousarray(counts[..., ::-1]))
    assert done
    text = f"Gain to multiply linear light with, per channel: count / {scale:g}."
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(_with_text(data.tobytes(), "Description", text))
    return scale


def _with_text(png: bytes, keyword: str, text: str) -> bytes:
    """Put a tEXt chunk behind the header (PNG 3rd ed., 11.3.3.2)."""
    header = 8 + 25  # signature and IHDR
    body = b"tEXt" + keyword.encode("latin-1") + b"\0" + text.encode("latin-1")
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    return png[:header] + chunk + png[header:]
