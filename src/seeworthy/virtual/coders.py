"""Encoders of several makes: what one does to a picture is not what all do."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from seeworthy.media.write import ClipWriter

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


def open_clip(
    path: Path, width: int, height: int, *, encoder: str = "", bit_rate: int = 7_000_000,
    rate: int = 30, full_range: bool = False,
) -> ClipWriter:  # fmt: skip
    """Open a clip for an encoder of `ENCODERS`, or for the writer's own where none is named."""
    if not encoder:
        return ClipWriter(path, width, height, rate, bit_rate=bit_rate, full_range=full_range)
    codec, _, options = ENCODERS[encoder]
    jpeg = codec == "mjpeg"  # all of its code values, in planes that are written as they are
    return ClipWriter(
        path, width, height, rate, bit_rate=RATES.get(encoder, bit_rate), codec=codec,
        options={**options, "strict": "unofficial"} if jpeg else options,
        full_range=full_range or jpeg,
        # MPEG-4 counts no finer than 65,535 ticks a second.
        time_base=Fraction(1, 30_000),
    )  # fmt: skip
