"""The mean picture of the steadiest stretch of a clip, gathered while it is decoded."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.media.frames import FrameView, Stage

_THIN = 8  # every eighth pixel tells whether a picture stands still (time)


class SteadyMean:
    """Observer: averages luma over the longest stretch in which the picture stood still.

    Attributes:
        most: Enough frames; then it leaves the pass.
        every: Take one frame of so many (neighbours share their coding).
        mean: Mean code values of the best stretch.
        count: Frames in it.
        first: Number of its first frame.
    """

    most = 30
    every = 2

    def __init__(self) -> None:
        self.mean: npt.NDArray[np.float32] | None = None
        self.count = 0
        self.first = 0
        self.stage: Stage | None = None
        self._sum: npt.NDArray[np.float32] | None = None
        self._n = 0
        self._start = 0
        self._reference: npt.NDArray[np.float32] | None = None
        self._last: npt.NDArray[np.float32] | None = None
        self._noise = 0.0

    def begin(self, stage: Stage) -> None:
        """Remember the geometry and the tags."""
        self.stage = stage

    def frame(self, view: FrameView) -> bool | None:
        """Add a frame to the running stretch, or start a new one after a movement."""
        if view.corrupt or view.index % self.every:
            return None
        luma = view.luma
        thin = luma[::_THIN, ::_THIN].astype(np.float32)
        if self._moved(thin):
            self._close()
        if self._sum is None:
            self._sum = np.zeros(luma.shape, np.float32)
            self._n, self._start, self._reference = 0, view.index, thin
        self._sum += luma
        self._n += 1
        self._last = thin
        if self._n >= self.most:
            self._close()
            return False
        return None

    def _moved(self, thin: Any) -> bool:
        if self._reference is None or self._last is None:
            return False
        step = float(np.mean(np.abs(thin - self._last)))
        away = float(np.mean(np.abs(thin - self._reference)))
        self._noise = step if self._n < 2 else min(self._noise, step)
        # Noise alone leaves the distance from the first frame where it was.
        return away > 1.6 * self._noise + 0.25

    def _close(self) -> None:
        if self._sum is not None and self._n > self.count:
            self.mean = self._sum / np.float32(self._n)
            self.count, self.first = self._n, self._start
        self._sum = self._reference = self._last = None
        self._n = 0

    def finish(self) -> None:
        """Close the last stretch."""
        self._close()
