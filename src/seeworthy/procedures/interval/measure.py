"""Intervals of a series of shots: their mean, scatter, and the shots that are missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure

Array = npt.NDArray[np.float64]

LEAST = 5
"""Intervals; fewer tell no scatter (a judgement)."""
_HOLE = 1.5  # waits: half-way to a wait that was left out (derived)
_NEAR = 0.3
"""A wait is a hole where it is as good as a whole number of intervals, two or more; else it is
one long wait (a judgement)."""


@dataclass(frozen=True, slots=True)
class ShotSeries:
    """When shots were taken.

    Attributes:
        times: (N,) s, in order.
        number: (N,) place of each in the series; places are left out where no time is known.
        u: Standard uncertainty of one time, s.
    """

    times: Array
    number: npt.NDArray[np.int64]
    u: float


@dataclass(frozen=True, slots=True)
class Intervals:
    """What a series tells.

    Attributes:
        mean: s, missing shots counted.
        scatter: Standard deviation of single intervals as seen, s.
        runs: Stretches of shots without an unread one between.
        counted: Intervals in them, missing shots included.
        single: Intervals that were seen, holes left out.
        holes: Place of the shot before, and how many are missing.
        longest, after: The longest wait, s, and the place of the shot before it.
    """

    mean: float
    median: float
    scatter: float
    runs: int
    counted: int
    single: int
    holes: tuple[tuple[int, int], ...]
    longest: float
    after: int

    @property
    def missed(self) -> int:
        """Shots that are missing."""
        return sum(count for _, count in self.holes)


def intervals(series: ShotSeries) -> Intervals:
    """Judge a series.

    Raises:
        CannotMeasure: Too few intervals, or shots that do not follow each other in time.
    """
    next_to = np.diff(series.number) == 1
    waits = np.diff(series.times)[next_to]
    before = series.number[:-1][next_to]
    if waits.size < LEAST:
        raise CannotMeasure(
            f"Only {waits.size} intervals are known; {LEAST} are needed.",
            "Take thirty pictures or more, the clock sharp and whole in each.",
        )
    if waits.min() <= 0:
        at = int(before[int(np.argmin(waits))]) + 1
        raise CannotMeasure(
            f"Picture {at + 1} is not later than picture {at}.",
            "Give the pictures of one series alone, each once.",
        )
    median = float(np.median(waits))
    times = np.rint(waits / median)
    hole = (waits / median >= _HOLE) & (np.abs(waits / median - times) <= _NEAR)
    times = np.where(hole, times, 1.0)
    counted = int(times.sum())
    plain = waits[~hole]
    spread = float(np.std(plain, ddof=1)) if plain.size > 1 else 0.0
    holes = tuple((int(b) + 1, int(k) - 1) for b, k in zip(before[hole], times[hole], strict=True))
    last = int(np.argmax(waits))
    runs = 1 + int(np.count_nonzero(np.diff(before) > 1))
    return Intervals(
        float(waits.sum()) / counted, float(np.median(plain)), spread, runs, counted,
        int(plain.size), holes, float(waits[last]), int(before[last]) + 1,
    )  # fmt: skip
