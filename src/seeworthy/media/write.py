"""Writing clips: frames (and sound) to H.264 through PyAV."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from seeworthy.ground.closing import Closing
from seeworthy.media.frames import ColourTags

BT709 = ColourTags(None, 1, 1, 1)
_UNSPECIFIED = 2  # ITU-T H.273: not said


class ClipWriter(Closing):
    """Write frames to a clip with explicit time stamps.

    Args:
        path: The container follows from the ending (.mp4, .mov, .avi, .mkv).
        width, height: Even numbers for 4:2:0.
        rate: Nominal frame rate.
        bit_rate: Bits per second; None leaves it to `options` (``crf``).
        time_base: Ticks of the time stamps; default 1/90000.
        options: Encoder options (``preset``, ``g``, ``bf``, ``x264-params``).
        full_range: Tag and write full-range luma; else limited.
        tags: Matrix, transfer and primaries to tag; None in it leaves one untagged. Its range is
            ignored, `full_range` says it. Pictures are written as given: no conversion.
        rotation: Degrees clockwise that players shall turn the picture (multiples of 90).
        aspect: Sample aspect ratio to tag.
        sound: Sample rate and channels of a sound track.
        metadata: Tags of the container (``creation_time``).
        muxer: Options of the container format (``movflags``).
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
        tags: ColourTags = BT709,
        rotation: int = 0,
        aspect: Fraction | None = None,
        sound: tuple[int, int] | None = None,
        sound_codec: str = "aac",
        metadata: Mapping[str, str] | None = None,
        muxer: Mapping[str, str] | None = None,
    ) -> None:
        self._container = av.open(str(path), "w", options=dict(muxer or {}))
        self._container.metadata.update(metadata or {})
        self._rate = Fraction(rate)
        stream: Any = self._container.add_stream(codec, rate=self._rate)
        stream.width, stream.height = width, height
        stream.pix_fmt = pixel_format
        stream.time_base = time_base
        stream.codec_context.time_base = time_base
        _tag(stream.codec_context, tags, full_range)
        if aspect is not None:
            stream.codec_context.sample_aspect_ratio = aspect
        if rotation % 360:
            stream.set_display_rotation(float(-rotation))
        if bit_rate is not None:
            stream.bit_rate = bit_rate
        preset = {"preset": "veryfast"} if codec.startswith("libx26") else {}
        stream.options = {**preset, **(options or {})}
        self._stream = stream
        self._time_base = time_base
        self._count = 0
        self._full = full_range
        self._format = pixel_format
        # JPEG knows one luma equation, that of BT.601 (JFIF 1.02), and no tag for another.
        self._matrix = "ITU601" if codec == "mjpeg" else "ITU709"
        self._sound: Any = None
        self._samples = 0
        if sound is not None:
            layout = {1: "mono", 2: "stereo"}[sound[1]]
            self._sound = self._container.add_stream(sound_codec, rate=sound[0], layout=layout)

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
        self.write_frame(frame, seconds)

    def write_rgb(self, rgb: npt.NDArray[np.uint8], seconds: float | None = None) -> None:
        """Append a gamma-coded RGB picture, (H, W, 3) uint8, by the codec's luma equation."""
        frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(rgb), format="rgb24")
        target = "JPEG" if self._full else "MPEG"
        self.write_frame(
            frame.reformat(
                format=self._format, dst_colorspace=self._matrix, dst_color_range=target
            ),
            seconds,
        )

    def write_frame(self, frame: av.VideoFrame, seconds: float | None = None) -> None:
        """Append a PyAV frame in the clip's pixel format (10 bit, 4:2:2 …)."""
        at = Fraction(self._count) / self._rate if seconds is None else Fraction(seconds)
        frame.pts = round(at / self._time_base)
        frame.time_base = self._time_base
        self._count += 1
        self._container.mux(self._stream.encode(frame))

    def write_sound(self, samples: npt.NDArray[np.floating[Any]]) -> None:
        """Append sound, (n,) or (n, channels), −1 to 1, right after what was there."""
        if self._sound is None:
            raise ValueError("the clip was opened without a sound track")
        block = np.atleast_2d(np.asarray(samples, np.float32).T)
        layout = "mono" if block.shape[0] == 1 else "stereo"
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(block), "fltp", layout)
        frame.sample_rate = self._sound.codec_context.sample_rate
        frame.time_base = Fraction(1, frame.sample_rate)
        frame.pts = self._samples
        self._samples += block.shape[1]
        self._container.mux(self._sound.encode(frame))

    def close(self) -> None:
        """Flush the encoders and finalise the file."""
        self._container.mux(self._stream.encode(None))
        if self._sound is not None:
            self._container.mux(self._sound.encode(None))
        self._container.close()


def _tag(context: Any, tags: ColourTags, full_range: bool) -> None:
    def code(value: int | None) -> int:
        return _UNSPECIFIED if value is None else value

    context.color_range = 2 if full_range else 1
    context.colorspace = code(tags.matrix)
    context.color_primaries = code(tags.primaries)
    context.color_trc = code(tags.transfer)
