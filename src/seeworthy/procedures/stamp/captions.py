"""Captions: lettering low in the middle that stays for seconds and is then another.

A date stamp keeps nearly all of its strokes over a clip and changes a digit or two; the words
of a caption change as a whole. So where captions are, edges stay from view to view and do not
stay over the clip, over a line that is wide, low and centred.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from seeworthy.procedures.stamp.changes import ChangeMoments, Floats, coming_and_going
from seeworthy.procedures.stamp.lines import Box, Stamp

# Captions stand in the lower third, centred, of 4 to 10 % of the height a line (common
# practice of subtitling, no source).
_LOW, _OFF_CENTRE = 0.6, 0.1
_LINE = 0.06
_WIDE, _LONG = 0.12, 2.0  # of the frame's width; of its height
# Strength of what stays from view to view: of strokes that are there in a quarter of the
# captions over what a moving scene leaves (judgements; the clips of docs/field.md and the
# rendered ones of the study are told rightly by them).
_LEAST, _ABOVE = 0.06, 4.0
_STROKE = 0.1  # of full strength: there in one of ten views
_FIXED = 0.6  # share that may stay over the clip
# Letters fill their line with strokes that come and go, and the line above holds none; far
# ground that moves slowly does neither (0.27 to 0.46 of the box, and 0 above, in captions burned
# into four real clips; 0.04 to 0.07, and as much above, in a real skyline from the air).
_FILLED, _OVER_ABOVE = 0.15, 3.0


@dataclass(frozen=True, slots=True)
class Caption:
    """Where captions are burned in: left, top, width, height in px of the sums."""

    box: Box


def find_caption(moments: ChangeMoments) -> Caption | None:
    """Return where words come and go, or None."""
    height, width = moments.short.shape
    line = max(8, round(_LINE * height))
    short, long = (_smoothed(plane, line) for plane in (moments.short, moments.long))
    scene = float(np.median(short))
    there = (short > max(_LEAST, _ABOVE * scene)) & (long < _FIXED * short)
    there[: round(_LOW * height)] = False
    joined = cv2.morphologyEx(
        there.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((line | 1, 3 * line | 1), np.uint8)
    )
    count, _, stats, _ = cv2.connectedComponentsWithStats(joined)
    best: Box | None = None
    for k in range(1, count):
        x, y, w, h, _area = (int(v) for v in stats[k])
        centred = abs(x + w / 2 - width / 2) < _OFF_CENTRE * width
        if not centred or w < _WIDE * width or w < _LONG * h:
            continue
        if best is None or w * h > best[2] * best[3]:
            best = (x, y, w, h)
    if best is None:
        return None
    box = _tightened(best, moments)
    return Caption(box) if _stands_out(box, moments) else None


def _stands_out(box: Box, moments: ChangeMoments) -> bool:
    """Whether strokes come and go in the box, and not in the lines above it."""
    x, y, w, h = box
    flicker = coming_and_going(moments, slice(y, y + h), slice(x, x + w)).mean()
    above = coming_and_going(moments, slice(max(0, y - h - 3), y - 3), slice(x, x + w)).mean()
    return bool(flicker > max(_FILLED, _OVER_ABOVE * above))


def _tightened(box: Box, moments: ChangeMoments) -> Box:
    """Return the part of a box that its strokes take up; means over letters reach beyond."""
    x, y, w, h = box
    strokes = moments.short[y : y + h, x : x + w] > _STROKE
    across, down = strokes.mean(axis=0), strokes.mean(axis=1)
    rows = np.flatnonzero(down > 0.25 * down.max())
    columns = np.flatnonzero(across > 0.25 * across.max())
    if not strokes.any():
        return box
    return (
        x + int(columns[0]), y + int(rows[0]),
        int(columns[-1] - columns[0]) + 1, int(rows[-1] - rows[0]) + 1,
    )  # fmt: skip


def outside(stamps: tuple[Stamp, ...], caption: Caption) -> tuple[Stamp, ...]:
    """Return the stamps that do not lie in the lines of the captions."""
    x, y, w, h = caption.box
    return tuple(
        s for s in stamps
        if not (x <= s.box[0] + s.box[2] / 2 < x + w and y <= s.box[1] + s.box[3] / 2 < y + h)
    )  # fmt: skip


def _smoothed(plane: Floats, line: int) -> Floats:
    """Return means over a few letters."""
    return np.asarray(cv2.blur(np.maximum(plane, 0), (4 * line, line)), np.float32)
