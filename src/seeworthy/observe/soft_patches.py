"""Spectra of followed patches with the speed at which each moved: what blur is read from.

Corners are followed as `motion` follows them. Around each stands a square of the full picture
(halved until its longer side is below about 1,600 px); its power spectrum is kept together with
the mean motion to the frame before and the frame after. The texture of a patch stays the same
while its speed changes, so that what its spectrum loses with speed is motion blur.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft

from seeworthy.media.frames import FrameView, Stage
from seeworthy.observe.motion_tracks import FramePair, MotionWatch

Floats = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]

SIDE = 32  # px of a patch
_WORKED = 1600  # px of the longer side, above which the picture is halved
# Patches kept: 12,000 spectra of 300 numbers are 7 MB, and no clip told more from twice as many
# (fitted on our own rendered clips, seed 1).
_MOST = 12_000
_STRETCH = 128  # frames looked at together: four seconds, in which a rhythm of blur can be seen
_PER_FRAME = 48
_BLOCK = 16  # px, of a coder's step
_SHUFFLE, _PRIME = 7919, 10_007  # numbers that mix the order of corners
# Speeds before and after must be alike: a swing of 2 Hz at 30 frames a second changes by 0.4 of
# its largest speed from frame to frame; beyond, the mean of both is not the speed in between.
_CHANGE = 0.35
_CHANGE_PX = 1.0

_fy, _fx = np.meshgrid(np.fft.fftfreq(SIDE), np.fft.rfftfreq(SIDE), indexing="ij")
_far = np.hypot(_fx, _fy)
# A Hann window spreads the mean over two cells; past 0.4 cycles per px are noise and coding.
_USED = (_far > 2.5 / SIDE) & (_far < 0.4) & ((_fx > 0) | (_fy > 0))
FREQUENCIES: npt.NDArray[np.float64] = np.column_stack([_fx[_USED], _fy[_USED]])
"""(bins, 2) cycles per px across and down, of the columns of `SoftPatches.power`."""
_CORNER = (_far > 0.5) & (_fx < 0.5)
_WINDOW = np.outer(np.hanning(SIDE + 1)[:-1], np.hanning(SIDE + 1)[:-1]).astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class SoftPatches:
    """Patches of a clip, one row each.

    Attributes:
        power: (n, bins) float32. Power per bin, squared code values of 8 bit.
        corner: (n,). Mean power beyond half a cycle per px, where next to no picture is.
        speed: (n, 2), px of the stored frame per frame interval, across and down.
        bend: (n,). How much the speed changed from before to after, same unit.
        track: (n,) int. Patches that follow one corner share a number.
        frame, time: (n,). Number and time stamp, s.
        key: (n,) bool. From a picture coded by itself.
        step: (n,). The coder's step around it in 8-bit codes, NaN where the stream does not tell.
        scale: Stored px per px of the frequencies.
        interval: s.
    """

    power: Floats
    corner: Floats
    speed: npt.NDArray[np.float64]
    bend: npt.NDArray[np.float64]
    track: Ints
    frame: Ints
    time: npt.NDArray[np.float64]
    key: npt.NDArray[np.bool_]
    step: npt.NDArray[np.float64]
    scale: int
    interval: float


@dataclass(slots=True)
class _Now:
    """Points of one frame and their spectra, until the next frame tells their speed."""

    places: Floats
    speed: Floats
    tracks: Ints
    power: Floats
    corner: Floats
    step: npt.NDArray[np.float64]
    key: bool
    index: int
    time: float


@dataclass(slots=True)
class PatchWatch:
    """Observer that follows corners and keeps the spectra around them."""

    motion: MotionWatch = field(default_factory=MotionWatch)
    _scale: int = 1
    _depth: float = 1.0
    _skip: int = 1
    _now: _Now | None = None
    _next: int = 0
    _ids: dict[tuple[float, float], int] = field(default_factory=dict)
    _kept: list[tuple[Any, ...]] = field(default_factory=list)

    def begin(self, stage: Stage) -> None:
        """Choose the size at which spectra are taken, and which stretches."""
        self.motion.begin(stage)
        self._scale = max(1, round(max(stage.width, stage.height) / _WORKED))
        self._depth = 1 / (1 << (stage.bits - 8)) if stage.bits > 8 else 1.0
        expected = (stage.frames_hint or 900) * _PER_FRAME
        self._skip = max(1, round(expected / _MOST))

    def frame(self, view: FrameView) -> None:
        """Follow, and take the spectra of frames in the stretches that are looked at."""
        before = len(self.motion.pairs)
        self.motion.frame(view)
        if len(self.motion.pairs) == before:
            self._now = None
            return
        pair = self.motion.pairs[-1]
        ids = self._numbers(pair)
        self._join(pair, ids)
        self._now = None
        full = len(self._kept) * _PER_FRAME >= 2 * _MOST  # where the file's count was wrong
        if len(pair.points) and not full and (view.index // _STRETCH) % self._skip == 0:
            self._take(pair, ids, view)

    def finish(self) -> None:
        """Let go of the last frame."""
        self.motion.finish()
        self._now = None

    def patches(self) -> SoftPatches | None:
        """Return what was kept, None where nothing was."""
        if not self._kept:
            return None
        power, corner, speed, bend, track, frame, time, key, step = (
            np.concatenate(parts) for parts in zip(*self._kept, strict=True)
        )
        lengths = [p.end - p.start for p in self.motion.pairs]
        return SoftPatches(
            power, corner, speed, bend, track, frame, time, key, step, self._scale,
            float(np.median(lengths)),
        )  # fmt: skip

    def _take(self, pair: FramePair, ids: Ints, view: FrameView) -> None:
        luma = view.luma
        h, w = luma.shape
        if self._scale > 1:
            size = (w // self._scale, h // self._scale)
            luma = cv2.resize(luma, size, interpolation=cv2.INTER_AREA)
            h, w = luma.shape
        places = pair.points[:, 2:]
        at = np.round((places + 0.5) / self._scale - 0.5).astype(int) - SIDE // 2
        inside = (at >= 0).all(1) & (at[:, 0] + SIDE <= w) & (at[:, 1] + SIDE <= h)
        if not inside.any():
            return
        keep = np.flatnonzero(inside)
        # The same corners frame after frame, from all over the picture.
        keep = keep[np.argsort(ids[keep] * _SHUFFLE % _PRIME, kind="stable")[:_PER_FRAME]]
        steps = np.arange(SIDE)
        rows = at[keep, 1][:, None, None] + steps[:, None]
        columns = at[keep, 0][:, None, None] + steps
        cut = luma[rows, columns].astype(np.float32) * np.float32(self._depth)
        cut -= cut.mean((1, 2), keepdims=True)
        power = np.abs(fft.rfft2(cut * _WINDOW)) ** 2
        self._now = _Now(
            places[keep], (pair.points[keep, 2:] - pair.points[keep, :2]),
            ids[keep], power[:, _USED].astype(np.float32),
            power[:, _CORNER].mean(1).astype(np.float32), _steps(view, places[keep]), view.key,
            view.index, pair.end,
        )  # fmt: skip

    def _join(self, pair: FramePair, ids: Ints) -> None:
        """Give the patches of the frame before their speed, now that it is known."""
        now = self._now
        if now is None or pair.start != now.time:
            return
        _, mine, theirs = np.intersect1d(now.tracks, ids, return_indices=True)
        after = pair.points[theirs, 2:] - pair.points[theirs, :2]
        speed = (now.speed[mine] + after) / 2
        bend = np.hypot(*(after - now.speed[mine]).T)
        even = bend <= _CHANGE * np.hypot(*speed.T) + _CHANGE_PX
        mine, n = mine[even], int(even.sum())
        if n:
            self._kept.append(
                (
                    now.power[mine], now.corner[mine], speed[even].astype(float),
                    bend[even].astype(float), now.tracks[mine], np.full(n, now.index),
                    np.full(n, now.time), np.full(n, now.key), now.step[mine],
                )
            )  # fmt: skip

    def _numbers(self, pair: FramePair) -> Ints:
        """Return a number for every point, the same as long as it is followed."""
        old = self._ids
        numbers = []
        for x, y in pair.points[:, :2].tolist():
            number = old.get((x, y))
            if number is None:
                number = self._next
                self._next += 1
            numbers.append(number)
        places = pair.points[:, 2:].tolist()
        self._ids = {(x, y): n for (x, y), n in zip(places, numbers, strict=True)}
        return np.array(numbers, np.int64)


def _steps(view: FrameView, places: Floats) -> npt.NDArray[np.float64]:
    """Return the coder's step at places, NaN where it is not told on the scale of 8 bit."""
    steps = view.quantiser if view.stage.bits == 8 else None
    if steps is None:
        return np.full(len(places), np.nan)
    block = np.clip((places // _BLOCK).astype(int), 0, np.array(steps.shape)[::-1] - 1)
    return np.asarray(steps[block[:, 1], block[:, 0]], float)
