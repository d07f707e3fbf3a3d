"""Whole pictures or two fields: what the decoder says and what the pictures show.

An interlaced picture holds two moments, half a frame apart, in alternate rows. Flags tell it, but
flags are wrong both ways: cameras wrap whole pictures as fields, and programs lose the flag of real
ones. Where something moves, the rows themselves tell. Each row of one field is held against the
rows of the other field in the same picture and in the next one: in a whole picture the same picture
is nearer, in an interlaced one one of the neighbours is just as near (the idea of every
deinterlacer's detector; ours compares only where something moves).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure

if TYPE_CHECKING:
    from seeworthy.media.frames import FrameView

Kind = Literal["progressive", "interlaced", "mixed"]

_PAIRS = 30  # pairs of pictures looked at: plenty to vote
_DENSE = 16  # of the first pictures every second one is looked at, then every sixteenth
_COLUMNS = 640  # columns compared: steps are taken so that about so many are
# A place moves where the two pictures differ by so many 8-bit codes: above the noise and
# coding of ordinary clips (a judgement), far below a passing edge.
_MOVES = 12.0
_LEAST = 0.003  # share of the rows' samples that must move for a pair to vote (a judgement)
# How much farther the fields of the next picture are than that of the same one, in shares of
# what moves from picture to picture. A whole picture: both by about half of it or more. An
# interlaced one: the next field by nothing, the one after by half. The limits stand between
# (judgements; of 23 real clips and five made from them none is told wrongly by them).
_WHOLE, _EVEN, _NEXT, _AFTER = 0.175, 0.25, 0.15, 0.10


@dataclass(frozen=True, slots=True)
class Scan:
    """How pictures are scanned.

    Attributes:
        kind: {"progressive", "interlaced", "mixed"}. Mixed: some pictures hold one moment and some
            two, as film shown at another rate.
        flagged: The stream says that its pictures are interlaced.
        shown: True when the pictures themselves decided, False when only the flag did.
        top_first: Upper field first; None where nothing moved or the pictures are whole.
    """

    kind: Kind
    flagged: bool
    shown: bool
    top_first: bool | None = None

    @property
    def whole(self) -> bool:
        """All rows of a picture are of one moment."""
        return self.kind == "progressive"

    @property
    def words(self) -> str:
        """The finding in words."""
        if self.kind == "progressive":
            return "progressive, flagged as interlaced" if self.flagged else "progressive"
        order = "" if self.top_first is None else ("top" if self.top_first else "bottom")
        told = f"{self.kind}, {order} field first" if order else self.kind
        return told if self.flagged else f"{told}, not flagged"

    def refusal(self, name: str) -> CannotMeasure:
        """Why a measure that needs whole pictures cannot use the clip `name`."""
        return CannotMeasure(
            f"'{name}' is {self.words}: a picture holds two fields, taken half a picture's time "
            "apart, so its rows are not of one moment.",
            "Set the camera to a progressive mode (written with a p, as in 1080p) and film again.",
        )


class ScanSense:
    """Look at a few pairs of pictures of a pass."""

    def __init__(self) -> None:
        self._held: tuple[int, npt.NDArray[np.float32]] | None = None
        self._votes = {"whole": 0, "top": 0, "bottom": 0}
        self._pairs = 0
        self._flagged = self._seen = 0

    def frame(self, view: FrameView) -> None:
        """Look at one picture; costs nothing for most of them."""
        self._seen += 1
        self._flagged += view.interlaced
        if self._pairs >= _PAIRS or view.corrupt:
            self._held = None
            return
        if self._held is not None and self._held[0] == view.index - 1:
            self._pairs += 1
            vote = compare(self._held[1], _rows(view))
            if vote:
                self._votes[vote] += 1
            self._held = None
        elif view.index % (2 if view.index < _DENSE else _DENSE) == 0:
            self._held = (view.index, _rows(view))

    def result(self) -> Scan:
        """Return the verdict on what was seen."""
        flagged = 2 * self._flagged > self._seen
        whole, top, bottom = self._votes.values()
        combed = top + bottom
        order = None if top == bottom else top > bottom
        if whole + combed < 2:
            return Scan("interlaced" if flagged else "progressive", flagged, False)
        if combed > 3 * whole:
            return Scan("interlaced", flagged, True, order)
        if whole > 3 * combed:
            return Scan("progressive", flagged, True)
        # A vote or two may err; a mixture that is not flagged needs more than that.
        if not flagged and combed < 3:
            return Scan("progressive", False, True)
        return Scan("mixed", flagged, True, order)


def _rows(view: FrameView) -> npt.NDArray[np.float32]:
    """Copy of the luma in 8-bit codes, every row, a part of the columns."""
    luma: npt.NDArray[Any] = view.luma
    step = max(1, luma.shape[1] // _COLUMNS)
    even = luma.shape[0] // 2 * 2
    taken = luma[:even, ::step].astype(np.float32)
    return taken / np.float32(1 << (view.stage.bits - 8)) if view.stage.bits > 8 else taken


def compare(now: npt.NDArray[np.float32], after: npt.NDArray[np.float32]) -> str:
    """Return ``"whole"``, ``"top"`` or ``"bottom"`` (field first), ``""`` where nothing tells.

    Args:
        now, after: Two successive pictures, H even, at least 8, in 8-bit code values.
    """
    if now.shape[0] < 8:
        return ""
    import cv2

    upper, lower = now[0::2], now[1::2]
    upper_after, lower_after = after[0::2], after[1::2]
    # Rows of the lower field against the upper field's rows above and below, and so on.
    moved = cv2.absdiff(upper, upper_after) + cv2.absdiff(lower, lower_after)
    moves = (moved[1:-1] + moved[:-2] + moved[2:]) > 6.0 * _MOVES
    if moves.mean() < _LEAST:
        return ""
    mask = moves.astype(np.uint8)

    def apart(rows: npt.NDArray[np.float32], other: npt.NDArray[np.float32]) -> float:
        """Mean distance of rows that move to those above and below, (n, W) to (n + 1, W)."""
        between = cv2.addWeighted(other[:-1], 0.5, other[1:], 0.5, 0.0)
        return float(cv2.mean(cv2.absdiff(rows, between), mask)[0])

    def lower_to(odd: npt.NDArray[np.float32], even: npt.NDArray[np.float32]) -> float:
        return apart(odd[1:-1], even[1:])

    def upper_to(even: npt.NDArray[np.float32], odd: npt.NDArray[np.float32]) -> float:
        return apart(even[1:-1], odd[:-1])

    same = 0.5 * (lower_to(lower, upper) + upper_to(upper, lower))
    top = lower_to(lower, upper_after)  # the lower field is followed by the next upper one
    bottom = upper_to(upper, lower_after)
    motion = 0.5 * float(cv2.mean(moved[1:-1], mask)[0])
    near = min(top, bottom)
    if near - same > _WHOLE * motion and abs(top - bottom) < _EVEN * motion:
        return "whole"
    if near - same < _NEXT * motion and abs(top - bottom) > _AFTER * motion:
        return "top" if top < bottom else "bottom"
    return ""
