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

from seeworthy.procedures.readout.sorting import Rough

# Built things stand upright within some 3 mm in a metre, all of a house or fence alike
# (common practice of builders, no source); it cannot be told from the camera's roll.
UPRIGHT = math.radians(0.2)


@dataclass(frozen=True, slots=True)
class Level:
    """Lean of resting uprights in the middle of the picture, from outside the clip.

    Attributes:
        slope, u: dx/dy, columns per row, and its standard uncertainty, uprightness included.
    """

    slope: float
    u: float

    @classmethod
    def of_roll(cls, degrees: float, u: float) -> Level:
        """Make one from a roll in degrees, positive clockwise as seen from behind the camera."""
        angle = math.radians(degrees)
        steep = 1 / math.cos(angle) ** 2
        return cls(math.tan(angle), steep * math.hypot(math.radians(u), UPRIGHT))


def agreeing(
    rough: Sequence[Rough], level: Level, height: int, interval: float
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
