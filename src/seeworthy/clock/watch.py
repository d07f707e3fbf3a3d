"""Reading the bench clock in every frame of a clip while it is decoded.

Register a `ClockWatch` with the pass; when the pass is over `ClockWatch.track` gives one row
per frame that was read: number of the frame, its stamp, the time of the screen at the middle of
its exposure with standard uncertainty, and the row of the picture for which that holds. Some
hundred bytes are kept of every frame and of no picture but one, so memory stays flat.

The corner marks are searched for in the whole picture only where they are not where they were
in the frame before.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.clock import code
from seeworthy.clock.find import (
    ClockReading,
    band_heights,
    find_corners,
    follow_corners,
    is_mirrored,
    project,
    read_clock,
)
from seeworthy.clock.moments import Moments, ShownClock, find_moments, roughness, sideways
from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.frames import FrameView, Observer, Stage
from seeworthy.media.light import light_of

Array = npt.NDArray[np.float64]

_COLUMNS = 6  # numbers that are kept of a reading
_WITH_MODEL = 24
"""Frames from which on the screen's updates are looked into."""
_SCAN_HALF = 0.48
"""Time from a screen's first line to its middle, in updates; usual timings have 0.46 to 0.49."""
_BLUR_PX = 2.0
"""Largest standard deviation of optics and pixels, px."""
_LEAN_LEAST = 0.05  # of an update: less is not the screen but its pixels (a judgement)
_REFRESH = 60.0
"""Updates per second assumed where the page does not say."""
_TOP = 232
"""Code value from which on limited and full range count as white."""
_EVEN, _EVEN_MS = 0.07, 0.15  # of an update, and ms: no model needed (a judgement)
_PATIENCE = 30  # frames in a row without a clock: a second
_SELDOM = 5
"""After so many frames in vain only each fifth frame is searched."""


@dataclass(frozen=True, slots=True)
class ClockTrack:
    """Every frame in which the clock was read, in presentation order; arrays (N,).

    Attributes:
        index: Number of the frame in the file, from 0.
        stamp: Seconds by the file; NaN where it has no stamp.
        time: Seconds by the clock at the middle of the exposure of `row`, modulo `RANGE_MS` in the
            first frame; it runs on where the clock starts again, as long as less than half of the
            range lies between frames. Taken is a screen that begins at once to show what it is told
            and reaches its middle half an update later; a real one is later by a constant that
            nothing in the picture tells (tens of ms: its electronics, a few ms: its pixels).
        u: Standard uncertainty of `time` without that constant, seconds.
        row: Row of the picture at which the middle of the clock stands.
        frames: Frames looked at, read or not.
        refresh: Updates of the screen per second; 0 where the page did not say.
        moments: What else the updates told (exposure); None with too few frames.
    """

    index: npt.NDArray[np.int64]
    stamp: Array
    time: Array
    u: Array
    row: Array
    frames: int
    refresh: float = 0.0
    moments: Moments | None = None


