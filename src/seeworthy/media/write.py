"""Writing clips: frames (and sound) to H.264 through PyAV."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import av
import numpy as np
import numpy.typing as npt


class ClipWriter:
    """Write frames to a clip with explicit time stamps.

    Parameters
    ----------
    path : path
        The container follows from the ending (.mp4, .mov, .avi, .mkv).
    width, height : int
        Even numbers for 4:2:0.
    rate : Fraction
        Nominal frame rate.
    bit_rate : int or None
        Bits per second; None leaves it to `options` (``crf``).
    time_base : Fraction
        Ticks of the time stamps; default 1/90000.
    codec, pixel_format : str
    options : mapping
        Encoder options (``preset``, ``g``, ``bf``, ``x264-params``).
    full_range : bool
        Tag and write full-range luma; else limited.
    """

    def __init__(
        self,
        path: str | Path,
        width: int,
        height: int,
        rate: Fraction | int = 30,
        *,
        bit_rate: int | None = 7_000_000,
        time_base: Fraction = Fraction(1, 90000),
        codec: str = "libx264",
        pixel_format: str = "yuv420p",
        options: Mapping[str, str] | None = None,
        full_range: bool = False,
    ) -> None:
        self._container = av.open(str(path), "w")
        self._rate = Fraction(rate)
        stream: Any = self._container.add_stream(codec, rate=self._rate)
        stream.width, stream.height = width, height
        stream.pix_fmt = pixel_format
        stream.time_base = time_base
        stream.codec_context.time_base = time_base
        stream.codec_context.color_range = 2 if full_range else 1
        stream.codec_context.colorspace = 1
        stream.codec_context.color_primaries = 1
        stream.codec_context.color_trc = 1
        if bit_rate is not None:
            stream.bit_rate = bit_rate
        stream.options = {"preset": "veryfast", **(options or {})}
        self._stream = stream
        self._time_base = time_base
        self._count = 0
        self._full = full_range
        self._format = pixel_format

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def write_luma(self, luma: npt.NDArray[np.uint8], seconds: float | None = None) -> None:
        """Append a grey picture from luma code values, (H, W) uint8, in the clip's range."""
        height, width = luma.shape
        half = np.full((height // 2, width // 2), 128, np.uint8)
        self.write_yuv420(luma, half, half, seconds)

    def write_yuv420(
        self,
        luma: npt.NDArray[np.uint8],
        cb: npt.NDArray[np.uint8],
        cr: npt.NDArray[np.uint8],
        seconds: float | None = None,
    ) -> None:
        """Append a picture from planes as they shall be stored (4:2:0)."""
        width = luma.shape[1]
        packed = np.concatenate([luma.ravel(), cb.ravel(), cr.ravel()]).reshape(-1, width)
        frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(packed), format="yuv420p")
        self._append(frame, seconds)

    def write_rgb(self, rgb: npt.NDArray[np.uint8], seconds: float | None = None) -> None:
        """Append a gamma-coded RGB picture, (H, W, 3) uint8; BT.709 matrix."""
        frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(rgb), format="rgb24")
        target = "JPEG" if self._full else "MPEG"
        self._append(
            frame.reformat(format=self._format, dst_colorspace="ITU709", dst_color_range=target),
            seconds,
        )

    def _append(self, frame: av.VideoFrame, seconds: float | None) -> None:
        at = Fraction(self._count) / self._rate if seconds is None else Fraction(seconds)
        frame.pts = round(at / self._time_base)
        frame.time_base = self._time_base
        self._count += 1
        for packet in self._stream.encode(frame):
            self._container.mux(packet)

    def close(self) -> None:
        """Flush the encoder and finalise the file."""
        for packet in self._stream.encode(None):
            self._container.mux(packet)
        self._container.close()
