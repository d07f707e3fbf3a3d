"""Means of frames in blocks, so that their scatter is known."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.media.frames import FrameView
from seeworthy.observe.steady import SteadyMean

_SIZE = 6  # frames of a block: five blocks of a whole stretch, enough for a scatter


class SteadyBlocks(SteadyMean):
    """Like `SteadyMean`, and also the means of a few blocks of the best stretch.

    Attributes:
        blocks: Mean code values of successive blocks of the best stretch.
    """

    def __init__(self) -> None:
        super().__init__()
        self.blocks: list[npt.NDArray[np.float32]] = []
        self._running: list[npt.NDArray[np.float32]] = []
        self._block: Any = None
        self._in_block = 0

    def frame(self, view: FrameView) -> bool | None:
        """Add a frame to the running stretch and its block."""
        before = self._n
        more = super().frame(view)
        if view.corrupt or view.index % self.every:
            return more
        if more is not False and self._n <= before:  # a new stretch began
            self._block, self._in_block, self._running = None, 0, []
        if self._block is None:
            self._block = np.zeros(view.luma.shape, np.float32)
        self._block += view.luma
        self._in_block += 1
        if self._in_block == _SIZE:
            self._running.append(self._block / np.float32(_SIZE))
            self._block, self._in_block = None, 0
        if more is False:
            self.blocks = self._running
        return more

    def _close(self) -> None:
        best = self._sum is not None and self._n > self.count
        super()._close()
        if best:
            self.blocks = list(self._running)
