"""Rows put where they would be had the whole frame been read at once.

Between the first row and the last a camera turns on; uprights lean and the picture wobbles.
The clip's own motion tells the rotation (the same following of corners as `motion`), or the
log of a gyroscope does (laid on the clip as in `gyro`), vibration faster than the frames with it.
The read-out time tells when each row was read, the lens tells what a rotation moves by how much.
What comes nearer or passes close by moves by more than a rotation says, and is not mended.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.judge.correct.data import LensData, RollingData
from seeworthy.judge.correct.undistort import check_size, scaled
from seeworthy.media.frames import watch
from seeworthy.media.logs import read_log
from seeworthy.media.source import Source
from seeworthy.observe.motion_flow import turns
from seeworthy.observe.motion_tracks import MotionWatch
from seeworthy.optics.lens import LensCamera
from seeworthy.optics.turning import Shape
from seeworthy.procedures.gyro.run import fit_clip, gyro_of

Array = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

_CELL = 16
"""Px between the places where the way of a row is computed; between them it is all but straight:
it bends by the curve of the lens over 16 px, under 0.01 px for a view of 120° (derived)."""
_LEAST_FOLLOWED = 0.5
"""Share of frames whose motion must be known; as `motion` has it (a judgement)."""
_ROUNDS = 3
"""A row's way changes its row, and so its moment; each round shrinks that error by the share of
the read-out that the way takes, a tenth at most in practice: three leave a thousandth."""


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """How the camera turned over a clip, ready to move rows.

    Attributes:
        time: (n,). s, rising.
        angle: (n, 3). Integral of the rotation rate, rad, in axes of `optics.turning`.
        row_time: s from row to row.
        lens: What turns px into rays.
    """

    time: Array
    angle: Array
    row_time: float
    lens: LensCamera | Shape

    def turned(self, moment: float, rows: Array) -> Array:
        """Return the rotation from the moment of the frame to that of each row, (N, 3), rad."""
        middle = (self.lens.height - 1) / 2
        then = moment + self.row_time * (rows - middle)
        return np.column_stack(
            [
                np.interp(then, self.time, self.angle[:, i])
                - np.interp(moment, self.time, self.angle[:, i])
                for i in range(3)
            ]
        )

    def moves(self, moment: float, px: Array) -> Array:
        """Return how far off its px each point of an unrolled frame lies in the frame, (N, 2)."""
        rays = self.lens.rays(px)
        bad = ~np.isfinite(rays).all(1)
        rays[bad] = (0.0, 0.0, 1.0)
        there = px
        for _ in range(_ROUNDS):
            back = -self.turned(moment, there[:, 1])
            # Rodrigues' formula to the second order; a read-out turns by a few degrees at most.
            once = np.cross(back, rays)
            seen = rays + once + np.cross(back, once) / 2
            there = _project(self.lens, seen)
        off: Array = there - px
        off[bad] = 0.0
        return off

    def lean(self) -> float:
        """Return the largest lean of uprights in the middle of the clip's frames, degrees."""
        rate = np.abs(np.diff(self.angle[:, 1])) / np.diff(self.time)
        far = self.lens.focal if isinstance(self.lens, Shape) else self.lens.fx
        return math.degrees(math.atan(far * float(np.quantile(rate, 0.95)) * abs(self.row_time)))


def _project(lens: LensCamera | Shape, rays: Array) -> Array:
    if isinstance(lens, Shape):
        return lens.project(rays)
    return lens.distort(rays[:, :2] / np.maximum(rays[:, 2:], 1e-6))


