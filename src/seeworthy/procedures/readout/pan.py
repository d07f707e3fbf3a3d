"""A picture that pans as a whole: what a camera that steadies it may have held back.

Steadying moves a window over the picture by `s`; the lean tells of the camera's own motion
``V + ds/dt``, the picture shows ``V``. Where uprights pass both ways at once, or the camera
stands, that changes nothing. Where all speeds are the camera's own, a share that is held back
looks like a longer read-out at every speed, and nothing in the clip tells the two apart. But the
window has its limits: over a sweep of `D` px it takes `2 m` px out at most, so that the read-out
lies between ``D / (D + 2 m)`` of what is seen and all of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.observe.motion_tracks import FramePair
from seeworthy.procedures.readout.passing import Passing

Doubles = npt.NDArray[np.float64]

# How far the window can move to each side, in widths of what it shows: a crop to 71 % of the
# sensor's width; cameras keep 80 to 90 % (judgement, no source).
WINDOW = 0.2
# The camera stands where this share of the followed points, and some in two quarters of the
# picture or more, stay where they were while uprights pass fast. In own rendered pans none do, with
# still cameras 0.2 to 0.5 unless uprights fill the picture; a stamp holds up to 0.15 (judgements).
_AT_REST, _SPREAD = 0.2, 2
# Below this share of the variance of speeds, uprights that pass at one time differ so much that a
# window's motion, common to them, is not worth a word (a judgement: 0.05 of 40 % is 2 %).
_COMMON = 0.05
FOLLOWED = 1800  # pictures whose points are followed: half a minute at 60 a second
_GAP = 0.5  # s without uprights that a sweep is followed through
# Fewer edges, or fewer than two at a time, cannot contradict each other: an edge followed
# wrongly to its neighbour gave 1.4 ms ± 1.2 ms for 13.2 ms (own rendered pan, seed 5).
_EDGES, _AT_ONCE = 8, 2.0


@dataclass(frozen=True, slots=True)
class _Frames:
    """What uprights show of single pictures, n of them.

    Attributes:
        time, speed, lean: (n,) arrays. s, px/s, and columns per row without roll and pitch; the
            median of the uprights in that picture.
        common: Share of the variance of speeds that uprights of one picture have in common.
        at_once: Mean number of edges in a picture.
    """

    time: Doubles
    speed: Doubles
    lean: Doubles
    common: float
    at_once: float


def judge_pan(
    found: Passing, pairs: Sequence[FramePair], width: int, *, steadied: bool = True
) -> Passing:
    """Return the answer, where the whole picture pans with the interval that steadying leaves.

    Args:
        pairs: Points followed from picture to picture.
        width: Of the frame, px.
        steadied: Whether the camera may have steadied its picture, for all that is known.

    Raises:
        CannotMeasure: When too few uprights are seen at once to contradict each other.
    """
    seen = _frames(found, (width - 1) / 2)
    if len(seen.time) < 3 or seen.common < _COMMON or _stands(pairs, seen, width):
        return found
    if len(found.tracks) < _EDGES or seen.at_once < _AT_ONCE:
        raise CannotMeasure(
            f"The whole picture pans, and only {len(found.tracks)} edges, {seen.at_once:.1f} at a "
            "time, were followed in it: too few to check each other.",
            "Pan more slowly past more uprights, or keep the camera still and let uprights pass.",
        )
    # What was held back makes a bound too high, not too low.
    if found.most is not None or not steadied:
        return found
    swept, mean = _sweeps(seen, levelled=found.level is not None)
    # The straight fit weighs fast uprights most, the means of sweeps are what the window's
    # limits hold for. Where nothing was held they are one.
    other = abs(mean) if np.isfinite(mean) else found.row_time
    half = coverage_factor(found.dof) * found.u
    held = 1 + seen.common * 2 * WINDOW * width / max(swept, 1e-9)
    low = max(min(found.row_time, other) / held - half, 0.0)
    return replace(found, within=(low, max(found.row_time, other) + half), swept=swept / width)


def _frames(found: Passing, half_width: float) -> _Frames:
    fit = found.fit
    rows = []
    for number, points in enumerate(found.tracks):
        bent = 1 + fit.bend * (points.x**2 + points.row**2) / half_width**2
        x, y = points.x * bent, points.row * bent
        one = []
        for time in np.unique(points.time):
            here = points.time == time
            if here.sum() >= 6:
                slope, place = np.polyfit(y[here], x[here], 1)
                one.append((time, place, slope))
        if len(one) < 3:
            continue
        time, place, slope = np.array(one).T
        tilt = fit.roll + place * fit.pitch / half_width + fit.tilts[fit.object[number]]
        speed = (place[2:] - place[:-2]) / (time[2:] - time[:-2])
        rows.append(np.stack([time[1:-1], speed, (slope - tilt)[1:-1]]))
    if not rows:
        return _Frames(np.zeros(0), np.zeros(0), np.zeros(0), 0.0, 0.0)
    time, speed, lean = np.concatenate(rows, axis=1)
    times, which = np.unique(np.round(time, 5), return_inverse=True)
    groups = [which == k for k in range(len(times))]
    mean = np.array([speed[g].mean() for g in groups])
    spread = max(float(speed.var()), 1e-9)
    return _Frames(
        times,
        np.array([np.median(speed[g]) for g in groups]),
        np.array([np.median(lean[g]) for g in groups]),
        1 - float(np.mean((speed - mean[which]) ** 2)) / spread,
        len(time) / len(times),
    )


def _stands(pairs: Sequence[FramePair], seen: _Frames, width: int) -> bool:
    """Tell whether a good part of the picture rests while uprights pass at their fastest."""
    fast = float(np.median(np.abs(seen.speed)))
    known = []
    for pair in pairs:
        k = int(np.argmin(np.abs(seen.time - pair.end)))
        speed = abs(float(seen.speed[k]))
        if abs(seen.time[k] - pair.end) > 1e-3 or len(pair.points) < 10 or speed < fast:
            continue
        x, y = pair.points[:, 0], pair.points[:, 1]
        # Half a pixel per 640 is how well points are followed; and a tenth of what passes.
        least = width / 1280 + 0.1 * speed * (pair.end - pair.start)
        rests = np.abs(pair.points[:, 2] - x) < least
        quarter = 2 * (x > np.median(x)) + (y > np.median(y))
        spread = int((np.bincount(quarter[rests], minlength=4) >= 2).sum())
        known.append(float(np.mean(rests)) >= _AT_REST and spread >= _SPREAD)
    return len(known) >= 4 and float(np.mean(known)) >= 0.5


def _sweeps(seen: _Frames, *, levelled: bool) -> tuple[float, float]:
    """Return the length of a sweep from turn to turn, px, and the row time that means give.

    Lengths are those about the mean speed, which looks like roll, unless the roll is known; long
    sweeps count by their length.
    """
    middle = 0.0 if levelled else float(seen.speed.mean())
    turned = np.diff(np.sign(seen.speed - middle)) != 0
    apart = np.diff(seen.time) > _GAP
    lengths, sums = [], []
    for part in np.split(np.arange(len(seen.time)), np.flatnonzero(turned | apart) + 1):
        time, speed = seen.time[part], seen.speed[part]
        if len(part) < 3:
            continue
        lengths.append(abs(float(np.trapezoid(speed - middle, time))))
        sums.append((speed.sum(), float(len(part)), seen.lean[part].sum()))
    if not lengths:
        return 0.0, float("nan")
    length, total = np.array(lengths), np.array(sums)
    swept = float(np.sum(length**2) / np.sum(length))
    design = total[:, :1] if levelled else total[:, :2]
    if len(design) < design.shape[1]:
        return swept, float("nan")
    scale = 1 / np.sqrt(total[:, 1])
    slope = np.linalg.lstsq(design * scale[:, None], total[:, 2] * scale, rcond=None)[0]
    return swept, float(slope[0])
