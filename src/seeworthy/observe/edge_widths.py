"""Widths of the strong edges of some frames: how sharp the sharpest things are.

A picture is blurred by two known Gaussians; across an edge of width σ the steepest slopes of
the two then stand as √(σ² + σ2²) to √(σ² + σ1²), which gives σ whatever its contrast (Zhuo
and Sim 2011, doi:10.1016/j.patcog.2011.03.009, with both pictures blurred so that noise and
coding count for less).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.media.frames import FrameView, Stage

_EVERY = 12  # frames, and no more than _MOST of them
_MOST = 60  # frames over a clip, so that a long one takes no longer (time)
_FIRST, _SECOND = 1.0, 2.0  # px, the two Gaussians
_STRONG = 0.98  # quantile of the slopes: the strongest edges of the frame
_LEAST = 4.0  # codes per px after the first Gaussian: an edge of some twenty codes
_WINDOW = 720  # px: the middle of a larger picture


@dataclass(slots=True)
class EdgeWidthWatch:
    """Observer of edges.

    Attributes:
        frames: list of (float, ndarray (n, 2)). Time stamp, and of each edge its width (standard
            deviation, px; NaN where it cannot be told) and the direction across it (rad, -π to π).
    """

    frames: list[tuple[float, npt.NDArray[np.float64]]] = field(default_factory=list)
    _every: int = _EVERY
    _depth: float = 1.0

    def begin(self, stage: Stage) -> None:
        """Choose which frames to look at."""
        self._every = max(_EVERY, -(-(stage.frames_hint or 0) // _MOST))
        self._depth = 1 / (1 << (stage.bits - 8))

    def frame(self, view: FrameView) -> None:
        """Look at one frame of some."""
        time = view.seconds
        if view.index % self._every or view.corrupt or time is None or len(self.frames) >= _MOST:
            return
        h, w = view.luma.shape
        top, left = max(0, (h - _WINDOW) // 2), max(0, (w - _WINDOW) // 2)
        cut = view.luma[top : top + _WINDOW, left : left + _WINDOW]
        self.frames.append((time, widths(cut.astype(np.float32) * np.float32(self._depth))))

    def finish(self) -> None:
        """Nothing is held."""


def widths(picture: npt.NDArray[np.float32]) -> npt.NDArray[np.float64]:
    """Return width and direction of the strong edges of a picture in 8-bit codes, (n, 2)."""
    once = cv2.GaussianBlur(picture, (0, 0), _FIRST)
    twice = cv2.GaussianBlur(picture, (0, 0), _SECOND)
    (ax, ay), (bx, by) = _slopes(once), _slopes(twice)
    steep = np.hypot(ax, ay)
    limit = max(_LEAST, float(np.quantile(steep, _STRONG)))
    ridge = steep >= cv2.dilate(steep, np.ones((3, 3), np.uint8))
    ridge[:8], ridge[-8:], ridge[:, :8], ridge[:, -8:] = False, False, False, False
    at = np.nonzero(ridge & (steep > limit))
    ratio2 = (steep[at] / np.maximum(np.hypot(bx[at], by[at]), 1e-6)) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        square = (_SECOND**2 - ratio2 * _FIRST**2) / (ratio2 - 1)
        width = np.where((ratio2 > 1.02) & (square > -0.5), np.sqrt(np.maximum(square, 0)), np.nan)
    return np.column_stack([width, np.arctan2(ay[at], ax[at])]).astype(float)


def _slopes(picture: Any) -> tuple[Any, Any]:
    return (
        cv2.Sobel(picture, cv2.CV_32F, 1, 0, ksize=1, scale=0.5),
        cv2.Sobel(picture, cv2.CV_32F, 0, 1, ksize=1, scale=0.5),
    )