def watch_rows(
    source: Source,
    data: RollingData,
    measured: LensData | None,
    progress: Callable[[float], None] | None = None,
) -> Rows:
    """Follow a clip's motion and return how its rows moved.

    Args:
        source: The clip; decoded once.
        measured: Its lens, where there is a result.

    Raises:
        CannotMeasure: Too little to follow.
        WrongCall: Neither a lens nor an angle of view.
    """
    seen = MotionWatch()
    watch(source, [seen], progress=progress)
    size = seen.width, seen.height
    logged = None if data.gyro is None else _logged(source.name, seen, data.gyro)
    lens: LensCamera | Shape
    if measured is not None:
        check_size("lens", measured.size, size, measured.origin)
        lens = scaled(measured.camera, size)
    elif data.view is not None:
        # Between equal angles and straight lines, as `motion` takes a lens that nobody measured.
        lens = Shape.of_view(data.view, 0.5, *size)
    elif logged is not None:
        lens = logged.lens
    else:
        raise WrongCall(
            "How far rows move depends on the angle of view, which nobody told.",
            'Add --view "63 deg ± 2 deg", or a lens result with --lens.',
        )
    if logged is not None:
        row_time = logged.row_time if data.readout is None else data.readout / size[1]
        if not math.isfinite(row_time):
            raise CannotMeasure(
                "Clip and log do not tell when the rows are read.",
                'Add --readout "21.4 ms", or a file of `measure readout --json`.',
            )
        return replace(logged, row_time=row_time, lens=lens)
    assert data.readout is not None
    row_time = data.readout / size[1]
    found = [turn for _, turn in turns(seen.pairs, lens, *size, row_time)] if seen.pairs else []
    time = np.concatenate([t.time for t in found]) if found else np.empty(0)
    rate = np.concatenate([t.rate for t in found]) if found else np.empty((0, 3))
    known = np.isfinite(rate).all(1) & np.isfinite(time)
    if known.sum() < max(3, _LEAST_FOLLOWED * len(seen.pairs)):
        raise CannotMeasure(
            f"Only {int(known.sum())} of {len(seen.pairs)} frames show something that stands "
            "still and can be followed; rows cannot be moved.",
            "Leave --rolling out for this clip.",
        )
    return Rows(*_integral(time[known], rate[known], seen), row_time, lens)


def _logged(name: str, seen: MotionWatch, log: Path) -> Rows:
    """Return rotation, lens and read-out by a gyroscope's log, in the clip's own time.

    A read-out that picture and log cannot tell is not a number.
    """
    gyro, _ = gyro_of(read_log(Source.of(log)))
    found = fit_clip(name, seen, gyro)
    fit = found.fit
    row_time = math.nan if found.rows is None else found.rows[0] / seen.height
    angle = gyro.angle() @ fit.axes.T
    return Rows(gyro.time - float(fit.values[5]), angle, row_time, fit.shape)


def _integral(time: Array, rate: Array, seen: MotionWatch) -> tuple[Array, Array]:
    """Return times and integral of rates that are means between frames, straight in between."""
    ends = np.array([seen.pairs[0].start, seen.pairs[-1].end])
    pad = 0.5 * (ends[1] - ends[0]) / len(seen.pairs)
    fine = np.arange(ends[0] - pad, ends[1] + pad, pad / 4)
    level = np.column_stack([np.interp(fine, time, rate[:, i]) for i in range(3)])
    step = (level[1:] + level[:-1]) / 2 * np.diff(fine)[:, None]
    return fine, np.vstack([np.zeros(3), np.cumsum(step, axis=0)])


class RowMaps:
    """Maps for `cv2.remap` from the frame as filmed, one pair a frame; safe in threads.

    Args:
        base: Maps of the undistortion, if there is one: (x, y) in the frame for each px.
    """

    def __init__(
        self, rows: Rows, size: tuple[int, int], base: tuple[Floats, Floats] | None
    ) -> None:
        width, height = size
        self._rows = rows
        full: Any = np.meshgrid(np.arange(width), np.arange(height))
        x, y = (
            base if base is not None else (full[0].astype(np.float32), full[1].astype(np.float32))
        )
        self._base = x, y
        across = np.linspace(0, width - 1, max(2, width // _CELL + 1))
        down = np.linspace(0, height - 1, max(2, height // _CELL + 1))
        at = np.round(np.meshgrid(across, down)).astype(int)
        self._shape = at[0].shape
        px = np.column_stack([x[at[1], at[0]].ravel(), y[at[1], at[0]].ravel()])
        # Places that the lens does not reach stay where the undistortion put them, outside.
        self._inside = (np.abs(px) < 4 * max(size)).all(1)
        self._px = np.where(self._inside[:, None], px, 0.0)
        self._u = (full[0] * ((self._shape[1] - 1) / (width - 1))).astype(np.float32)
        self._v = (full[1] * ((self._shape[0] - 1) / (height - 1))).astype(np.float32)

    def at(self, moment: float) -> tuple[Floats, Floats]:
        """Return (x, y) in the frame filmed at a moment (s) for each px of the new one."""
        off = self._rows.moves(moment, self._px)
        off[~self._inside] = 0.0
        coarse = np.ascontiguousarray(off.reshape(*self._shape, 2), np.float32)
        moved: Any = cv2.remap(coarse, self._u, self._v, cv2.INTER_LINEAR)
        return self._base[0] + moved[..., 0], self._base[1] + moved[..., 1]
