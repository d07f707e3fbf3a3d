"""Pairs of neighbouring frames from all over a clip, kept for the statistics of its noise.

An encoder copies still blocks from one frame to the next, so neighbours alone hide noise, and
frames far apart alone hide that. Kept are pairs of neighbours, spread evenly over the first
twenty seconds: when the store is full, every other pair goes and the spacing doubles.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.media.frames import FrameView, Observer, Stage
from seeworthy.media.light import rgb_from_planes

PAIRS = 12  # more tell no more (a judgement)
LEAST_PAIRS = 4  # a spread over time (a judgement)
_BYTES = 96_000_000  # memory of the frames kept
_LONGEST = 600  # px a side of a patch: memory


@dataclass
class _Kept:
    index: int
    luma: Any
    chroma: Any = field(default=None)


class NoiseFrames(Observer):
    """Observer: keeps copies of frames in pairs of neighbours.

    Args:
        pairs: Kept at most, fewer of large pictures.
        colour: Keep the colour planes too.

    Attributes:
        ticks: Time stamps of all frames seen.
        repeated: Neighbours that were the same picture to the last bit; left out.
        keys: Key frames seen.
    """

    def __init__(self, pairs: int = PAIRS, *, colour: bool = True) -> None:
        self.pairs, self.colour = pairs, colour
        self.stage: Stage | None = None
        self.ticks: list[int] = []
        self.repeated = 0
        self.keys = 0
        self._stride = 2
        self._kept: list[list[_Kept]] = []

    def begin(self, stage: Stage) -> None:
        """Remember the geometry and how many pairs fit into memory."""
        self.stage = stage
        frame = stage.width * stage.height * (1.5 if stage.bits <= 8 else 3)
        self.pairs = max(LEAST_PAIRS, min(self.pairs, int(_BYTES / frame / 2)))

    def frame(self, view: FrameView) -> bool | None:
        """Keep a frame, or pass it by."""
        self.keys += view.key
        if view.pts is not None:
            self.ticks.append(view.pts)
        if view.index >= _LONGEST:
            return False
        if view.corrupt:
            return None
        place = view.index % self._stride
        if place == 0:
            if len(self._kept) >= self.pairs and len(self._kept[-1]) == 2:
                self._thin()
                if view.index % self._stride:
                    return None
            self._kept.append([self._copy(view)])
        elif place == 1 and self._kept and self._kept[-1][0].index == view.index - 1:
            first = self._kept[-1][0]
            if np.array_equal(first.luma, view.luma):
                self.repeated += 1
            else:
                self._kept[-1].append(self._copy(view))
        return None

    def _copy(self, view: FrameView) -> _Kept:
        chroma = view.chroma if self.colour else None
        planes = None if chroma is None else (np.array(chroma[0]), np.array(chroma[1]))
        return _Kept(view.index, np.array(view.luma), planes)

    def _thin(self) -> None:
        self._stride *= 2
        self._kept = [pair for pair in self._kept if pair[0].index % self._stride == 0]

    @property
    def kept(self) -> list[_Kept]:
        """Frames that were kept, in order."""
        return [frame for pair in self._kept for frame in pair]

    @property
    def numbers(self) -> npt.NDArray[np.intp]:
        """Their numbers in the clip."""
        return np.array([frame.index for frame in self.kept], np.intp)

    @property
    def count(self) -> int:
        """How many they are."""
        return len(self.kept)

    def all_alike(self) -> bool:
        """Tell whether every kept frame is the same picture to the last bit."""
        first = self.kept[0].luma
        return all(np.array_equal(first, frame.luma) for frame in self.kept[1:])

    def luma(self, box: tuple[int, int, int, int] | None = None) -> Any:
        """Return luma codes (T, h, w) of a box (x, y, w, h), of the whole frame without one."""
        if box is None:
            return np.stack([frame.luma for frame in self.kept])
        x, y, w, h = box
        return np.stack([frame.luma[y : y + h, x : x + w] for frame in self.kept])

    def mean(self, first: int = 0, last: int | None = None) -> Any:
        """Return the mean code values (H, W) float32 of some kept frames."""
        chosen = self.kept[first:last]
        total = np.zeros(chosen[0].luma.shape, np.float32)
        for frame in chosen:
            total += frame.luma
        return total / np.float32(len(chosen))

    def rgb(self, box: tuple[int, int, int, int], how: Any) -> Any:
        """Return linear R, G, B (T, h, w, 3) of a box, None for a grey clip.

        Args:
            box: (x, y, w, h)
            how: From ``media.light.light_of``.
        """
        x, y, w, h = box
        kept = self.kept
        if kept[0].chroma is None or how.matrix == "RGB":
            return None
        rows, columns = kept[0].chroma[0].shape
        across = round(kept[0].luma.shape[1] / columns)
        down = round(kept[0].luma.shape[0] / rows)
        x0, y0 = x - x % across, y - y % down
        x1, y1 = x0 + across * -(-(x + w - x0) // across), y0 + down * -(-(y + h - y0) // down)
        found = []
        for frame in kept:
            luma = frame.luma[y0:y1, x0:x1]
            cb, cr = (c[y0 // down : y1 // down, x0 // across : x1 // across] for c in frame.chroma)
            coded = rgb_from_planes(luma, cb, cr, how)[y - y0 : y - y0 + h, x - x0 : x - x0 + w]
            found.append(how.decode_signal(coded))
        return np.stack(found)
