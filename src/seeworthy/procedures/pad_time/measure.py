"""Means of repeats, the cost of standing by, and the delay between two readings of one clock."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.clock.code import RANGE_MS
from seeworthy.clock.watch import ClockTrack
from seeworthy.ground.errors import CannotMeasure

_NEAR = 0.6
"""s of the witness clip on either side of the press whose clock is used."""
_LEAST = 3  # frames on a line (a judgement)
_MOST = 120.0
"""s; no camera takes longer to start, so that the clips are not of one start (a judgement)."""


@dataclass(frozen=True, slots=True)
class MeanDelay:
    """Mean of repeats.

    Attributes:
        stated: Standard uncertainty as typed, common to all of them.
        scatter: Standard uncertainty by scatter; 0 for one alone.
    """

    value: float
    stated: float
    scatter: float
    n: int

    @property
    def dof(self) -> float:
        """Of the scatter."""
        return self.n - 1.0 if self.n > 1 else math.inf


def mean(values: Sequence[float], us: Sequence[float]) -> MeanDelay:
    """Return the mean of readings; what their instrument is off by is in all of them."""
    n = len(values)
    spread = float(np.std(values, ddof=1)) / math.sqrt(n) if n > 1 else 0.0
    return MeanDelay(float(np.mean(values)), float(np.mean(us)), spread, n)


def start(track: ClockTrack, first: float | None) -> tuple[float, float]:
    """Return clock time of a clip's first frame and its standard uncertainty, s.

    Args:
        first: Stamp of the first frame; frames before the first that was read are gone back by
            their stamps.

    Raises:
        CannotMeasure: The clock was not read in the clip's first seconds.
    """
    if not track.time.size:
        raise CannotMeasure(
            "The bench clock is not read in the first two seconds of a clip.",
            "Fill the picture with the clock, sharp and not overexposed.",
        )
    back = 0.0
    if track.index[0] > 0:
        back = float(track.stamp[0]) - (first or 0.0)
    return float(track.time[0]) - back, float(track.u[0])


def at_second(track: ClockTrack, second: float) -> tuple[float, float]:
    """Return clock time at a second of the witness clip and its standard uncertainty, s.

    Raises:
        CannotMeasure: The clock was not read there.
    """
    near = np.abs(track.stamp - second) <= _NEAR
    if np.count_nonzero(near) < _LEAST:
        raise CannotMeasure(
            f"The witness clip shows no readable clock at {second:.2f} s.",
            "The second camera must see the button and the clock at once.",
        )
    # Clock and stamps run alike over a second: their difference is one number.
    apart: npt.NDArray[np.float64] = track.time[near] - track.stamp[near]
    u = float(np.median(track.u[near])) / math.sqrt(2)
    return second + float(np.median(apart)), u


def delay(pressed: float, begun: float) -> float:
    """Return seconds from press to first frame on a clock that starts again.

    Raises:
        CannotMeasure: The clips are not of one start.
    """
    whole = RANGE_MS / 1e3
    found = (begun - pressed + whole / 2) % whole - whole / 2
    if not -0.05 <= found <= _MOST:
        raise CannotMeasure(
            f"The first picture would come {found:.2f} s after the press: clip and witness are not "
            "of the same start.",
            "Give clips, witness clips and seconds of the press in the same order.",
        )
    return found
