"""Sums over the frames of a dark clip, gathered while it is decoded."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.media.frames import FrameView, Observer, Stage
from seeworthy.observe.marked import Box

Floats = npt.NDArray[np.float64]

_CHUNK = 16
"""Frames that go into one half before the other half has its turn: longer than the distance over
which encoders repeat a picture by rule, so that the halves' noise is independent (a judgement)."""
_EVERY = 15
"""One frame in so many is asked how coarsely it was coded."""


class DarkSums(Observer):
    """Observer: mean pictures of two halves of a clip, its level over time, its code values.

    Args:
        left_out: Boxes (x, y, w, h) that count neither for levels nor for code values.

    Attributes:
        counts: Frames in each half.
        levels: Mean code value of each frame.
        times: Seconds of each frame, NaN where the file has none.
        use: (H, W), False where a box is left out.
        histogram: (2**bits,) how often each code value came.
        steps: Median quantiser steps of some frames, code values of 8 bit.
    """

    def __init__(self, left_out: Sequence[Box] = ()) -> None:
        self.left_out = tuple(left_out)
        self.stage: Stage | None = None
        self.counts = [0, 0]
        self.levels: list[float] = []
        self.times: list[float] = []
        self.steps: list[float] = []
        self.use: npt.NDArray[np.bool_] = np.ones((1, 1), np.bool_)
        self.histogram: Floats = np.zeros(256)
        self._sums: list[Any] = []
        self._squares: Any = None

    def begin(self, stage: Stage) -> None:
        """Make room for the sums."""
        self.stage = stage
        shape = (stage.height, stage.width)
        self.use = np.ones(shape, np.bool_)
        for x, y, w, h in self.left_out:
            self.use[y : y + h, x : x + w] = False
        self._sums = [np.zeros(shape, np.float32), np.zeros(shape, np.float32)]
        self._squares = np.zeros(shape, np.float32)
        self.histogram = np.zeros(1 << stage.bits)

    def frame(self, view: FrameView) -> None:
        """Add a frame."""
        if view.corrupt:
            return
        luma = view.luma
        half = view.index // _CHUNK % 2
        cv2.accumulate(luma, self._sums[half])
        cv2.accumulateSquare(luma, self._squares)
        self.counts[half] += 1
        counted = luma[self.use] if self.left_out else luma.ravel()
        seen = np.bincount(counted, minlength=self.histogram.size)[: self.histogram.size]
        self.histogram += seen
        self.levels.append(float(seen @ np.arange(seen.size)) / max(int(seen.sum()), 1))
        self.times.append(np.nan if view.seconds is None else view.seconds)
        if view.index % _EVERY == 0:
            steps = view.quantiser
            if steps is not None:
                self.steps.append(float(np.median(steps)))

    def finish(self) -> None:
        """Sums are ready as they are."""

    @property
    def count(self) -> int:
        """Frames that were summed."""
        return sum(self.counts)

    @property
    def halves(self) -> tuple[Floats, Floats]:
        """Mean pictures of the halves, (H, W) code values."""
        one, other = (
            np.asarray(s, np.float64) / max(n, 1)
            for s, n in zip(self._sums, self.counts, strict=True)
        )
        return one, other

    @property
    def mean(self) -> Floats:
        """The mean picture, (H, W) code values."""
        return np.asarray((self._sums[0].astype(np.float64) + self._sums[1]) / max(self.count, 1))

    @property
    def deviation(self) -> Floats:
        """Standard deviation of each pixel over time, (H, W) code values."""
        n = max(self.count, 2)
        power = self._squares.astype(np.float64) / n - self.mean**2
        return np.asarray(np.sqrt(np.maximum(power, 0) * n / (n - 1)))
