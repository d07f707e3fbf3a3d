"""Which strokes of a stamp change: they stay from view to view, but not over the clip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.observe.stamp_sums import StampSums

Floats = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Box = tuple[int, int, int, int]

_LEAST_LINE = 5  # px: smaller letters cannot be read
_MOST_LINE = 60  # px: longer ones tell no more (a judgement)
_BUSY = 0.05  # of the pixels; set on rendered scenes (seeds 1 and 2)


@dataclass(frozen=True)
class ChangeMoments:
    """Mean product of the signed gradients of two views, full strength is 1.

    Attributes:
        short: Of a view and the one before.
        long: Of any two views of the clip.
    """

    short: Floats
    long: Floats


def momentary(sums: StampSums) -> ChangeMoments:
    """Return what stays from view to view and what stays over the clip."""
    n = sums.views
    pairs = (sums.x**2 + sums.y**2 - sums.square) / (n * (n - 1))
    return ChangeMoments(
        np.asarray(sums.again / (n - 1), np.float32), np.asarray(np.maximum(pairs, 0), np.float32)
    )


def changing(box: Box, moments: ChangeMoments, strength: Floats) -> tuple[Box, bool]:
    """Widen a line of lettering by changing digits at its ends; say whether any change.

    Args:
        box: (x, y, width, height)
        strength: Length of the mean signed gradient.
    """
    x, y, w, h = box
    wide = strength.shape[1]
    line = max(_LEAST_LINE, min(h, _MOST_LINE))
    cell = max(3, round(0.3 * line))
    left, right = max(0, x - 3 * line), min(wide, x + w + 3 * line)
    columns, rows = slice(left, right), slice(y, y + h)
    busy = _share(coming_and_going(moments, rows, columns), cell)
    # What flickers above and below is the scene, seen too slowly.
    around = [
        _share(coming_and_going(moments, part, columns), cell)
        for part in (slice(max(0, y - line - 3), max(0, y - 3)), slice(y + h + 3, y + h + 3 + line))
        if part.stop > part.start and part.start < strength.shape[0]
    ]
    ground = np.max(around, axis=0) if around else np.zeros_like(busy)
    flags = busy > np.maximum(_BUSY, 2.5 * ground)
    steady = _share(strength[rows, columns] > 0.3, cell) > 0.1
    inside = np.zeros(len(flags), bool)
    inside[(x - left) // cell : -(-(x + w - left) // cell)] = True
    # At the ends digits are taken in only where they follow without a gap.
    inside = _grown(inside, flags | steady)
    changes = _clumped(flags & inside)
    places = np.flatnonzero(inside)
    new_x = min(x, left + int(places[0]) * cell)
    new_end = max(x + w, min(right, left + (int(places[-1]) + 1) * cell))
    return (new_x, y, new_end - new_x, h), changes


def coming_and_going(moments: ChangeMoments, rows: slice, columns: slice) -> Mask:
    """Return where strokes stay from view to view and not over the clip."""
    short, long = moments.short[rows, columns], moments.long[rows, columns]
    return np.asarray((short > 0.25) & (long < 0.6 * short))


def _share(flags: Mask, cell: int) -> npt.NDArray[np.float64]:
    """Return the share of flagged pixels in cells along the line."""
    starts = np.arange(0, flags.shape[1], cell)
    return np.asarray(np.add.reduceat(flags.mean(axis=0), starts) / cell)


def _grown(inside: Mask, follow: Mask) -> Mask:
    """Grow both ends while cells follow; one cell may be missing."""
    grown = inside.copy()
    places = np.flatnonzero(inside)
    for start, step in ((int(places[0]), -1), (int(places[-1]), 1)):
        k = start + step
        while 0 <= k < len(grown) and follow[k : k + 2 if step > 0 else k + 1].any():
            grown[k] = True
            k += step
    return grown


def _clumped(flags: Mask) -> bool:
    """Two changing cells side by side: a digit, not a stray stroke."""
    return bool(np.any(flags[1:] & flags[:-1]))
