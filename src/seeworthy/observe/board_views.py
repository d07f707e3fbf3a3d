"""Picking still, sharp, different views of a target out of a clip while it is decoded.

The frame that changed least is kept of every third of a second, with the one before
it; a finder looks at both. What moved between them tells whether the view stood still:
a moving board is bent by the rolling shutter and smeared by the exposure. Of views
that hardly differ only the steadiest is kept, so memory stays flat.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.frames import FrameView, Stage
from seeworthy.optics.corners import refine_saddles

Array = npt.NDArray[np.float64]
Grey = npt.NDArray[Any]

STILL = 0.35
"""px per frame up to which a view counts as standing still."""

SLOW = 1.5
"""px per frame up to which it is used when nothing stood still."""

_THIN = 8  # every eighth pixel tells whether a picture stands still (time)
_SECONDS = 1 / 3  # the stillest frame of each third of a second is kept (a judgement)
_MOST = 60  # views: memory; a calibration hardly gains by more
_SAME = 0.02  # of the width: nearer views tell the same twice (a judgement)


@dataclass(frozen=True)
class Points:
    """Numbered points of the target in one picture.

    Attributes:
        ids: ndarray (n,)
        plane, image: ndarray (n, 2). Millimetres and px.
        half: ndarray (n,). Half width in px of the window that each was refined in.
    """

    ids: npt.NDArray[np.intp]
    plane: Array
    image: Array
    half: npt.NDArray[np.intp]


@dataclass
class Held:
    """One kept view.

    Attributes:
        index: Frame number.
        motion: px per frame against the frame before; None for a still picture.
    """

    points: Points
    index: int
    motion: float | None


class HoldWatcher:
    """Observer of one clip or still.

    Args:
        finder: ``(picture, harder) -> Points``; raises `CannotMeasure` when it finds nothing.

    Attributes:
        sample: The picture of the view with most points, for evidence.
        refusal: Why the last picture without a target was refused.
    """

    def __init__(self, finder: Callable[[Grey, bool], Points]) -> None:
        self._finder = finder
        self.held: list[Held] = []
        self.sample: Grey | None = None
        self.sample_points: Points | None = None
        self.refusal: CannotMeasure | None = None
        self.size = (0, 0)
        self._block = 10
        self._last: Grey | None = None
        self._last_thin: npt.NDArray[np.int16] | None = None
        self._best: tuple[float, int, Grey, Grey | None] | None = None
        self._seen_thin: npt.NDArray[np.int16] | None = None
        self._noise = np.inf
        self._looks = 0

    def begin(self, stage: Stage) -> None:
        """Take the frame's size and rate."""
        self.size = (stage.width, stage.height)
        rate = float(stage.nominal_rate) if stage.nominal_rate else 30.0
        self._block = max(2, round(min(rate, 240.0) * _SECONDS))

    def frame(self, view: FrameView) -> bool | None:
        """Keep the steadiest frame of the current block."""
        if view.corrupt:
            return None
        luma = view.luma
        thin = luma[::_THIN, ::_THIN].astype(np.int16)
        if self._last_thin is not None:
            change = float(np.mean(np.abs(thin - self._last_thin)))
            self._noise = min(self._noise, change)
            if self._best is None or change < self._best[0]:
                self._best = (change, view.index, luma.copy(), self._last)
        elif self._best is None:
            self._best = (np.inf, view.index, luma.copy(), None)
        self._last_thin = thin
        # Only a frame that may be the next one's predecessor needs to be held.
        self._last = luma.copy()
        if view.index % self._block == self._block - 1:
            self._look()
        return False if len(self.held) >= _MOST else None

    def finish(self) -> None:
        """Look at the last, unfinished block."""
        self._look()
        self._last = self._last_thin = self._seen_thin = None

    def _look(self) -> None:
        best, self._best = self._best, None
        if best is None:
            return
        change, index, picture, before = best
        thin = picture[::_THIN, ::_THIN].astype(np.int16)
        if self._seen_thin is not None:
            # Nothing moved since the last look: not a new view.
            fresh = float(np.mean(np.abs(thin - self._seen_thin)))
            if fresh < 1.5 * max(change, self._noise) + 0.3:
                return
        self._seen_thin = thin
        harder = before is None or (not self.held and self._looks % 4 == 0)
        self._looks += 1
        try:
            points = self._finder(picture, harder)
        except CannotMeasure as refusal:
            self.refusal = refusal
            return
        motion = None
        if before is not None:
            both = _together(points, before)
            if both is None:
                return
            points, motion = both
        self._keep(Held(points, index, motion), picture)

    def _keep(self, new: Held, picture: Grey) -> None:
        if new.motion is not None and new.motion > SLOW:
            return
        for i, old in enumerate(self.held):
            if _alike(old.points, new.points, self.size[0]):
                if (new.motion or 0.0) < (old.motion or 0.0):
                    self.held[i] = new
                return
        self.held.append(new)
        if self.sample_points is None or len(new.points.ids) > len(self.sample_points.ids):
            self.sample, self.sample_points = picture, new.points


def _together(a: Points, before: Grey) -> tuple[Points, float] | None:
    """Return the mean of the points in both pictures, and how far they moved (px)."""
    picture = np.asarray(before, np.float32)
    other, ok = refine_saddles(picture, a.image, a.half)
    if int(ok.sum()) < max(6, len(ok) // 2):
        return None
    apart = (a.image - other)[ok]
    # Noise alone moves single points: the common motion counts.
    motion = float(np.hypot(*np.median(apart, axis=0)))
    spread = 0.5 * float(np.median(np.hypot(*apart.T)))
    middle = (a.image[ok] + other[ok]) / 2
    return Points(a.ids[ok], a.plane[ok], middle, a.half[ok]), max(motion, spread)


def _alike(a: Points, b: Points, width: int) -> bool:
    ids, at_a, at_b = np.intersect1d(a.ids, b.ids, return_indices=True)
    if len(ids) < 6:
        return False
    return float(np.median(np.hypot(*(a.image[at_a] - b.image[at_b]).T))) < _SAME * width
