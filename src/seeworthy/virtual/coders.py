"""Encoders of several makes: what one does to a picture is not what all do."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt

from seeworthy.media.write import ClipWriter

Codes = npt.NDArray[np.uint8]
# A hardware encoder as small cameras have: no bidirectional frames, one key a second.
CAMERA_LIKE = {"bf": "0", "g": "30"}
ENCODERS: dict[str, tuple[str, str, dict[str, str]]] = {
    "H.264 medium": ("libx264", "mp4", {"preset": "medium"}),
    "H.264 ultrafast": ("libx264", "mp4", {"preset": "ultrafast"}),
    "MPEG-4": ("mpeg4", "avi", {}),
    "Motion JPEG": ("mjpeg", "avi", {}),
    "HEVC": ("libx265", "mp4", {"x265-params": "log-level=none"}),
}
"""By name: codec, ending of the file, options."""

RATES = {"Motion JPEG": 25_000_000}
"""Bits a second where pictures stand alone (common practice, no source); else those asked for."""


def record(
    path: Path, frames: Iterable[Codes | tuple[float, Codes]], *, rate: Fraction | int = 30,
    bit_rate: int | None = None, options: Mapping[str, str] | None = None, encoder: str = "",
    full_range: bool = False,
) -> int:  # fmt: skip
    """Write a clip and return how many pictures it has: the one way from codes to a file.

    Args:
        frames: Luma (H, W) or R'G'B' (H, W, 3) code values, alone or behind their time, s.
        bit_rate, options: Without either nothing is lost (H.264, QP 0).
        encoder: One of `ENCODERS`; left out: the writer's own.
    """
    if bit_rate is None and options is None:
        options = {"qp": "0", "g": "10"}
    count, writer = 0, None
    with contextlib.ExitStack() as stack:
        for shown in frames:
            seconds, codes = shown if isinstance(shown, tuple) else (None, shown)
            if writer is None:
                height, width = codes.shape[:2]
                writer = stack.enter_context(
                    _opened(path, width, height, rate, bit_rate, options, encoder, full_range)
                )
            (writer.write_luma if codes.ndim == 2 else writer.write_rgb)(codes, seconds)
            count += 1
    return count


def _opened(
    path: Path, width: int, height: int, rate: Fraction | int, bit_rate: int | None,
    options: Mapping[str, str] | None, encoder: str, full_range: bool,
) -> ClipWriter:  # fmt: skip
    if not encoder:
        return ClipWriter(
            path, width, height, rate, bit_rate=bit_rate, options=options, full_range=full_range
        )
    codec, _, options = ENCODERS[encoder]
    jpeg = codec == "mjpeg"  # all of its code values, in planes that are written as they are
    return ClipWriter(
        path, width, height, rate, bit_rate=RATES.get(encoder, bit_rate), codec=codec,
        options={**options, "strict": "unofficial"} if jpeg else options,
        full_range=full_range or jpeg,
        # MPEG-4 counts no finer than 65,535 ticks a second.
        time_base=Fraction(1, 30_000),
    )  # fmt: skip
