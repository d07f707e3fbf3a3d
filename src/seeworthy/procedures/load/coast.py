"""What climb and time of a coast say of its first speed and its drag."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from seeworthy.procedures.load.atmosphere import G0

Floats = NDArray[np.float64]

SLOW = 0.8
"""Share of the largest speed from which on a coast is believed: by then a late barometer has caught
up with it (a judgement)."""


def coast_speed(climb: float, time: float) -> float | None:
    """Return the vertical speed with which a coast of known climb and time began, m/s.

    With drag as the square of speed the two fix speed and drag: with ``x = v·√(k/g)``,
    ``time = atan(x)/√(k·g)`` and ``climb = ln(1 + x²)/(2k)`` (any textbook of mechanics).
    None where no braked coast does this: gravity alone takes ``climb ≥ g·time²/2``.
    """
    found = _start(climb, time)
    return None if found is None else found[0]


def _start(climb: float, time: float) -> tuple[float, float] | None:
    """Return speed (m/s) and drag per speed squared (1/m) of a coast."""
    if time <= 0 or climb <= 0:
        return None
    share = climb / (G0 * time**2)
    if share < 0.5:
        # A little less is noise and early parachutes; then it is the coast without drag.
        return (2 * climb / time, 0.0) if share > 0.4 else None

    def miss(log_x: float) -> float:
        x = np.exp(log_x)
        return float(np.log1p(x * x) / (2 * np.arctan(x) ** 2) - share)

    if miss(-7.0) > 0:
        return 2 * climb / time, 0.0
    if miss(7.0) < 0:
        return None
    x = float(np.exp(optimize.brentq(miss, -7.0, 7.0)))
    drag = (np.arctan(x) / time) ** 2 / G0
    return float(x * np.sqrt(G0 / drag)), float(drag)


def drag_of(t: Floats, height: Floats, speed: Floats, fastest: int, top: int) -> float | None:
    """Return the drag per speed squared (1/m) that the slower part of a coast shows.

    Args:
        t, height, speed: arrays (N,). A rough track: s, m, m/s.
        fastest, top: Samples.

    None where that part is too short to tell, or no braked coast.
    """
    slow = np.flatnonzero(speed[fastest:top] < SLOW * speed[fastest])
    if not slow.size:
        return None
    k = fastest + int(slow[0])
    found = _start(float(height[top] - height[k]), float(t[top] - t[k])) if top - k > 4 else None
    return None if found is None else found[1]
