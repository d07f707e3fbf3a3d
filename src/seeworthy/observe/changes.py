"""How much each frame differs from the one before: one cheap figure per frame.

This is the hot path of every look at a clip, so it reads about a hundred rows of the
luma plane and nothing else, in place, and keeps one copy of those rows.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.media.frames import FrameView, Stage

Kind = Literal["drop", "repeat", "damage"]

# Rows looked at. An odd step does not fall into the coder's 8 and 16 row blocks.
_ROWS = 100
# Snapshots kept of each kind of suspected fault; the first are the ones shown.
_KEPT = 3
_SHOWN_WIDTH = 480


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Pictures around a suspected fault.

    Attributes:
        frame: Number of the later frame.
        before: (rows, columns) uint8. The frame before, as coarse as the rows that were kept of it.
        after: (h, w) uint8. The later frame, reduced.
    """

    frame: int
    before: npt.NDArray[np.uint8]
    after: npt.NDArray[np.uint8]


class ChangeWatch:
    """Observer that notes stamps, key frames and differences.

    Attributes:
        numbers: Numbers in the file of the frames seen; those that could not be decoded lack.
        stamps: list of int or None, one per frame seen
        changes: Mean absolute difference of luma to the frame before, in 8-bit code values (10-bit
            video is scaled down); NaN for the first frame and after a change of size.
        keys, corrupt: Frame numbers.
    """

    def __init__(self) -> None:
        self.numbers: array[int] = array("q")
        self.stamps: list[int | None] = []
        self.changes: array[float] = array("f")
        self.keys: list[int] = []
        self.corrupt: list[int] = []
        self.snapshots: list[Snapshot] = []
        self._kept: dict[Kind, int] = {}
        self._rows: npt.NDArray[Any] | None = None
        self._scale = 1.0
        self._depth = 1.0
        self._step = 1
        self._level = 0.0
        self._interval = 0.0

    def begin(self, stage: Stage) -> None:
        """Choose the rows."""
        self._step = _odd(max(1, stage.height // _ROWS))
        self._depth = 2.0 ** (stage.bits - 8)

    def frame(self, view: FrameView) -> None:
        """Compare the chosen rows with those of the frame before."""
        rows = view.luma[:: self._step]
        kept = self._rows
        pts = view.pts
        if kept is None or kept.shape != rows.shape:
            self._rows = rows.copy()
            self._scale = 1.0 / (rows.size * self._depth)
            change = float("nan")
        else:
            change = cv2.norm(rows, kept, cv2.NORM_L1) * self._scale
            self._suspect(view, change, pts)
            np.copyto(kept, rows)
        self.numbers.append(view.index)
        self.changes.append(change)
        self.stamps.append(pts)
        if view.key:
            self.keys.append(view.index)
        if view.corrupt:
            self.corrupt.append(view.index)

    def finish(self) -> None:
        """Let go of the rows."""
        self._rows = None

    def _suspect(self, view: FrameView, change: float, pts: int | None) -> None:
        """Keep a snapshot where something looks wrong; the verdict comes later."""
        last = self.stamps[-1]
        if view.corrupt:
            self._keep("damage", view)
        if pts is not None and last is not None:
            step = pts - last
            if self._interval and step >= 1.5 * self._interval:
                self._keep("drop", view)
            self._interval += (step - self._interval) * (0.1 if self._interval else 1.0)
        if change < 0.25 * self._level and not view.key:
            self._keep("repeat", view)
        elif change == change:
            self._level += (change - self._level) * (0.1 if self._level else 1.0)

    def _keep(self, kind: Kind, view: FrameView) -> None:
        if self._kept.get(kind, 0) >= _KEPT or self._rows is None:
            return
        self._kept[kind] = self._kept.get(kind, 0) + 1
        luma = view.luma
        height = max(1, round(luma.shape[0] * _SHOWN_WIDTH / luma.shape[1]))
        after = cv2.resize(luma, (_SHOWN_WIDTH, height), interpolation=cv2.INTER_AREA)
        before = self._rows[:, :: self._step]
        self.snapshots.append(
            Snapshot(view.index, _eight_bit(before, self._depth), _eight_bit(after, self._depth))
        )


def _odd(number: int) -> int:
    return number if number % 2 else number - 1


def _eight_bit(plane: npt.NDArray[Any], depth: float) -> npt.NDArray[np.uint8]:
    return np.asarray(plane / depth, np.uint8) if depth > 1 else plane.astype(np.uint8)