class ClockWatch(Observer):
    """Observer of one clip.

    Attributes:
        sample: One picture for evidence: of the first frame that was read, else of the first frame.
        outline: ndarray (4, 2) or None. Corners of the clock in `sample`, px.
        mirrored: No frame was read so far, and the clock stands mirrored in the first ones.
    """

    def __init__(self) -> None:
        self.sample: npt.NDArray[np.uint8] | None = None
        self.outline: Array | None = None
        self.mirrored = False
        self._rows = array("d")
        self._bands = array("f")
        self._frames = 0
        self._homography: Array | None = None
        self._misses = 0

    def begin(self, stage: Stage) -> None:
        """Take the depth and the tone curve of the code values."""
        self._shift = stage.bits - 8
        try:
            table = light_of(stage).table
        except CannotMeasure:  # a tone curve without a fixed relation to light: a plain power
            table = np.empty(0, np.float32)
        self._light = table[:: 1 << self._shift]

    def frame(self, view: FrameView) -> bool | None:
        """Read the clock in one frame."""
        self._frames += 1
        luma = view.luma if not self._shift else (view.luma >> self._shift).astype(np.uint8)
        reading, homography = self._read(luma)
        if reading is None or homography is None:
            if self.sample is None:
                self.sample = luma.copy()
            return None
        if self.outline is None:
            self.sample, self.outline = luma.copy(), outline(homography)
        middle = np.array([(code.WIDTH / 2 + off, code.HEIGHT / 2) for off in (-0.5, 0.5)])
        left, right = project(homography, middle)
        unit = float(np.hypot(*(right - left)))
        row = float(left[1] + right[1]) / 2
        stamp = np.nan if view.seconds is None else view.seconds
        self._rows.extend((view.index, stamp, reading.time_ms, row, unit, reading.refresh))
        self._bands.extend(np.concatenate([reading.bands, reading.squares]))
        return None

    def _read(self, luma: npt.NDArray[np.uint8]) -> tuple[ClockReading | None, Array | None]:
        """Follow the marks, else search for them; search ever less often in vain."""
        if self._homography is not None:
            self._homography = follow_corners(luma, self._homography)
            if self._homography is not None:
                reading = read_clock(luma, self._homography, self._light)
                if reading is not None:
                    return reading, self._homography
        if self._misses > _PATIENCE and self._misses % _SELDOM:
            self._misses += 1
            return None, None
        self._homography = find_corners(luma)
        reading = None
        if self._homography is not None:
            reading = read_clock(luma, self._homography, self._light)
        if reading is None:
            self._misses += 1
            if not self._rows and self._misses <= 3:
                self.mirrored = self.mirrored or is_mirrored(luma)
            return None, None
        self._misses = 0
        return reading, self._homography

    @property
    def white_share(self) -> float:
        """Share of `sample` that is at the top of the range, 0 to 1."""
        if self.sample is None:
            return 0.0
        return float(np.mean(self.sample >= _TOP))

    def track(self) -> ClockTrack:
        """Return what was read; empty arrays where nothing was."""
        rows = np.array(self._rows, np.float64).reshape(-1, _COLUMNS)
        index, stamp, time, row, unit, rates = rows.T
        time = np.asarray(np.unwrap(time, period=code.RANGE_MS), np.float64)
        known = rates[rates > 0]
        refresh = float(np.median(known)) if known.size else 0.0
        period = 1e3 / (refresh or _REFRESH)
        moments = None
        if len(rows) >= _WITH_MODEL and refresh:
            place = time % code.SWEEP_MS / code.SWEEP_MS
            moments = self._moments(time, period, float(np.median(unit)))
            u, period = moments.u, moments.updates
            plain = time + period / 2
            # Exposures of about whole updates: the mean shown is as even as it can be, and a
            # model could only bend it.
            even = moments.steps < _EVEN * period and roughness(plain, stamp * 1e3) < _EVEN_MS
            time = plain if even else moments.time
            lean, lean_u = sideways(time, stamp * 1e3, place)
            if abs(lean) > max(4 * lean_u, _LEAN_LEAST * period):
                time = time - lean * (place - 0.5)
            refresh = 1e3 / period
        else:
            time = time + period / 2
            u = np.full(len(rows), period / np.sqrt(12))
        time = (time + _SCAN_HALF * period) / 1e3
        return ClockTrack(
            index.astype(np.int64), stamp, time, u / 1e3, row, self._frames, refresh, moments,
        )  # fmt: skip

    def _moments(self, time: Array, period: float, unit: float) -> Moments:
        bands = np.array(self._bands, np.float64).reshape(len(time), 2, -1)
        shown = ShownClock(time[:, None] + bands[:, 0], bands[:, 1], band_heights())
        way = code.SWEEPS[0][2] - 2 * code.PAD
        pixel_ms = code.SWEEP_MS / way / unit
        return find_moments(shown, period, (_BLUR_PX * pixel_ms) ** 2)


def outline(homography: Array) -> Array:
    """Return the corners (4, 2) of the clock's layout in the picture, px."""
    w, h = code.WIDTH, code.HEIGHT
    return project(homography, np.array([(0, 0), (w, 0), (w, h), (0, h)], np.float64))
