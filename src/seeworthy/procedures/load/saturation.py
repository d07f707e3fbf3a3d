"""Samples at which an accelerometer stood at its stop.

A sensor of 16 g in a launch of 50 g writes its full scale until the push has fallen below
it. Such samples say "at least"; the rest of the log, and the barometer, must carry the
figures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.series import rest_noise

Floats = NDArray[np.float64]

RANGES = (2, 4, 6, 8, 12, 16, 24, 30, 32, 40, 50, 64, 70, 100, 105, 120, 200, 250, 400)
"""Full scales that accelerometers are sold with, g; common practice, no source."""
NEAR = 0.03
"""How far a stop may lie from the named range: sensitivity tolerance and offset of data sheets
(a few per cent; common practice, no source)."""
FLAT = 0.006
"""Spread of readings at a stop against the reading: offset and scale after the converter move
them together, so what is left is rounding; a judgement."""


@dataclass(frozen=True, slots=True)
class Stop:
    """Where a sensor ran into its stop.

    Attributes:
        level: Reading at the stop, m/s².
        at: array of bool, (N,). Samples there.
    """

    level: float
    at: NDArray[np.bool_]


def find_stop(values: Floats, step: float, limit: float = 0.0) -> Stop | None:
    """Find the stop of a sensor in its samples.

    Args:
        values: array (N, axes). Raw readings, m/s².
        step: Resolution, m/s².
        limit: Range as the user read it, m/s²; 0 to find it.

    Without a reading the largest reading of an axis is the stop when it comes back, sample after
    sample, without its noise: two in a row at a range that sensors are sold with, four elsewhere,
    and the readings beside them are far lower, as a peak never does it. Three equal readings are
    enough where noise spans several steps, six at a known range.
    """
    at = np.zeros(values.shape[0], bool)
    level = 0.0
    for k in range(values.shape[1]):
        size = np.abs(values[:, k])
        top = float(size.max())
        if limit > 0:
            here = size > limit * (1 - NEAR)
            top = limit
        else:
            band = max(1.01 * step, FLAT * top) if step < 0.02 * top else 0.0
            here = size >= top - band
            if not _pinned(size, here, top, step, rest_noise(values[:, k], 0.0)):
                continue
        if here.any():
            level = max(level, top)
            at |= here
    return Stop(level, at) if at.any() else None


def _pinned(size: Floats, here: NDArray[np.bool_], top: float, step: float, noise: float) -> bool:
    if top < 1.8 * G0:
        return False
    longest, exact = _longest(here), _longest(size >= top * (1 - 1e-6))
    # Noise never writes one reading three times in a row when it spans several steps.
    if exact >= 3 and noise > 1.5 * step:
        return True
    known = any(abs(top / (r * G0) - 1) < NEAR for r in RANGES)
    if exact >= 6 and known:
        return True
    # A plateau of a push has noise: its readings spread over many steps, those of a stop do not.
    spread = float(np.ptp(size[here]))
    if exact < 3 and noise > 1.5 * step and np.std(size[here]) > 0.5 * noise:
        return False
    if longest < (2 if known else 4) or spread > max(2 * step, FLAT * top):
        return False
    first, last = np.flatnonzero(here)[[0, -1]]
    beside = [float(size[i]) for i in (first - 1, last + 1) if 0 <= i < size.size]
    edge = all(top - b > max(3 * step, 0.02 * top) for b in beside)
    # What else is near the top but not on it: a true peak has shoulders.
    shoulders = int(np.count_nonzero((size > 0.93 * top) & ~here))
    return edge and shoulders <= max(1, int(0.34 * np.count_nonzero(here)))


def _longest(marks: NDArray[np.bool_]) -> int:
    """Return the length of the longest run of marks."""
    edges = np.flatnonzero(np.diff(np.r_[False, marks, False].astype(int)))
    return int((edges[1::2] - edges[::2]).max()) if edges.size else 0
