"""Intra-coded pictures kept from all over a clip.

They hold detail that was coded from scratch. Pictures that are predicted from others inherit
detail, lose it, and mix the marks that resizing and block coding leave.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.media.frames import FrameView, Observer, Stage

_BYTES = 32_000_000  # of pictures kept: memory


@dataclass(frozen=True)
class KeyFrame:
    """One kept picture.

    Attributes:
        luma: Code values as stored.
        steps: Quantiser step per 16×16 block, see `seeworthy.media.quantiser`.
        index: Frame number.
    """

    luma: npt.NDArray[Any]
    steps: npt.NDArray[np.float32] | None
    index: int


class KeyFrames(Observer):
    """Observer: keeps key frames, evenly spread; memory stays flat.

    Args:
        most: Kept at most, fewer of large pictures. When full, every other one goes and the spacing
            doubles.
    """

    def __init__(self, most: int = 6) -> None:
        self.most = most
        self.stage: Stage | None = None
        self.kept: list[KeyFrame] = []
        self._seen = 0
        self._stride = 1

    def begin(self, stage: Stage) -> None:
        """Remember the geometry and how many pictures fit into memory."""
        self.stage = stage
        size = stage.width * stage.height * (1 if stage.bits <= 8 else 2)
        self.most = max(2, min(self.most, _BYTES // size))

    def frame(self, view: FrameView) -> bool | None:
        """Keep a key frame, or pass it by."""
        if not view.key or view.corrupt:
            return None
        number, self._seen = self._seen, self._seen + 1
        if number % self._stride:
            return None
        if len(self.kept) == self.most:
            self.kept = self.kept[::2]
            self._stride *= 2
            if number % self._stride:
                return None
        self.kept.append(KeyFrame(view.luma.copy(), view.fine_quantiser, view.index))
        return None
