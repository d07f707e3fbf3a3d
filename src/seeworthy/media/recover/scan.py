"""The walk through media data: pictures where they can be told, sound in between."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from seeworthy.media.recover.reference import ReferenceLayout
from seeworthy.media.recover.slices import Parameters, Sample, SampleReader

_WINDOW = 1 << 18  # bytes at a time: memory
_JPEG_START = b"\xff\xd8\xff"


@dataclass
class StrayScan:
    """What was found.

    Attributes:
        pictures: Whole coded pictures in file order.
        runs: Sound: offset, size, and number of pictures before it.
        cut_pictures: Pictures that the end of the file cuts.
        skipped: Bytes that are neither.
    """

    pictures: list[Sample] = field(default_factory=list)
    runs: list[tuple[int, int, int]] = field(default_factory=list)
    cut_pictures: int = 0
    skipped: int = 0
    parameters: Parameters | None = None


def scan(
    data: memoryview,
    start: int,
    layout: ReferenceLayout,
    progress: Callable[[float], None] | None = None,
) -> StrayScan:
    """Walk through media data from an offset to the end of the file."""
    reader = _h264(data, layout) if layout.picture == "h264" else _Jpeg(data)
    found = StrayScan(parameters=getattr(reader, "parameters", None))
    end = len(data)
    at = start
    while at < end:
        sample = reader.at(at, end)
        if sample is not None:
            found.pictures.append(sample)
            reader.take(sample)
            at += sample.size
            if progress is not None and len(found.pictures) % 64 == 0:
                progress(at / end)
            continue
        if reader.cut == at:
            found.cut_pictures += 1
            break
        following = reader.next_start(at + 1, end)
        stop = end if following is None else following
        if layout.sound == "none":
            found.skipped += stop - at
        else:
            found.runs.append((at, stop - at, len(found.pictures)))
        at = stop
    return found


def _h264(data: memoryview, layout: ReferenceLayout) -> _H264:
    assert layout.parameters is not None
    assert layout.habits is not None
    return _H264(data, layout.parameters, layout.length_size, layout.habits)


class _H264(SampleReader):
    """Coded pictures with length fields, and where the next one may begin."""

    def next_start(self, start: int, end: int) -> int | None:
        """Return the next offset at which a picture begins, None when there is none."""
        if self.length_size != 4:
            return self._slow(start, end)
        for base in range(start, end, _WINDOW):
            stop = min(end, base + _WINDOW + 8)
            window = np.frombuffer(self.data[base:stop], np.uint8)
            for offset in _candidates(window, self.largest):
                at = base + int(offset)
                if self.at(at, end) is not None or self.cut == at:
                    return at
        return None

    def _slow(self, start: int, end: int) -> int | None:
        return next((q for q in range(start, end) if self.at(q, end) is not None), None)


def _candidates(window: npt.NDArray[np.uint8], largest: int) -> npt.NDArray[np.intp]:
    if len(window) < 6:
        return np.zeros(0, np.intp)
    n = len(window) - 4
    size = window[:n].astype(np.uint32) << 24
    for k, shift in ((1, 16), (2, 8), (3, 0)):
        size |= window[k : n + k].astype(np.uint32) << shift
    header = window[4:]
    kind = header & 0x1F
    known = np.isin(kind, (1, 5, 6, 7, 9)) & (header & 0x80 == 0)
    return np.flatnonzero(known & (size >= 2) & (size <= largest))


class _Jpeg:
    """Motion JPEG pictures: start of image to end of image."""

    parameters = None

    def __init__(self, data: memoryview) -> None:
        self.data = data
        self.cut: int | None = None

    def at(self, start: int, end: int) -> Sample | None:
        """Return the picture that begins at an offset, or None."""
        if bytes(self.data[start : start + 3]) != _JPEG_START:
            return None
        at = start + 2
        while at + 4 <= end:
            if self.data[at] != 0xFF:
                return None
            marker = self.data[at + 1]
            if marker == 0xFF or 0xD0 <= marker <= 0xD7:
                at += 1 if marker == 0xFF else 2
                continue
            if marker == 0xD9:
                return Sample(start, at + 2 - start, True, True, 0)
            at += 2 + int.from_bytes(self.data[at + 2 : at + 4], "big")
            if marker == 0xDA:
                at = self._after_scan(at, end)
        self.cut = start
        return None

    def _after_scan(self, at: int, end: int) -> int:
        """Return the offset of the marker that ends entropy-coded data."""
        while True:
            stop = min(end, at + _WINDOW)
            chunk = bytes(self.data[at:stop])
            place = chunk.find(b"\xff")
            while place >= 0 and place + 1 < len(chunk):
                following = chunk[place + 1]
                if following != 0 and not 0xD0 <= following <= 0xD7:
                    return at + place
                place = chunk.find(b"\xff", place + 2)
            if stop >= end:
                return end
            at = stop - 1 if chunk.endswith(b"\xff") else stop

    def take(self, sample: Sample) -> None:
        """Nothing to remember: every picture stands alone."""

    def next_start(self, start: int, end: int) -> int | None:
        """Return the next offset at which a picture begins, None when there is none."""
        at = start
        while at < end:
            stop = min(end, at + _WINDOW + 2)
            place = bytes(self.data[at:stop]).find(_JPEG_START)
            if place >= 0:
                return at + place
            if stop >= end:
                return None
            at += _WINDOW
        return None
