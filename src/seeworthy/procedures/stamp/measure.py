"""Is something burned into the picture? Lettering found in sums of signed gradients.

Edges that keep place and sign over many views of a moving scene belong to the camera or
to what it is bolted to. Lettering is told from an airframe by its form: small closed
strokes, many side by side, that rise as often as they fall, in both directions; an
airframe has long edges and comes in from the border of the frame. What is soft (dirt, dark
corners), tiny (hot pixels) or faint (grain, block grid) does not reach the threshold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.observe.stamp_sums import THIN, StampSums
from seeworthy.procedures.stamp.captions import Caption, find_caption, outside
from seeworthy.procedures.stamp.changes import ChangeMoments, changing, momentary
from seeworthy.procedures.stamp.lines import Stamp, crossed_lines, lettering, marks

Floats = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Box = tuple[int, int, int, int]

LEAST_VIEWS = 9
"""Views that differ: with fewer the scene itself can pass for something burned in."""

_LEAST_DETAIL = 0.08  # of the blocks; set on rendered scenes (seeds 1 and 2)
_MOST_STILL = 0.3  # of the picture; set on rendered scenes (seeds 1 and 2)


@dataclass(frozen=True)
class StampFound:
    """What was found.

    Attributes:
        stamps: Strongest first; none when nothing is burned in.
        painted: Lettering on something that is itself in view all the time: it may be paint.
        held: Part of what carries the camera is in view.
        bars: (top, bottom, left, right). Width of black bars at the border, px.
        share: Share of the frame's area that the stamps cover.
        caption: Words that come and go: no stamp.
    """

    stamps: tuple[Stamp, ...]
    painted: tuple[Stamp, ...]
    held: bool
    bars: tuple[int, int, int, int]
    views: int
    share: float
    caption: Caption | None = None


def find_stamp(sums: StampSums) -> StampFound:
    """Look for lettering or a mark in the sums of a clip.

    Raises:
        CannotMeasure: The scene did not move, or holds too little detail to see whether it does.
    """
    _check(sums)
    n = sums.views
    x, y = sums.x / np.float32(n), sums.y / np.float32(n)
    strength = np.asarray(np.hypot(x, y), np.float32)
    threshold = _threshold(sums)
    bars = _bars(sums)
    strength[_bar_edges(x, y, bars)] = 0
    mask = strength > threshold
    small, held = _sort_parts(mask, bars)
    found = lettering(x, y, small, threshold) + marks(x, y, small, threshold)
    found += crossed_lines(x, y, held, threshold)
    found = _joined(found)
    moments = momentary(sums)
    whole = [_finished(s, moments, strength) for s in found]
    fixed = _on_fixed_ground(sums, held, bars)
    stamps: list[Stamp] = []
    painted: list[Stamp] = []
    for stamp in whole:
        on_paint = _rests_on(stamp.box, fixed, bars) and not stamp.changes
        (painted if on_paint else stamps).append(stamp)
    caption = find_caption(moments)
    kept = tuple(stamps) if caption is None else outside(tuple(stamps), caption)
    kept = tuple(sorted(kept, key=lambda s: -s.box[2] * s.box[3] * s.strength))
    area = sum(s.box[2] * s.box[3] for s in kept) / mask.size
    seen = bool(held.mean() > 5e-4)
    return StampFound(kept, tuple(painted), seen, bars, n, area, caption)


def _check(sums: StampSums) -> None:
    if sums.looked == 0:
        raise CannotMeasure("The clip holds no whole frame.", "Film it again.")
    move = "Film again while walking or turning, over ground with detail such as grass or gravel."
    if sums.detail < _LEAST_DETAIL:
        raise CannotMeasure(
            "Cannot tell whether there is a stamp: the picture holds too little detail to see "
            "the scene move behind it.", move,
        )  # fmt: skip
    if sums.views < LEAST_VIEWS or sums.still() > _MOST_STILL:
        raise CannotMeasure(
            "Cannot tell whether there is a stamp: the scene stands still, and so would a stamp.",
            move,
        )


def _threshold(sums: StampSums) -> float:
    """Return the mean gradient that a moving scene does not reach in this many views."""
    rms = math.sqrt(float(np.quantile(sums.square[::4, ::4], 0.95)) / sums.views)
    return max(0.3, 3.0 * rms / math.sqrt(sums.views))


def _bars(sums: StampSums) -> tuple[int, int, int, int]:
    """Return the widths of bars at the border that never change, px."""
    mean = sums.level / sums.views
    scatter = _scatter(sums)
    flat = (scatter < 1.5) & (mean < 26)
    # A stamp may stand in a bar, so a few pixels of a row may differ.
    rows, columns = flat.mean(axis=1) > 0.75, flat.mean(axis=0) > 0.75
    widths = [_leading(v) * THIN for v in (rows, rows[::-1], columns, columns[::-1])]
    if widths[0] + widths[1] >= sums.x.shape[0] or widths[2] + widths[3] >= sums.x.shape[1]:
        return 0, 0, 0, 0
    return widths[0], widths[1], widths[2], widths[3]


def _bar_edges(x: Floats, y: Floats, bars: tuple[int, int, int, int]) -> Mask:
    """Return the edges of the bars themselves; lettering may run across them."""
    h, w = x.shape
    edges = np.zeros(x.shape, bool)
    top, bottom, left, right = bars
    level, upright = np.abs(x) < 0.4 * np.abs(y), np.abs(y) < 0.4 * np.abs(x)
    reach = THIN + 2
    for width, at in ((top, top), (bottom, h - bottom)):
        if width:
            part = slice(max(0, at - reach), at + reach)
            edges[part] |= level[part]
    for width, at in ((left, left), (right, w - right)):
        if width:
            part = slice(max(0, at - reach), at + reach)
            edges[:, part] |= upright[:, part]
    return edges


def _leading(flags: npt.NDArray[np.bool_]) -> int:
    return int(np.argmin(flags)) if not flags.all() else len(flags)


def _scatter(sums: StampSums) -> npt.NDArray[np.float64]:
    mean = sums.level / sums.views
    return np.asarray(np.sqrt(np.maximum(sums.level2 / sums.views - mean * mean, 0)))


def _sort_parts(mask: Mask, bars: tuple[int, int, int, int]) -> tuple[Mask, Mask]:
    """Tell parts that may be strokes from those that are too large or come from the border."""
    h, w = mask.shape
    joined = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    small, large = np.zeros(count, bool), np.zeros(count, bool)
    top, bottom, left, right = bars
    for k in range(1, count):
        x0, y0, wide, tall, area = (int(v) for v in stats[k])
        outer = x0 <= 1 + left or y0 <= 1 + top
        outer |= x0 + wide >= w - 1 - right or y0 + tall >= h - 1 - bottom
        inside_bar = y0 + tall <= top or y0 >= h - bottom or x0 + wide <= left or x0 >= w - right
        long = max(wide / w, tall / h) > 0.2
        # Bold letters may touch: a chain of them is long but low, and full of strokes.
        chain = tall < 0.12 * h and area > 2.2 * wide
        enters = outer and not inside_bar and max(wide, tall) > 0.02 * h
        if enters or (long and not (chain and wide > 2 * tall)):
            large[k] = True
        elif area >= 6:
            small[k] = True
    return small[labels] & mask, large[labels] & mask


def _joined(found: list[Stamp]) -> list[Stamp]:
    """Join what overlaps or stands close by: two lines of one stamp, one line at two scales."""
    rest = sorted(found, key=lambda s: (s.kind != "lettering", -s.box[2] * s.box[3]))
    done: list[Stamp] = []
    while rest:
        one = rest.pop(0)
        near = [s for s in rest if _close(one.box, s.box)]
        if near:
            other = near[0]
            rest.remove(other)
            best = one if one.kind == "lettering" else other
            rest.insert(0, replace(
                best, box=_around(one.box, other.box), strokes=max(one.strokes, other.strokes),
            ))  # fmt: skip
        else:
            done.append(one)
    return done


def _close(a: Box, b: Box) -> bool:
    tall = min(a[3], b[3])
    level = min(a[1] + a[3], b[1] + b[3]) - max(a[1], b[1]) > 0.6 * tall
    across, down = (2.5 if level else 1.0) * tall, 1.0 * tall
    return (
        a[0] - across < b[0] + b[2] and b[0] - across < a[0] + a[2]
        and a[1] - down < b[1] + b[3] and b[1] - down < a[1] + a[3]
    )  # fmt: skip


def _around(a: Box, b: Box) -> Box:
    x, y = min(a[0], b[0]), min(a[1], b[1])
    return x, y, max(a[0] + a[2], b[0] + b[2]) - x, max(a[1] + a[3], b[1] + b[3]) - y


def _finished(stamp: Stamp, moments: ChangeMoments, strength: Floats) -> Stamp:
    """Take in digits that change, at the ends and within, and say whether there are any."""
    if stamp.kind != "lettering":
        return stamp
    box, changes = changing(stamp.box, moments, strength)
    return replace(stamp, box=box, changes=changes)


def _on_fixed_ground(sums: StampSums, held: Mask, bars: tuple[int, int, int, int]) -> Mask:
    """Return where the ground never changes and is bounded by a held shape, thinned frame."""
    scatter = _scatter(sums)
    still = scatter < max(3.0, 0.25 * float(np.median(scatter)))
    h, w = still.shape
    top, bottom, left, right = (-(-b // THIN) for b in bars)
    still[:top], still[h - bottom :], still[:, :left], still[:, w - right :] = (False,) * 4
    edges = cv2.dilate(held.astype(np.uint8), np.ones((9, 9), np.uint8))[::THIN, ::THIN] > 0
    count, labels = cv2.connectedComponents((still & ~edges).astype(np.uint8), connectivity=4)
    fixed = np.zeros(still.shape, bool)
    for k in range(1, count):
        part = labels == k
        if part.sum() < 0.003 * part.size:
            continue
        rim = cv2.dilate(part.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool) & ~part
        if float(edges[rim].mean()) > 0.4:
            fixed |= part
    return fixed


def _rests_on(box: Box, fixed: Mask, bars: tuple[int, int, int, int]) -> bool:
    x, y, w, h = (v // THIN for v in box)
    pad = max(2, h // 2)
    rows = slice(max(0, y - pad), y + h + pad + 1)
    columns = slice(max(0, x - pad), x + w + pad + 1)
    ring = np.ones(fixed[rows, columns].shape, bool)
    ring[min(y, pad) : min(y, pad) + h + 1, min(x, pad) : min(x, pad) + w + 1] = False
    return bool(ring.any()) and float(fixed[rows, columns][ring].mean()) > 0.7
