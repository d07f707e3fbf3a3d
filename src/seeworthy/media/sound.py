"""Sound of a clip as float blocks with the file's own integer time stamps, streamed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import av.error
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.container import known, sound_bits
from seeworthy.media.opening import open_clip

if TYPE_CHECKING:
    from av.audio.frame import AudioFrame

    from seeworthy.media.source import Source

# Full scale of the sample formats FFmpeg decodes to; u8 has its zero at 128.
_FULL_SCALE = {"u8": 128.0, "s16": 32768.0, "s32": 2147483648.0, "flt": 1.0, "dbl": 1.0}

_LEAD = 0.25  # seconds decoded before a stretch: a lossy codec needs what came before


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Some consecutive samples.

    Attributes:
        pts: Time stamp of the first sample in ticks of `Sound.time_base`.
        samples: float32 array, (n, channels), −1 to 1; a lossy codec may go beyond.
    """

    pts: int | None
    samples: npt.NDArray[np.float32]


@dataclass(slots=True)
class Sound:
    """The sound track of a file.

    Attributes:
        bits: Bits per sample in the file; None where the codec keeps no samples.
        time_base: Seconds per tick.
        warnings: Filled while blocks are read.
    """

    source: Source
    codec: str
    rate: int
    channels: int
    bits: int | None
    time_base: Fraction
    warnings: list[str] = field(default_factory=list)

    def blocks(self) -> Iterator[Block]:
        """Decode and yield block after block; nothing is kept."""
        self.warnings.clear()
        with open_clip(self.source) as container:
            for frame in self._frames(container):
                base: Fraction | None = frame.time_base
                pts = frame.pts
                if pts is not None and base is not None and base != self.time_base:
                    pts = round(pts * base / self.time_base)
                yield Block(pts, _floats(frame))

    def _frames(self, container: Any) -> Iterator[AudioFrame]:
        packets = container.demux(next(s for s in container.streams.audio if known(s)))
        while True:
            try:
                packet = next(packets, None)
            except av.error.FFmpegError as error:
                self.warnings.append(f"The sound breaks off ({error.strerror}).")
                return
            if packet is None:
                return
            try:
                yield from packet.decode()
            except av.error.FFmpegError:
                if "Some sound could not be decoded." not in self.warnings:
                    self.warnings.append("Some sound could not be decoded.")


def open_sound(source: Source) -> Sound:
    """Describe the first sound track of a file; `Sound.blocks` then reads it.

    Raises:
        CannotMeasure: The file has no sound.
        UnreadableInput: It cannot be opened.
    """
    with open_clip(source) as container:
        if not any(known(s) for s in container.streams.audio):
            raise CannotMeasure(
                f"'{source.name}' has no sound.",
                "Switch the microphone on and film again, or choose another clip.",
            )
        stream = next(s for s in container.streams.audio if known(s))
        context = stream.codec_context
        return Sound(
            source,
            context.name,
            int(context.sample_rate),
            context.layout.nb_channels,
            sound_bits(context),
            stream.time_base or Fraction(1, int(context.sample_rate)),
        )


def _floats(frame: AudioFrame) -> npt.NDArray[np.float32]:
    """Return samples as (n, channels) float32."""
    name = frame.format.name.removesuffix("p")
    array: Any = frame.to_ndarray()
    if frame.format.is_planar:
        samples = array.T
    else:
        samples = array.reshape(-1, frame.layout.nb_channels)
    values = samples.astype(np.float32 if name in ("flt", "s16", "u8") else np.float64)
    if name == "u8":
        values = values - 128.0
    return np.ascontiguousarray(values / _FULL_SCALE[name], np.float32)


def sound_between(
    source: Source, begin: float, end: float
) -> tuple[float, npt.NDArray[np.float32], int]:
    """Decode a stretch of the sound, the mean of its channels.

    Args:
        begin, end: Seconds of the file's own time, on the scale of its pictures' stamps.

    Returns:
        Time of the first sample, samples, samples per second. Fewer samples than asked for
        where the file begins later or ends before.

    Raises:
        CannotMeasure: The file has no sound.
        UnreadableInput: It cannot be opened.
    """
    sound = open_sound(source)
    found: list[npt.NDArray[np.float32]] = []
    start: float | None = None
    with open_clip(source) as container:
        stream = next(s for s in container.streams.audio if known(s))
        lead = max(0.0, begin - _LEAD)
        if lead > 0:
            container.seek(round(lead / sound.time_base), stream=stream)
        for frame in sound._frames(container):
            base: Fraction | None = frame.time_base
            if frame.pts is None or base is None:
                continue
            at = float(frame.pts * base)
            if at >= end:
                break
            samples = _floats(frame).mean(axis=1)
            skip = max(0, round((begin - at) * sound.rate))
            keep = min(samples.size, round((end - at) * sound.rate))
            if skip >= keep:
                continue
            start = at + skip / sound.rate if start is None else start
            found.append(samples[skip:keep])
    if start is None:
        return begin, np.empty(0, np.float32), sound.rate
    return start, np.concatenate(found), sound.rate
