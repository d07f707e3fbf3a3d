"""What the read-out measures keep of a clip: bands of rows and row brightness, in linear light.

An upright is almost the same over a few neighbouring rows, so the mean of a band of
rows keeps its place and loses most noise. Memory is flat: long clips are thinned to
runs of consecutive moving frames spread over the whole clip.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.media.frames import FrameView, Observer, Stage
from seeworthy.media.light import Light, light_of

Floats = npt.NDArray[np.float32]

BANDS = 24  # over the height: enough for a lean and its bend
# Something moves where this share of the sampled pixels changes by more than noise does.
_MOVING_SHARE = 0.003
_LEAST_CHANGE = 8.0  # code values of 8 bit
# Frames of a stretch at rest that are kept: a quarter of a second at the usual rates. A picture
# that hangs repeats exactly and does not count: its uprights lean by the motion it hung in.
_RESTING = 8


@dataclass(frozen=True, slots=True)
class Run:
    """Consecutive distinct moving frames.

    Attributes:
        times: (K,) float64. Time stamps, s.
        bands: (K, B, W) float16. Mean linear light of each band of rows.
    """

    times: npt.NDArray[np.float64]
    bands: npt.NDArray[np.float16]


@dataclass(slots=True)
class ReadoutWatch(Observer):
    """Observer that collects what both read-out measures need.

    Args:
        run: Frames per run.
        keep: Most moving frames kept.
        lamp_frames: Most frames whose row brightness is kept.
        step: Every `step`-th row is looked at; 0 chooses by the height of the frame.

    Attributes:
        first: Luma codes of the first frame, kept for a lamp's evidence.
        pictures: list of (time, codes). A few whole luma planes for the evidence.
        interval: Median distance of time stamps, s.
        moving, seen: Frames that differ from the one before; frames in all.
    """

    run: int = 36
    keep: int = 216
    lamp_frames: int = 128
    step: int = 0
    first: npt.NDArray[Any] | None = None
    pictures: list[tuple[float, npt.NDArray[Any]]] = field(default_factory=list)
    moving: int = 0
    seen: int = 0
    height: int = 0
    width: int = 0
    rotation: int = 0
    _stage: Any = None
    _light: Light | None = None
    _last: npt.NDArray[Any] | None = None
    _frames: list[tuple[int, float, npt.NDArray[np.float16]]] = field(default_factory=list)
    _rows: list[tuple[int, float, Floats]] = field(default_factory=list)
    _stamps: list[float] = field(default_factory=list)
    _rest: list[tuple[float, npt.NDArray[np.float16]]] = field(default_factory=list)
    _rests: list[Run] = field(default_factory=list)
    _same: bool = False
    _stride: int = 1
    _row_stride: int = 1
    _picture_stride: int = 1

    def begin(self, stage: Stage) -> None:
        """Take the clip's geometry."""
        self._stage = stage
        self._light = None
        self.height, self.width = stage.height, stage.width
        self.rotation = stage.rotation
        if self.step == 0:
            self.step = max(1, min(3, stage.height // 360))

    def frame(self, view: FrameView) -> bool | None:
        """Keep bands of a moving frame and the row brightness of any."""
        luma = view.luma
        if luma.shape != (self.height, self.width) or view.corrupt:
            return None
        seconds = view.seconds
        if seconds is None:
            rate = self._stage.nominal_rate
            seconds = view.index / float(rate) if rate else view.index / 30.0
        number = self.seen
        self.seen += 1
        if self.first is None and self.lamp_frames > 0:
            self.first = luma.copy()
        if len(self._stamps) < 2000:
            self._stamps.append(seconds)
        moves = self._moves(luma, view.stage.bits)
        run_index = self.moving // self.run
        wanted = moves and run_index % self._stride == 0
        want_rows = self.lamp_frames > 0 and number % self._row_stride == 0
        want_rest = not moves and not self._same and len(self._rest) < _RESTING
        if moves:
            self.moving += 1
            self._rest = []
        if not (wanted or want_rows or want_rest):
            return None
        light = self._linear(luma, view.stage)
        if want_rest:
            self._keep_rest(seconds, light)
        if wanted:
            self._keep_bands(run_index, seconds, light, luma)
        if want_rows:
            self._keep_rows(number, seconds, light)
        return None

    def _moves(self, luma: npt.NDArray[Any], bits: int) -> bool:
        rows = luma[self.height // 16 :: max(1, self.height // 8), ::2].copy()
        last, self._last = self._last, rows
        if last is None:
            return False
        change = cv2.absdiff(rows, last)
        self._same = not change.any()
        typical = float(np.median(change))
        least = _LEAST_CHANGE * 2 ** (bits - 8)
        limit = max(least, 6.0 * typical)
        if typical > least:
            return True
        return int(np.count_nonzero(change > limit)) > _MOVING_SHARE * change.size

    def _linear(self, luma: npt.NDArray[Any], stage: Stage) -> Floats:
        if self._light is None:
            self._light = light_of(stage)
        part = luma[:: self.step]
        if part.dtype == np.uint8:
            return np.asarray(cv2.LUT(part, self._light.table), np.float32)
        return self._light.linear(part)

    def _bands(self, light: Floats) -> npt.NDArray[np.float16]:
        if len(light) % BANDS == 0:  # the same means in a third of the time
            means = light.reshape(BANDS, -1, self.width).mean(axis=1)
            return np.asarray(means, np.float16)
        bands = cv2.resize(light, (self.width, BANDS), interpolation=cv2.INTER_AREA)
        return bands.astype(np.float16)

    def _keep_rest(self, seconds: float, light: Floats) -> None:
        self._rest.append((seconds, self._bands(light)))
        if len(self._rest) == _RESTING:
            times = np.array([t for t, _ in self._rest])
            # The first stretch of the clip and the newest one.
            self._rests[1:] = [Run(times, np.stack([b for _, b in self._rest]))]

    def _keep_bands(self, run: int, seconds: float, light: Floats, luma: npt.NDArray[Any]) -> None:
        self._frames.append((run, seconds, self._bands(light)))
        if len(self._frames) > self.keep:
            self._stride *= 2
            self._frames = [f for f in self._frames if f[0] % self._stride == 0]
        if len(self._frames) % (4 * self._picture_stride) == 1:
            self.pictures.append((seconds, luma.copy()))
            if len(self.pictures) > 12:
                self.pictures = self.pictures[::2]
                self._picture_stride *= 2

    def _keep_rows(self, number: int, seconds: float, light: Floats) -> None:
        rows = cv2.resize(light, (8, light.shape[0]), interpolation=cv2.INTER_AREA)
        self._rows.append((number, seconds, np.asarray(rows, np.float32)))
        if len(self._rows) > self.lamp_frames:
            self._row_stride *= 2
            self._rows = [r for r in self._rows if r[0] % self._row_stride == 0]

    @property
    def interval(self) -> float:
        """Median distance of time stamps, s."""
        gaps = np.diff(np.sort(np.asarray(self._stamps)))
        gaps = gaps[gaps > 0]
        return float(np.median(gaps)) if len(gaps) else 1 / 30

    @property
    def band_rows(self) -> npt.NDArray[np.float64]:
        """Mean row number of each band, (B,)."""
        rows = len(range(0, self.height, self.step))
        centre = (np.arange(BANDS) + 0.5) * rows / BANDS - 0.5
        return np.asarray(centre * self.step, float)

    def runs(self) -> list[Run]:
        """Return the kept runs of at least four frames."""
        found = []
        for number in sorted({f[0] for f in self._frames}):
            part = [f for f in self._frames if f[0] == number]
            if len(part) >= 4:
                times = np.array([p[1] for p in part])
                found.append(Run(times, np.stack([p[2] for p in part])))
        return found

    def rests(self) -> list[Run]:
        """Return the first and the last stretch in which nothing moved, where there are any."""
        return list(self._rests)

    def rows(self) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], Floats]:
        """Return times (K,), row numbers (R,) and row brightness (K, R, 8) in linear light."""
        times = np.array([r[1] for r in self._rows])
        rows = np.arange(0, self.height, self.step, dtype=float)
        if not self._rows:
            return times, rows, np.zeros((0, len(rows), 8), np.float32)
        return times, rows, np.stack([r[2] for r in self._rows])
