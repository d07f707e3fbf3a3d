"""How points of the picture move from frame to frame: what `motion` and `gyro` read off a clip.

Corners are picked evenly over the picture, followed by the pyramid of Lucas and Kanade
(Bouguet 2000, as OpenCV has it) and picked anew when too few are left. The frame is
reduced to about 480 px on its longer side: a corner is then followed to about a tenth of
a pixel of the whole frame, and a hundred of them per frame cost less than its decoding.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.media.frames import FrameView, Stage

Floats = npt.NDArray[np.float32]

_SIDE = 480  # px; the tracked picture is about this long, 0.7 to 1.5 times of it
_POINTS = 108  # over the picture; more lower the noise of a turn little (time)
_FEWEST_KEPT = 0.75  # of those picked last; below, corners are picked anew
# Px of the tracked picture. Against 13, smooth and noisy ground is followed with half the noise
# at the same cost (our own rendered flights, seeds 0 to 7).
_WINDOW = 21
_MARGIN = 12  # px: a window must lie inside
# What two frames of a place may differ by once it was followed, of its own contrast (standard
# deviations). Places whose frames are independent noise differ by 1.4 of it; half leaves texture
# of seven times the noise's power (derived).
_UNLIKE = 0.5
# A corner must be this share of the stronger corners (90 % quantile) of the picture. A coder
# leaves weak texture lying where it was: on a real flight (karma.mp4, 2017) clouds followed
# the camera by 6 to 8 % less than houses on the horizon did, corners above this by none.
_TEXTURE_SHARE = 0.1
# Smaller eigenvalue of the gradients, in squared full scale per px: about one code value
# of 8 bit over the block of 5 px, below which noise and coding decide.
_TEXTURE_LEAST = 1e-4


@dataclass(frozen=True, slots=True)
class FramePair:
    """Points followed from one frame to the next.

    Attributes:
        number: Of the later frame.
        start, end: Time stamps of both frames, s.
        points: (N, 4) float32. ``x0, y0, x1, y1`` in px of the stored frame.
    """

    number: int
    start: float
    end: float
    points: Floats


@dataclass(slots=True)
class MotionWatch:
    """Observer that follows corners.

    Attributes:
        pairs: One per two neighbouring frames that both have a time stamp.
        picture: A frame from the first seconds, for the evidence.
    """

    pairs: list[FramePair] = field(default_factory=list)
    picture: npt.NDArray[np.uint8] | None = None
    width: int = 0
    height: int = 0
    rotation: int = 0
    seen: int = 0
    _scale: int = 1
    _depth: float = 1.0
    _before: Any = None
    _time: float | None = None
    _points: Any = None
    _contrast: Any = None
    _picked: int = 0

    def begin(self, stage: Stage) -> None:
        """Choose the size at which points are followed."""
        self.width, self.height, self.rotation = stage.width, stage.height, stage.rotation
        self._scale = max(1, round(max(stage.width, stage.height) / _SIDE))
        self._depth = 1 / (1 << (stage.bits - 8)) if stage.bits > 8 else 1.0

    def frame(self, view: FrameView) -> None:
        """Follow the points of the frame before."""
        self.seen += 1
        time = view.seconds
        if view.corrupt or time is None:
            self._before = self._points = None
            return
        luma = view.luma
        if luma.shape != (self.height, self.width):  # the size changed on the way
            self._before = self._points = None
            return
        small = self._reduced(luma)
        if self._before is not None and self._time is not None and time > self._time:
            self._follow(view.index, small, time)
        if self.picture is None or self.seen == 30:
            self.picture = small.copy()
        self._before, self._time = small, time

    def part(self) -> None:
        """Let go of the last frame: the next one begins anew."""
        self._before = self._points = None

    finish = part

    def _reduced(self, luma: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
        k = self._scale
        if k > 1:
            # Means of k × k px, the odd ones at the edges left out: a third of the time that
            # `cv2.resize` takes for areas, and every corner stands where it is said to stand.
            rows, columns = self.height // k, self.width // k
            means = cv2.blur(luma, (k, k))
            luma = means[k // 2 : rows * k : k, k // 2 : columns * k : k]
        # A copy even at full size: the planes are borrowed.
        small = luma
        if self._depth != 1:
            return np.asarray(cv2.convertScaleAbs(small, alpha=self._depth), np.uint8)
        return np.array(small, np.uint8)

    def _follow(self, number: int, small: npt.NDArray[np.uint8], time: float) -> None:
        before, points = self._before, self._points
        if points is None or len(points) < _FEWEST_KEPT * self._picked:
            points = corners(before)
            self._picked, self._contrast = len(points), _contrast(before, points)
        start = float(self._time or 0.0)
        if len(points) < 4:
            self._points = None
            self.pairs.append(FramePair(number, start, time, np.zeros((0, 4), np.float32)))
            return
        follow: Any = cv2.calcOpticalFlowPyrLK  # its stub knows no way to leave nextPts out
        after, status, unlike = follow(
            before, small, points, None, winSize=(_WINDOW, _WINDOW), maxLevel=3,
            criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 20, 0.01),
        )  # fmt: skip
        h, w = small.shape
        inside = (after[:, 0] >= _MARGIN) & (after[:, 0] < w - _MARGIN)
        inside &= (after[:, 1] >= _MARGIN) & (after[:, 1] < h - _MARGIN)
        # `unlike` is a mean of absolute differences, 0.8 of a standard deviation.
        good = (status.ravel() > 0) & inside
        good &= unlike.ravel() < 0.8 * _UNLIKE * self._contrast
        both = np.hstack([points[good], after[good]])
        # Pixel centres at integers, before and after the frame is reduced.
        shown = ((both + 0.5) * self._scale - 0.5).astype(np.float32)
        self.pairs.append(FramePair(number, start, time, shown))
        self._points, self._contrast = np.ascontiguousarray(after[good]), self._contrast[good]


def _contrast(picture: npt.NDArray[np.uint8], points: Floats) -> Floats:
    """Return the standard deviation of the codes about each point, (N,)."""
    size = (_WINDOW, _WINDOW)
    mean = cv2.boxFilter(picture, cv2.CV_32F, size)
    square = cv2.sqrBoxFilter(picture, cv2.CV_32F, size)
    x, y = points.astype(int).T if len(points) else np.zeros((2, 0), int)
    return np.asarray(np.sqrt(np.maximum(square[y, x] - mean[y, x] ** 2, 0.0)), np.float32)


def corners(picture: npt.NDArray[np.uint8]) -> Floats:
    """Return the strongest corner of each cell of a grid, where there is texture.

    Returns:
        (N, 2) float32. x, y in px; N at most about 108.
    """
    h, w = picture.shape
    strength = cv2.cornerMinEigenVal(picture, 5)
    down = max(3, round((_POINTS * h / w) ** 0.5))
    across = max(3, _POINTS // down)
    ys = np.linspace(_MARGIN, h - _MARGIN, down + 1).astype(int)
    xs = np.linspace(_MARGIN, w - _MARGIN, across + 1).astype(int)
    found = []
    for top, bottom in itertools.pairwise(ys):
        for left, right in itertools.pairwise(xs):
            cell = strength[top:bottom, left:right]
            if cell.size:
                best = int(cell.argmax())
                row, column = divmod(best, cell.shape[1])
                found.append((left + column, top + row, cell[row, column]))
    if not found:
        return np.zeros((0, 2), np.float32)
    points = np.array(found, np.float32)
    least = max(_TEXTURE_LEAST, _TEXTURE_SHARE * float(np.quantile(points[:, 2], 0.9)))
    return np.ascontiguousarray(points[points[:, 2] >= least, :2])
