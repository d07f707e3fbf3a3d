"""The cadence that time stamps keep: one even grid, two rates, or none.

All arrays are in seconds; intervals are numbered by the frame before them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from seeworthy.ground.lines import straight_line
from seeworthy.procedures.timing.grid import follow, tuned

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Regime = Literal["constant", "uneven", "two rates", "variable"]

# A gap is long from 1.5 intervals (common practice: half-way between one and two).
LONG = 1.5
# Neighbours on each side that carry the local cadence.
SIDE = 10
# More long intervals than this share of their neighbourhood (neighbours on each side,
# share): the rate itself wanders.
CROWDED = ((10, 0.33), (30, 0.2))
# Without one even grid, a clip with more long intervals than this is a mixture of rates.
MIXED = 0.08
# Stamps that keep within this part of a period of one even grid are a constant rate.
LOCKED = 0.33
# An even pace: two thirds of the stamps within this part of an interval of the grid. A
# judgement: phones keep 1 to 3 %, a wait 10 % longer than the next is seen as judder.
EVEN = 0.05
# Steady intervals that must stand on each side of a gap before frames are called lost (a
# judgement: two can be chance, three are a cadence).
STEADY = 3
# A recording that begins with a wait of so many intervals was still starting (a judgement).
PAUSE = 1.25
# Where the rate wanders anyway, the first wait must be so many of the longest that follow.
FAR = 3.0


@dataclass(frozen=True, slots=True)
class Cadence:
    """The intervals as they are and as they should be.

    ``local`` is the cadence at each interval, ``long`` marks intervals of 1.5 times
    that and more, ``crowded`` those among too many long ones, ``lonely`` those without a
    steady cadence on both sides.
    """

    regime: Regime
    rates: tuple[tuple[float, float], ...]
    steps: Floats
    local: Floats
    long: Flags
    crowded: Flags
    lonely: Flags


def running_median(values: Floats, side: int) -> Floats:
    """Median of each value and up to `side` neighbours on each side, shape (n,)."""
    n = len(values)
    if n <= 2 * side + 1:
        return np.full(n, np.median(values))
    windows = np.lib.stride_tricks.sliding_window_view(values, 2 * side + 1)
    middle = np.median(windows, axis=1)
    ends = [np.median(values[: side + 1 + i]) for i in range(side)]
    tail = [np.median(values[n - 2 * side - 1 + i :]) for i in range(1, side + 1)]
    return np.concatenate([ends, middle, tail])


def find_cadence(t: Floats, steps: Floats) -> Cadence:
    """Find the regime, then what is long in it."""
    local = running_median(steps, SIDE)
    grid = _grid(t, steps)
    regime: Regime
    if grid is not None:
        step, scatter = grid
        local, regime = np.full(len(steps), step), "constant" if scatter < EVEN else "uneven"
        rates: tuple[tuple[float, float], ...] = ((1.0 / step, 1.0),)
    else:
        regime, rates = _wandering(steps, local)
    long = steps >= LONG * local
    crowded = np.full(len(steps), grid is None and long.mean() > MIXED)
    for side, share in CROWDED:
        window = np.ones(min(2 * side + 1, len(steps)))
        there = np.convolve(np.ones(len(steps)), window, "same")
        crowded |= np.convolve(long, window, "same") > share * there
    return Cadence(regime, rates, steps, local, long, crowded, _lonely(long))


def _lonely(long: Flags) -> Flags:
    """Intervals with fewer than `STEADY` ordinary ones among their neighbours of one side."""
    counted = np.concatenate([[0], np.cumsum(~long)])
    places = np.arange(len(long))
    before = counted[places] - counted[np.maximum(places - SIDE, 0)]
    after = counted[np.minimum(places + SIDE + 1, len(long))] - counted[places + 1]
    return np.asarray((before < STEADY) | (after < STEADY))


def _grid(t: Floats, steps: Floats) -> tuple[float, float] | None:
    """Period of the one grid that all stamps keep, and their scatter; None if there is none.

    A rate that wanders leaves the grid, and so does one that spends much of its time
    at half the rate: that is a second cadence, not a constant one with drops.
    """
    step, phase = tuned(t[:512], float(np.median(steps)))
    for _ in range(2):
        place = follow(t, step, phase)
        line = straight_line(place, t, x0=float(place.mean()))
        step, phase = line.slope, float(line.at(0.0)[0])
    if (np.diff(place) > 1).mean() > CROWDED[1][1]:
        return None
    off = np.abs(t - line.at(place)[0]) / line.slope
    if np.quantile(off, 0.9) >= LOCKED:
        return None
    # One deviation of a normal scatter, which single late stamps do not move.
    return line.slope, float(np.quantile(off, 0.68))


def runs(flags: Flags) -> list[tuple[int, int]]:
    """First and last index of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _wandering(steps: Floats, local: Floats) -> tuple[Regime, tuple[tuple[float, float], ...]]:
    """Name the regime and its cadences where there is no one even grid."""
    level = float(np.median(local))
    # Shares are of intervals, not of medians: a mixture has no spells of its own.
    first = np.abs(steps / level - 1.0) < 0.08
    rest = steps[~first]
    if len(rest):
        other = float(np.median(rest))
        second = np.abs(rest / other - 1.0) < 0.08
        if first.sum() + second.sum() >= 0.93 * len(steps):
            share = float(first.mean())
            pair = ((1.0 / level, share), (1.0 / other, 1.0 - share))
            return "two rates", pair if share >= 0.5 else pair[::-1]
    return "variable", ()
