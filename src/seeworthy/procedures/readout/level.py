"""One speed in one direction: the level of the camera takes the place of the other direction.

Uprights that pass one way lean by ``roll + row time · speed``. Nothing in the clip tells the
two apart, so the roll must come from a bubble level or a plumb line, and what is left of the
answer is its uncertainty over the speed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.statistics import robust_spread
from seeworthy.procedures.readout.refine import RowPoints
from seeworthy.procedures.readout.sorting import Rough, objects, rough_path

# Built things stand upright within some 3 mm in a metre, all of a house or fence alike
# (common practice of builders, no source); it cannot be told from the camera's roll.
UPRIGHT = math.radians(0.2)
# How well a camera keeps its roll while uprights pass, standard uncertainties (judgements, no
# source: a hand or a car on its springs keeps about a degree): by a stretch at rest on one side
# of the pass only, and by two that agree.
_KEPT_ONE = math.radians(1.0)
_KEPT_TWO = math.radians(0.3)
# More than this between the two stretches is no camera that was held.
_MOST_TURNED = math.radians(3.0)
# Uprights at rest that scatter by more are trees, or things that lean (a judgement).
_MOST_SCATTER = math.radians(1.0)
_FEWEST = 3  # separate uprights at rest: fewer show no scatter
_PITCH = 0.10  # columns per row at the side of the frame: the weak prior of `fit`
# An edge that rests while others pass rests for so many frames: longer than a start takes.
_STAYS = 8


@dataclass(frozen=True, slots=True)
class SpiritLevel:
    """Lean of resting uprights in the middle of the picture, from outside the clip.

    Attributes:
        slope, u: dx/dy, columns per row, and its standard uncertainty, uprightness included.
        rests_on: Where it comes from, in words.
    """

    slope: float
    u: float
    rests_on: str = "the roll read"

    @classmethod
    def of_roll(cls, degrees: float, u: float) -> SpiritLevel:
        """Make one from a roll in degrees, positive clockwise as seen from behind the camera."""
        angle = math.radians(degrees)
        steep = 1 / math.cos(angle) ** 2
        return cls(math.tan(angle), steep * math.hypot(math.radians(u), UPRIGHT))


def agreeing(
    rough: Sequence[Rough], level: SpiritLevel, height: int, interval: float
) -> tuple[list[int], float]:
    """Return the tracks that one row time explains at a known level, and that row time, s.

    Args:
        height: Rows of the frame.
        interval: Time between frames, s.
    """
    speed = np.array([r.speed for r in rough])
    lean: npt.NDArray[np.float64] = np.array([r.lean for r in rough]) - level.slope
    each = lean / speed
    guess = float(np.median(each))
    limit = 1.1 * interval / height
    guess = float(np.clip(guess, -limit, limit))
    # As in `passing._agreeing`: a pixel and a half over the frame, and pitch at the sides.
    tolerance = (1.5 + 0.03 * np.abs(speed) * limit * height * 0.5) / height + 0.02
    chosen = np.flatnonzero(np.abs(lean - guess * speed) < 2 * tolerance)
    return [int(i) for i in chosen], guess


def of_rest(
    stretches: Sequence[Sequence[RowPoints]], passing: Sequence[RowPoints], width: int
) -> SpiritLevel | None:
    """Return the level that uprights at rest before or after the pass show, or None.

    Its uncertainty is their scatter, what builders allow all of them alike, and how far the
    camera may have rolled on the way: as much again as it rolled between two stretches, what the
    leans of the passing ones change in time, and a judgement for what shows nowhere.

    Args:
        stretches: Tracks of each stretch at rest.
        passing: Tracks of the frames that move.
        width: Of the frame, px.
    """
    rough = [(rough_path(p), p.frames) for p in passing]
    rest = [(r.place, r.lean) for r, n in rough if resting(r, width) and n >= _STAYS]
    moving = [r for r, _ in rough if r.steady and not resting(r, width)]
    shown = [one for s in stretches if (one := _shown(s, rest, width)) is not None]
    if not shown or not moving:
        return None
    slopes = np.array([slope for slope, _ in shown])
    slope, turned = float(slopes.mean()), float(np.ptp(slopes))
    if turned > _MOST_TURNED:
        return None
    kept = _KEPT_TWO if len(shown) > 1 else _KEPT_ONE
    own = math.sqrt(float(np.mean([u * u for _, u in shown])))
    u = math.sqrt(own**2 + UPRIGHT**2 + kept**2 + turned**2 + _rolled(moving, slope) ** 2)
    return SpiritLevel(slope, u, "uprights at rest")


def resting(rough: Rough, width: int) -> bool:
    """Tell whether a track stays where it is."""
    return abs(rough.speed) < 0.004 * width and rough.travel < 3


def either(read: SpiritLevel | None, shown: SpiritLevel | None) -> SpiritLevel | None:
    """Return the better known of the level read and the one that the picture shows.

    Raises:
        CannotMeasure: When they contradict each other (three standard uncertainties).
    """
    if read is None or shown is None:
        return read or shown
    if abs(read.slope - shown.slope) > 3 * math.hypot(read.u, shown.u):
        raise CannotMeasure(
            f"By the roll read resting uprights lean by {_degrees(read):+.1f}°, in the picture "
            f"they lean by {_degrees(shown):+.1f}°.",
            "Check the sign of roll (positive where the camera is turned clockwise as seen from "
            "behind), or leave it out.",
        )
    return min(read, shown, key=lambda one: one.u)


def _degrees(level: SpiritLevel) -> float:
    return math.degrees(math.atan(level.slope))


def _shown(
    tracks: Sequence[RowPoints], fixed: Sequence[tuple[float, float]], width: int
) -> tuple[float, float] | None:
    """Return lean in the middle and its u (scatter) of what rests in one stretch.

    What rests as well while others pass is left out: a car's pillar or the side of an inset
    belongs to the camera and stands as upright as that does.
    """
    rough = [(r, p) for p in tracks if resting(r := rough_path(p), width)]
    free = [
        (r, p)
        for r, p in rough
        if not any(abs(r.place - x) < 4 and abs(r.lean - k) < 0.01 for x, k in fixed)
    ]
    if len(free) < _FEWEST:
        return None
    number = objects([p for _, p in free])
    count = int(number.max()) + 1
    if count < _FEWEST:
        return None
    x, lean = (
        np.array([np.mean([v for v, o in zip(values, number, strict=True) if o == k])
                  for k in range(count)])
        for values in ([r.place / (width / 2) for r, _ in free], [r.lean for r, _ in free])
    )  # fmt: skip
    good = np.abs(lean - np.median(lean)) < 0.12
    scatter = UPRIGHT
    for _ in range(4):  # a pitched camera's uprights lean by their place
        if good.sum() < max(_FEWEST, 0.6 * count):
            return None
        design = np.stack([np.ones(count), x], axis=1)[good]
        normal = design.T @ design + np.diag([0.0, (scatter / _PITCH) ** 2])
        cover = np.linalg.inv(normal)
        slope, pitch = cover @ design.T @ lean[good]
        miss = lean - slope - pitch * x
        freedom = max(int(good.sum()) - 2, 1)
        scatter = max(math.sqrt(float(np.sum(miss[good] ** 2)) / freedom), UPRIGHT)
        good = np.abs(miss) < 3 * max(robust_spread(miss[good], about=0), UPRIGHT)
    if scatter > _MOST_SCATTER:
        return None
    return float(slope), scatter * math.sqrt(float(cover[0, 0]))


def _rolled(moving: Sequence[Rough], slope: float) -> float:
    """Return by how much the leans of passing uprights change from third to third of the time."""
    part = sorted(moving, key=lambda r: r.middle)
    if len(part) < 6:
        return 0.0
    lean = np.array([r.lean for r in part]) - slope
    # Without what speed and place explain: read-out time and pitch.
    design = np.array([[r.speed, r.place] for r in part])
    off = lean - design @ np.linalg.lstsq(design, lean, rcond=None)[0]
    return float(np.ptp([np.median(third) for third in np.array_split(off, 3)]))
