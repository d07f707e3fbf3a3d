"""The mean of a flat field in blocks of linear RGB, gathered while it is decoded."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.media.frames import FrameView, Stage
from seeworthy.media.light import Light, light_of, linear_rgb

BLOCKS = (64, 36)  # across and down: blocks of some 20 px, over which shading is level
_MOST = 24  # frames: enough; then it leaves the pass
_EVERY = 3  # frames: neighbours share their coding


class FlatMean:
    """Observer: block means of linear RGB over some frames.

    Args:
        light: Stage to `Light`; by the tags when left out.

    Attributes:
        mean: array (36, 64, 3) or None
        luma: Code values of the first frame, for the evidence picture.
    """

    def __init__(self, *, light: Callable[[Stage], Light] = light_of) -> None:
        self._light_of = light
        self._light: Light | None = None
        self.mean: npt.NDArray[np.float64] | None = None
        self.luma: npt.NDArray[np.float32] | None = None
        self.count = 0
        self.stage: Stage | None = None
        self._sum: Any = None

    def begin(self, stage: Stage) -> None:
        """Remember the geometry and make the light."""
        self.stage = stage
        self._light = self._light_of(stage)

    def frame(self, view: FrameView) -> bool | None:
        """Add a frame."""
        if view.corrupt or view.index % _EVERY:
            return None
        blocks = cv2.resize(linear_rgb(view, self._light), BLOCKS, interpolation=cv2.INTER_AREA)
        self._sum = blocks.astype(float) if self._sum is None else self._sum + blocks
        if self.luma is None:
            self.luma = view.luma.astype(np.float32)
        self.count += 1
        return False if self.count >= _MOST else None

    def finish(self) -> None:
        """Make the mean."""
        if self._sum is not None:
            self.mean = np.asarray(self._sum / self.count)
