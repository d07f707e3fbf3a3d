"""The mean picture in linear R, G, B of the steadiest stretch, gathered while it is decoded."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.media.frames import FrameView, Stage
from seeworthy.media.light import Light, light_of, linear_rgb
from seeworthy.observe.steady import SteadyMean

BLOCK = 8  # px: a patch of a target holds several


class SteadyColour(SteadyMean):
    """Like `SteadyMean`, in colour and linear light, with block means of every frame.

    Attributes:
        linear: float32 array (H, W, 3) or None. Mean linear RGB of the best stretch.
        blocks: float32 array (frames, H / 8, W / 8, 3) or None. What its frames scatter by.
        grey: The clip stores no chroma.
    """

    most = 16

    def __init__(self, *, light: Callable[[Stage], Light] = light_of) -> None:
        super().__init__()
        self._light_of = light
        self.linear: npt.NDArray[np.float32] | None = None
        self.blocks: npt.NDArray[np.float32] | None = None
        self.grey = False
        self.light: Light | None = None
        self._colour: Any = None
        self._blocks: list[npt.NDArray[np.float32]] = []

    def begin(self, stage: Stage) -> None:
        """Remember the geometry and make the light."""
        super().begin(stage)
        self.light = self._light_of(stage)

    def frame(self, view: FrameView) -> bool | None:
        """Add a frame."""
        if view.corrupt or view.index % self.every:
            return None
        more = super().frame(view)
        if more is False:
            return False  # the stretch is long enough without this last one
        self.grey = view.chroma is None and self.light is not None and self.light.matrix != "RGB"
        linear = linear_rgb(view, self.light)
        self._colour = linear.copy() if self._colour is None else self._colour + linear
        rows, columns = linear.shape[0] // BLOCK, linear.shape[1] // BLOCK
        whole = linear[: rows * BLOCK, : columns * BLOCK]
        small: Any = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)
        self._blocks.append(small)
        return None

    def _close(self) -> None:
        best = self._sum is not None and self._n > self.count
        super()._close()
        if best and self._blocks:
            self.linear = self._colour / np.float32(len(self._blocks))
            self.blocks = np.stack(self._blocks)
        self._colour, self._blocks = None, []
