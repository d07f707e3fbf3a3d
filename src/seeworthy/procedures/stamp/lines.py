"""Lettering and marks among strokes that stand still, told by their form.

Letters are small closed strokes, many side by side: along the line the signed gradient
rises and falls several times per letter, and over the whole what rises falls again, in both
directions. A mark is a compact figure with a closed outline.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Box = tuple[int, int, int, int]

_LEAST_HEIGHT = 5  # px: smaller letters cannot be read
_SCALES = (7, 10, 14, 20, 28, 40, 56, 80)  # px, half an octave apart: heights of letters (derived)
_RUNS = 6  # strokes: two digits (derived)
_DENSE = 7.0  # strokes in a window; set on rendered scenes (seeds 1 and 2)


@dataclass(frozen=True, slots=True)
class Stamp:
    """One burned-in overlay.

    Attributes:
        box: (x, y, width, height). In px of the stored frame.
        kind: ``lettering`` or ``mark``.
        changes: Part of it shows another text from second to second.
        strength: Mean of the signed gradient over its strokes, 0 to 1.
        strokes: Strokes crossed by a line along it.
    """

    box: Box
    kind: str
    changes: bool
    strength: float
    strokes: int


def crossed_lines(x: Floats, y: Floats, held: Mask, threshold: float) -> list[Stamp]:
    """Return lines of letters that a held shape runs through or that touch one another."""
    found: list[Stamp] = []
    if not held.any():
        return found
    changes = _sign_changes(np.where(held, x, 0), threshold / 2)
    for scale in (8, 11, 16, 22, 32, 45):
        # Changes per row of a window; a strut gives two, each letter two and more.
        count = cv2.boxFilter(changes, -1, (4 * scale, scale), normalize=False) / scale
        dense = (count > _DENSE).astype(np.uint8)
        if not dense.any():
            continue
        core = cv2.dilate(dense, np.ones((1, 3 * scale), np.uint8))
        groups, _, stats, _ = cv2.connectedComponentsWithStats(core)
        for k in range(1, groups):
            x0, y0, w, h, _area = (int(v) for v in stats[k])
            top = max(0, y0 - scale)
            part = (slice(top, y0 + h + scale), slice(x0, x0 + w))
            full = changes[part].sum(axis=1)
            rows = np.flatnonzero(full > 0.4 * np.quantile(full, 0.9))
            inside = np.zeros((*full.shape, w), bool)
            inside[rows[0] : rows[-1] + 1] = held[part][rows[0] : rows[-1] + 1]
            if rows[-1] - rows[0] < 2 * scale and inside.any():
                stamp = _as_line(x[part], y[part], inside, threshold, (x0, top))
                found += [] if stamp is None else [stamp]
    return found


def _sign_changes(x: Floats, threshold: float) -> Floats:
    """Mark where along a row the sign of what is significant changes."""
    sign = np.where(np.abs(x) > threshold, np.sign(x), 0).astype(np.int8)
    places = np.where(sign != 0, np.arange(x.shape[1]), 0)
    last = np.maximum.accumulate(places, axis=1)
    before = np.take_along_axis(sign, np.pad(last, ((0, 0), (1, 0)))[:, :-1], axis=1)
    return np.asarray((sign != 0) & (before == -sign), np.float32)


def lettering(x: Floats, y: Floats, small: Mask, threshold: float) -> list[Stamp]:
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


def marks(x: Floats, y: Floats, small: Mask, threshold: float) -> list[Stamp]:
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
