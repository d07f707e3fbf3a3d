"""Where AAC frames end.

Frames in MP4 carry no length of their own; the index had it. A raw data block is
complete when the decoder reaches its end element, and too short when it does not, so
the shortest beginning that decodes without complaint is the frame (ISO/IEC 14496-3,
4.4.2.1: raw_data_block ends with ID_END and is byte aligned).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import av
import av.error

if TYPE_CHECKING:
    from av.audio.stream import AudioStream

SAMPLES = 1024  # of a frame (ISO/IEC 14496-3)
_LARGEST = 6144 // 8 * 8  # bytes: 6144 bits per channel, eight channels


class FrameSplitter:
    """Splits a run of AAC frames.

    Args:
        stream: Of the good clip.
    """

    def __init__(self, stream: AudioStream) -> None:
        self._extradata = bytes(stream.codec_context.extradata or b"")
        self._rate = stream.codec_context.sample_rate
        self._layout = stream.codec_context.layout
        self._decoder = self._fresh()

    def _fresh(self) -> av.AudioCodecContext:
        decoder = av.AudioCodecContext.create("aac", "r")
        decoder.extradata = self._extradata
        decoder.sample_rate = self._rate
        decoder.layout = self._layout
        return decoder

    def _decodes(self, data: bytes) -> bool:
        try:
            self._decoder.decode(av.Packet(data))
        except (av.error.FFmpegError, ValueError):
            return False
        return True

    def split(self, data: bytes) -> list[int]:
        """Return the sizes of the frames at the beginning of `data`.

        What follows the last whole frame (cut by the end of the file, or not sound at
        all) is left out: the sizes may add up to less than the data.
        """
        sizes: list[int] = []
        at = 0
        while at < len(data):
            size = self._first(data[at : at + _LARGEST])
            if size is None:
                break
            sizes.append(size)
            at += size
        return sizes

    def _first(self, data: bytes) -> int | None:
        if not self._decodes(data):
            return None
        low, high = 1, len(data)
        while low < high:
            middle = (low + high) // 2
            if self._decodes(data[:middle]):
                high = middle
            else:
                low = middle + 1
        return low
