"""Repeated frames: the same picture again, told by the scene's own noise floor.

A repeat shows as a notch in the series of frame differences: the picture before and the pictures
after differ by motion and sensor noise, the repeat only by what the encoder adds. Where scene and
encoder leave nothing to compare with (a denoised shot of a still scene at a low bit rate repeats
most of its blocks by itself) the span is named as undecidable.

Starting values are from rendered trials through H.264 at 7 Mbit/s: the median
difference of frames of a still scene with sensor noise of 1 to 4 code values is 0.4
to 1.7, of a repeat 0.05 to 0.17 without and up to 0.8 with bidirectional prediction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.procedures.timing.cadence import runs
from seeworthy.procedures.timing.spans import Span, merge_spans

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

# A repeat differs by less than this part of its neighbours' difference...
PART = 0.25
# ...and by less than this many code values, or this part where much moves.
CEILING = 0.25
# (0.05 to 0.2 code values in trials; a pan that turns round shows the sensor's noise, 0.7.)
CEILING_PART = 0.05
CEILING_PART_REORDERED = 0.125
# A lone notch that is shallower than a repeat's but deeper than chance is named, not counted.
SHALLOW = 0.4
# Below this level of change nothing can be told; with bidirectional prediction the
# encoder renders a repeat anew at another quality and the level must be higher.
LEAST_LEVEL = 0.5
LEAST_LEVEL_REORDERED = 2.0
# Beside a key frame and at the ends of a clip, encoders starve frames of bits; after the
# first picture, which is the costliest, for longer.
LEAST_LEVEL_EDGE = 2.0
AFTER_KEY = 2
START = 8
LEAST_LEVEL_START = 4.0
# A key frame renders the picture anew: 0.7 to 3.6 code values in trials.
LEAST_LEVEL_KEY = 16.0
# A picture that stands longer than this may be a still scene between two motions.
LONGEST_RUN = 10
SIDE = 15
# Every second picture the same: so many frames in which each second difference is so much
# smaller than those beside it. A B frame lies between two pictures and differs from both alike,
# and so does a lamp's flicker: only a repeat makes the differences alternate. (True clips, nine
# real ones by five settings of one encoder: middle ratio 0.65 to 0.96, at most 0.2 of the places;
# the same clips doubled, without B frames: 0.01 to 0.16, from 0.79 of the places.)
RHYTHM, RHYTHM_PART, RHYTHM_DIP, RHYTHM_PLACES = 40, 0.5, 0.6, 0.7

STILL = "the picture hardly changes: a repeated frame would look like every other one"
STANDS = "the picture stands still between two motions: a held camera or a frozen recording"
NOTCH = "one frame changes much less than its neighbours: a repeat, or few bits for it"
EDGE = "the encoder had few bits beside a key frame or the end: starved or repeated"


@dataclass(frozen=True, slots=True)
class Repeats:
    """Repeated frames by number, and where it cannot be known.

    Attributes:
        at: Frames that show the picture of the frame before again.
        blind_keys: Key frames at which a repeat would not show.
        level: Median difference between frames, code values.
    """

    at: tuple[int, ...]
    undecidable: tuple[Span, ...]
    blind_keys: int
    level: float


def find_repeats(
    changes: Sequence[float] | Floats,
    keys: Sequence[int],
    corrupt: Sequence[int] = (),
    *,
    reordered: bool = False,
) -> Repeats:
    """Find repeated frames.

    Args:
        changes: sequence of float, shape (n,). Mean absolute luma difference of each frame to the
            one before, 8-bit code values; NaN where there is none.
        keys, corrupt: Numbers of key frames and of damaged frames; neither serve as neighbours.
        reordered: True when the clip has bidirectionally predicted frames.
    """
    d = np.asarray(changes, float)
    n = len(d)
    if n < 4 or not np.isfinite(d).any():
        everything = (Span(0, max(0, n - 1), STILL),) if n else ()
        return Repeats((), everything, 0, 0.0)
    key = np.zeros(n, bool)
    key[[k for k in keys if k < n]] = True
    damaged = np.zeros(n, bool)
    damaged[[c for c in corrupt if c < n]] = True
    usable = np.isfinite(d) & ~key & ~damaged
    level = _level(d, usable)
    part = CEILING_PART_REORDERED if reordered else CEILING_PART
    low = np.isfinite(d) & (d < PART * level) & (d < np.maximum(CEILING, part * level))
    least = LEAST_LEVEL_REORDERED if reordered else LEAST_LEVEL
    blind = level < least
    spans = [Span(a, b, STILL) for a, b in runs(blind)]
    found: list[int] = []
    for first, last in runs(low & ~key & ~blind & ~damaged):
        at, doubt = _judge(d, usable & ~low, key, (first, last), least, part)
        found += at
        spans += doubt
    if n > START and not blind[:START].any() and level[START] < LEAST_LEVEL_START:
        # After the costliest picture a repeat can even cost as much as any other frame.
        spans.append(Span(1, START - 1, EDGE))
    frozen = _frozen(d, usable)
    spans += frozen
    spans += [Span(i, i, NOTCH) for i in _notches(d, level, usable & ~low & ~blind)]
    told, second = _every_second(d, usable, key)
    blind_keys = 0
    for k in np.flatnonzero(key[1:] & ~told[1:]) + 1:
        if level[k] < LEAST_LEVEL_KEY:
            blind_keys += 1
        elif np.isfinite(d[k]) and d[k] < PART * level[k]:
            found.append(int(k))
    # Short islands of certainty in a blind stretch are not worth believing.
    merged = merge_spans(spans, near=SIDE)
    still = [*frozen, *(s for s in merged if s.reason == STILL)]
    kept = [f for f in found if not any(s.holds(f) for s in still)]
    kept = sorted({*(f for f in kept if not told[f]), *(int(i) for i in np.flatnonzero(second))})
    merged = _outside(merged, told)
    middle = float(np.median(d[usable])) if usable.any() else 0.0
    return Repeats(tuple(kept), merged, blind_keys, middle)


def _frozen(d: Floats, usable: Flags) -> list[Span]:
    """Return long stretches without any change between two motions."""
    if not usable.any():
        return []
    still = np.isfinite(d) & (d < CEILING_PART * np.quantile(d[usable], 0.8))
    # A key frame in the midst renders the same picture anew.
    still[1:-1] |= ~usable[1:-1] & still[:-2] & still[2:]
    moves = usable & (d > LEAST_LEVEL)
    return [
        Span(a, b, STANDS)
        for a, b in runs(still)
        if b - a >= LONGEST_RUN and moves[max(0, a - SIDE) : a].any() and moves[b : b + SIDE].any()
    ]


def _every_second(d: Floats, usable: Flags, key: Flags) -> tuple[Flags, Flags]:
    """Where the differences alternate, and the repeats there."""
    told, second = np.zeros(len(d), bool), np.zeros(len(d), bool)
    near = np.pad(np.where(usable, d, np.nan), 1, constant_values=np.nan)
    beside = np.fmin(near[:-2], near[2:])
    known = usable & np.isfinite(beside)
    dips = known & (d < RHYTHM_DIP * beside)
    for start in range(0, len(d) - RHYTHM + 1, RHYTHM // 4):
        end = start + RHYTHM
        for first, other in ((start, start + 1), (start + 1, start)):
            low, high = slice(first, end, 2), slice(other, end, 2)
            count = known[low].sum()
            if count < RHYTHM // 4 or dips[low].sum() <= RHYTHM_PLACES * count:
                continue
            highs = d[high][usable[high]]
            middle = float(np.median(highs)) if highs.size else 0.0
            if middle <= CEILING or np.median(d[low][known[low]]) >= RHYTHM_PART * middle:
                continue
            # Where the rhythm begins or ends in these frames, it does so with a dip.
            a, b = (first + 2 * int(i) for i in np.flatnonzero(dips[low])[[0, -1]])
            told[a : b + 1] = True
            second[a : b + 1 : 2] |= (known & (d < beside))[a : b + 1 : 2]
    # A key frame renders its picture anew; one in step with repeats on both sides is a repeat too.
    second[2:-2] |= key[2:-2] & second[:-4] & second[4:]
    return told, second


def _outside(spans: Sequence[Span], told: Flags) -> tuple[Span, ...]:
    """Return the parts of spans in which nothing was told."""
    kept: list[Span] = []
    for span in spans:
        open_ = ~told[span.first : span.last + 1]
        kept += [Span(span.first + a, span.first + b, span.reason) for a, b in runs(open_)]
    return tuple(kept)


def _notches(d: Floats, level: Floats, normal: Flags) -> list[int]:
    """Frames that change much less than both their neighbours, though not as a repeat does."""
    shallow = normal & (d < SHALLOW * level)
    return [
        int(i)
        for i in np.flatnonzero(shallow[1:-1]) + 1
        if normal[i - 1] and normal[i + 1] and d[i] < SHALLOW * min(d[i - 1], d[i + 1])
    ]


def _level(d: Floats, usable: Flags) -> Floats:
    """Level of change around each frame: the upper fifth of its neighbourhood.

    A camera that repeats every second frame, or two of three, still shows its level.
    """
    n = len(d)
    padded = np.full(n + 2 * SIDE, np.nan)
    padded[SIDE : SIDE + n] = np.where(usable, d, np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * SIDE + 1)
    count = np.isfinite(windows).sum(axis=1)
    ordered = np.sort(windows, axis=1)  # NaN last
    place = np.maximum(0, np.floor(0.8 * (count - 1)).astype(int))
    level = ordered[np.arange(n), place]
    return np.where(count > 0, level, 0.0)


def _judge(
    d: Floats, normal: Flags, key: Flags, run: tuple[int, int], least: float, part: float
) -> tuple[list[int], list[Span]]:
    """Judge one run of low differences by its neighbours outside the run."""
    first, last = run
    if last - first + 1 > LONGEST_RUN:
        return [], [Span(first, last, STANDS)]
    left = _beside(d, normal, first, -1)
    right = _beside(d, normal, last, 1)
    sides = [x for x in (left, right) if x is not None]
    # After a fade to black, or a pan that ends, one side has no level to compare with.
    if not sides or min(sides) < least:
        return [], [Span(first, last, STILL)]
    floor = min(sides)
    edge = len(sides) < 2
    found: list[int] = []
    doubts: list[Span] = []
    for i in range(first, last + 1):
        if not (d[i] < PART * floor and d[i] < max(CEILING, part * floor)):
            continue
        starved = edge or key[max(0, i - AFTER_KEY) : i].any()
        needed = LEAST_LEVEL_START if i < START else LEAST_LEVEL_EDGE if starved else least
        if floor < needed:
            doubts.append(Span(i, i, EDGE))
        else:
            found.append(i)
    return found, doubts


def _beside(d: Floats, normal: Flags, start: int, way: int) -> float | None:
    """Mean of the two nearest normal differences on one side, None at an end."""
    near: list[float] = []
    i = start + way
    while 0 <= i < len(d) and len(near) < 2 and abs(i - start) <= SIDE:
        if normal[i]:
            near.append(float(d[i]))
        i += way
    return sum(near) / len(near) if near else None
