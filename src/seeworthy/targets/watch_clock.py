"""Reading the bench clock in every frame of a clip while it is decoded.

Register a `ClockWatch` with the pass; when the pass is over `ClockWatch.track` gives one row
per frame that was read: number of the frame, its stamp, the time of the screen at the middle of
its exposure with standard uncertainty, and the row of the picture for which that holds. Some
tens of bytes are kept of every frame and of no picture but one, so memory stays flat.

The corner marks are searched for in the whole picture only where they are not where they were
in the frame before.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from seeworthy.targets import clock_code as code
from seeworthy.targets.find_clock import find_corners, follow_corners, is_mirrored, read_clock

if TYPE_CHECKING:
    from seeworthy.media.frames import FrameView, Stage

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ClockTrack:
    """Every frame in which the clock was read, in presentation order; arrays (N,).

    Attributes
    ----------
    index : int64
        Number of the frame in the file, from 0.
    stamp : float64
        Seconds by the file; NaN where it has no stamp.
    time : float64
        Seconds by the clock at the middle of the exposure of `row`. It runs on where the clock
        starts again (after `RANGE_MS`), as long as less than half of that lies between frames.
        A screen shows what it is told late by a constant that nothing in the picture tells.
    u : float64
        Standard uncertainty of `time` without that constant, seconds.
    row : float64
        Row of the picture at which the middle of the clock stands.
    frames : int
        Frames looked at, read or not.
    """

    index: npt.NDArray[np.int64]
    stamp: Array
    time: Array
    u: Array
    row: Array
    frames: int


class ClockWatch:
    """Observer of one clip.

    Parameters
    ----------
    every : int
        Look at each `every`-th frame only.

    Attributes
    ----------
    sample : ndarray or None
        One picture for evidence: of the first frame that was read, else of the first frame.
    outline : ndarray (4, 2) or None
        Corners of the clock in `sample`, px.
    mirrored : bool
        No frame was read so far, and the clock stands mirrored in the first ones.
    """

    def __init__(self, every: int = 1) -> None:
        self.every = every
        self.sample: npt.NDArray[np.uint8] | None = None
        self.outline: Array | None = None
        self.mirrored = False
        self._rows = array("d")
        self._frames = 0
        self._homography: Array | None = None
        self._misses = 0

    def begin(self, stage: Stage) -> None:
        """Take the range of the code values."""
        self._shift = stage.bits - 8

    def frame(self, view: FrameView) -> bool | None:
        """Read the clock in one frame."""
        if view.index % self.every:
            return None
        self._frames += 1
        luma = view.luma if not self._shift else (view.luma >> self._shift).astype(np.uint8)
        reading, homography = self._read(luma)
        if reading is None or homography is None:
            if self.sample is None:
                self.sample = luma.copy()
            return None
        if self.outline is None:
            self.sample, self.outline = luma.copy(), outline(homography)
        stamp = view.seconds
        row = _project(homography, np.array([(code.WIDTH / 2, code.HEIGHT / 2)]))[0, 1]
        self._rows.extend(
            (view.index, np.nan if stamp is None else stamp, reading.time_ms, float(row))
        )
        return None

    def _read(self, luma: npt.NDArray[np.uint8]) -> tuple[Any, Array | None]:
        """Follow the marks, else search for them; search ever less often in vain."""
        homography = None
        if self._homography is not None:
            homography = follow_corners(luma, self._homography)
            reading = None if homography is None else read_clock(luma, homography)
            if reading is not None:
                self._homography = homography
                return reading, homography
        self._homography = None
        if self._misses > 30 and self._misses % 5:
            self._misses += 1
            return None, None
        homography = find_corners(luma)
        reading = None if homography is None else read_clock(luma, homography)
        if reading is None:
            self._misses += 1
            if not self._rows and self._misses <= 3:
                self.mirrored = self.mirrored or is_mirrored(luma)
            return None, None
        self._misses = 0
        self._homography = homography
        return reading, homography

    def finish(self) -> None:
        """Nothing is left to do."""

    def track(self) -> ClockTrack:
        """Return what was read; empty arrays where nothing was."""
        rows = np.array(self._rows, np.float64).reshape(-1, 4)
        time = np.unwrap(rows[:, 2], period=code.RANGE_MS) / 1e3
        return ClockTrack(
            rows[:, 0].astype(np.int64),
            rows[:, 1],
            np.asarray(time, np.float64),
            np.full(len(rows), 5e-3),
            rows[:, 3],
            self._frames,
        )


def outline(homography: Array) -> Array:
    """Return the corners (4, 2) of the clock's layout in the picture, px."""
    w, h = code.WIDTH, code.HEIGHT
    return _project(homography, np.array([(0, 0), (w, 0), (w, h), (0, h)], np.float64))


def _project(homography: Array, points: Array) -> Array:
    full = np.column_stack([points, np.ones(len(points))]) @ homography.T
    flat: Array = full[:, :2] / full[:, 2:]
    return flat
