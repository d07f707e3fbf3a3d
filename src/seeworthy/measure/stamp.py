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

from seeworthy.errors import CannotMeasure
from seeworthy.measure.stamp_changes import Moments, changing, momentary
from seeworthy.measure.stamp_sums import THIN, StampSums

Floats = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Box = tuple[int, int, int, int]

LEAST_VIEWS = 9
"""Views that differ: with fewer the scene itself can pass for something burned in."""

_LEAST_DETAIL = 0.08
_MOST_STILL = 0.3
_LEAST_HEIGHT = 5
_SCALES = (7, 10, 14, 20, 28, 40, 56, 80)
_RUNS = 6
_DENSE = 7.0


@dataclass(frozen=True, slots=True)
class Stamp:
    """One burned-in overlay.

    Attributes
    ----------
    box : (x, y, width, height)
        In px of the stored frame.
    kind : str
        ``lettering`` or ``mark``.
    changes : bool
        Part of it shows another text from second to second.
    strength : float
        Mean of the signed gradient over its strokes, 0 to 1.
    strokes : int
        Strokes crossed by a line along it.
    """

    box: Box
    kind: str
    changes: bool
    strength: float
    strokes: int


@dataclass(frozen=True)
class StampFound:
    """What was found.

    Attributes
    ----------
    stamps : tuple of Stamp
        Strongest first; none when nothing is burned in.
    painted : tuple of Stamp
        Lettering on something that is itself in view all the time: it may be paint.
    held : bool
        Part of what carries the camera is in view.
    bars : (top, bottom, left, right)
        Width of black bars at the border, px.
    views : int
    share : float
        Share of the frame's area that the stamps cover.
    """

    stamps: tuple[Stamp, ...]
    painted: tuple[Stamp, ...]
    held: bool
    bars: tuple[int, int, int, int]
    views: int
    share: float


def find_stamp(sums: StampSums) -> StampFound:
    """Look for lettering or a mark in the sums of a clip.

    Raises
    ------
    CannotMeasure
        The scene did not move, or holds too little detail to see whether it does.
    """
    _check(sums)
    n = sums.views
    x, y = sums.x / np.float32(n), sums.y / np.float32(n)
    strength = np.asarray(np.hypot(x, y), np.float32)
    threshold = _threshold(sums)
    bars = _bars(sums)
    mask = (strength > threshold) & ~_bar_edges(x, y, bars)
    small, held = _sort_parts(mask, bars)
    crossed = _crossed(x, held, threshold)
    small, held = small | crossed, held & ~crossed
    found = _lettering(x, y, small, threshold) + _marks(x, y, small, threshold)
    found = _joined(found)
    moments = momentary(sums)
    whole = [_finished(s, moments, strength) for s in found]
    fixed = _on_fixed_ground(sums, held, bars)
    stamps: list[Stamp] = []
    painted: list[Stamp] = []
    for stamp in whole:
        on_paint = _rests_on(stamp.box, fixed, bars) and not stamp.changes
        (painted if on_paint else stamps).append(stamp)
    stamps.sort(key=lambda s: -s.box[2] * s.box[3] * s.strength)
    area = sum(s.box[2] * s.box[3] for s in stamps) / mask.size
    return StampFound(tuple(stamps), tuple(painted), bool(held.mean() > 5e-4), bars, n, area)


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


def _crossed(x: Floats, held: Mask, threshold: float) -> Mask:
    """Return strokes of lettering that a held shape runs through or that touch one another."""
    found = np.zeros(held.shape, bool)
    changes = _sign_changes(np.where(held, x, 0), threshold / 2)
    for scale in (10, 16, 26, 42):
        window = (4 * scale, scale)
        # Changes per row of the window; a strut gives two, a letter two and more.
        count = cv2.boxFilter(changes, -1, window, normalize=False) / scale
        core = (count > _DENSE).astype(np.uint8)
        found |= cv2.dilate(core, np.ones((scale | 1, (3 * scale) | 1), np.uint8)) > 0
    return found & held


def _sign_changes(x: Floats, threshold: float) -> Floats:
    """Mark where along a row the sign of what is significant changes."""
    sign = np.where(np.abs(x) > threshold, np.sign(x), 0).astype(np.int8)
    places = np.where(sign != 0, np.arange(x.shape[1]), 0)
    last = np.maximum.accumulate(places, axis=1)
    before = np.take_along_axis(sign, np.pad(last, ((0, 0), (1, 0)))[:, :-1], axis=1)
    return np.asarray((sign != 0) & (before == -sign), np.float32)


