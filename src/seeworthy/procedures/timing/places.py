"""Which place of an even grid each time stamp has: the most likely numbering.

A jittered stamp next to an empty place can look as if it stood in it. Deciding stamp by
stamp puts some gaps one frame off; the whole sequence has one cheapest explanation, found
by dynamic programming (Viterbi 1967) over the number of places skipped so far.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from seeworthy.ground.statistics import robust_spread

Floats = npt.NDArray[np.float64]

# An empty place is taken once in a thousand frames; its cost is minus the log of that.
_PRIOR = 6.9
# No single stamp argues louder than this: late stamps come singly and mean nothing.
_LOUDEST = 12.0
_LEAST_SPREAD = 0.02  # of a period


def number_places(t: Floats, step: float, phase: float, most: int) -> npt.NDArray[np.int64]:
    """Return the place of every stamp on a grid.

    Args:
        t: float array, (n,). Stamps in seconds, in order.
        step, phase: Period of the grid and time of its place 0, seconds.
        most: Places that may be skipped in all.

    Returns:
        int array, (n,). Strictly rising; a difference of 2 is one empty place.
    """
    n = len(t)
    skips = np.arange(most + 1)
    off = (t - phase) / step - np.arange(n)
    spread = _spread(off, most)
    cost = np.zeros(most + 1)
    back = np.zeros((n, most + 1), np.int32)
    for i in range(n):
        if i:
            # The cheapest way here: stay, or come from any smaller number of skips.
            lowest = np.minimum.accumulate(cost)
            source = np.maximum.accumulate(np.where(cost <= lowest, skips, 0))
            jumped = np.concatenate([[np.inf], lowest[:-1] + _PRIOR])
            stay = cost <= jumped
            back[i] = np.where(stay, skips, np.concatenate([[0], source[:-1]]))
            cost = np.where(stay, cost, jumped)
        cost = cost + np.minimum(0.5 * ((off[i] - skips) / spread) ** 2, _LOUDEST)
    at = int(np.argmin(cost))
    found = np.empty(n, np.int64)
    for i in range(n - 1, -1, -1):
        found[i] = i + at
        at = int(back[i, at])
    return found


def _spread(off: Floats, most: int) -> float:
    """Robust deviation of stamps from their nearest places, in periods."""
    near = off - np.clip(np.round(off), 0, most)
    return max(_LEAST_SPREAD, robust_spread(near, about=0))