def _lettering(x: Floats, y: Floats, small: Mask, threshold: float) -> list[Stamp]:
    """Return lines of letters: parts of about one height, side by side, full of strokes."""
    found = []
    _count, labels, stats, _ = cv2.connectedComponentsWithStats(
        small.astype(np.uint8), connectivity=8
    )
    tall = stats[:, cv2.CC_STAT_HEIGHT]
    for scale in _SCALES:
        fits = (tall > 0.3 * scale) & (tall < 1.5 * scale)
        fits[0] = False
        here = fits[labels]
        if not here.any():
            continue
        reach = np.ones((max(3, scale // 3) | 1, (scale + scale // 2) | 1), np.uint8)
        joined = cv2.dilate(here.astype(np.uint8), reach)
        groups, group_labels, group_stats, _ = cv2.connectedComponentsWithStats(joined)
        for k in range(1, groups):
            x0, y0, w, h, _area = (int(v) for v in group_stats[k])
            part = (slice(y0, y0 + h), slice(x0, x0 + w))
            inside = here[part] & (group_labels[part] == k)
            stamp = _as_line(x[part], y[part], inside, threshold, (x0, y0))
            if stamp is not None:
                found.append(stamp)
    return found


def _as_line(
    x: Floats, y: Floats, inside: Mask, threshold: float, origin: tuple[int, int]
) -> Stamp | None:
    """Judge whether a group of strokes is lettering."""
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    box = (
        int(columns[0]), int(rows[0]),
        int(columns[-1] - columns[0] + 1), int(rows[-1] - rows[0] + 1),
    )  # fmt: skip
    w, h = box[2], box[3]
    if h < _LEAST_HEIGHT or w < 1.6 * h or w < 16:
        return None
    part = (slice(box[1], box[1] + h), slice(box[0], box[0] + w))
    sx, sy = x[part] * inside[part], y[part] * inside[part]
    across = np.array([_runs(row, threshold / 2) for row in sx])
    strokes = int(np.quantile(across, 0.7))
    # A letter is about 0.65 of its height wide and has one stroke at least (two runs).
    if strokes < max(_RUNS, 1.2 * w / h) or not _balanced(sx, sy):
        return None
    if float(np.mean(across >= 0.5 * strokes)) < 0.5:
        return None
    strength = float(np.hypot(sx, sy)[inside[part]].mean())
    at = (box[0] + origin[0], box[1] + origin[1], w, h)
    return Stamp(at, "lettering", False, strength, strokes // 2)


def _balanced(sx: Floats, sy: Floats) -> bool:
    """Tell closed strokes: what rises falls again, and both directions occur."""
    ax, ay = float(np.abs(sx).sum()), float(np.abs(sy).sum())
    if ax <= 0 or ay <= 0 or not 0.25 < ay / ax < 2.5:
        return False
    return abs(float(sx.sum())) < 0.3 * ax and abs(float(sy.sum())) < 0.3 * ay


def _runs(line: Floats, threshold: float) -> int:
    """Count changes between rising and falling along a line."""
    signs = np.sign(line[np.abs(line) > threshold])
    return int(np.count_nonzero(np.diff(signs))) + (1 if signs.size else 0)


def _marks(x: Floats, y: Floats, small: Mask, threshold: float) -> list[Stamp]:
    """Return compact figures with closed outlines, such as a maker's mark."""
    found = []
    h, w = small.shape
    reach = max(5, round(h / 90)) | 1
    joined = cv2.dilate(small.astype(np.uint8), np.ones((reach, reach), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(joined)
    for k in range(1, count):
        x0, y0, wide, tall, _area = (int(v) for v in stats[k])
        if min(wide, tall) < 14 + reach or max(wide / w, tall / h) > 0.35:
            continue
        part = (slice(y0, y0 + tall), slice(x0, x0 + wide))
        inside = small[part] & (labels[part] == k)
        sx, sy = x[part] * inside, y[part] * inside
        both = float(np.abs(sy).sum()) / max(float(np.abs(sx).sum()), 1e-6)
        closed = _closed_share(inside)
        even = abs(float(sx.sum())) < 0.2 * float(np.abs(sx).sum())
        even &= abs(float(sy.sum())) < 0.2 * float(np.abs(sy).sum())
        if closed < 0.15 or not even or not 0.4 < both < 2.5:
            continue
        rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
        box = (
            x0 + int(columns[0]), y0 + int(rows[0]),
            int(columns[-1] - columns[0] + 1), int(rows[-1] - rows[0] + 1),
        )  # fmt: skip
        strength = float(np.hypot(sx, sy)[inside].mean())
        runs = int(np.quantile([_runs(row, threshold / 2) for row in sx], 0.7))
        found.append(Stamp(box, "mark", False, strength, runs // 2))
    return found


def _closed_share(inside: Mask) -> float:
    """Return how much of the box lies within closed outlines."""
    outline = np.pad(cv2.dilate(inside.astype(np.uint8), np.ones((3, 3), np.uint8)), 1)
    flooded = outline.copy()
    cv2.floodFill(
        flooded, np.zeros((flooded.shape[0] + 2, flooded.shape[1] + 2), np.uint8), (0, 0), 1
    )
    return float(np.mean(flooded == 0))


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


def _finished(stamp: Stamp, moments: Moments, strength: Floats) -> Stamp:
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
