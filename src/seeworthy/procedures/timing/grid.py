"""The even grid that time stamps keep: its period and phase, and the place of every stamp."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def tuned(t: Floats, middle: float) -> tuple[float, float]:
    """Period and phase near `middle` at which the stamps ring together (periodogram peak).

    Neither lost frames nor white jitter nor a coarse tick shift it, as they do a median.
    """
    span = float(t[-1])
    reach = 0.08 / middle
    count = 2 * int(min(1000.0, 4.0 * reach * span)) + 1
    rates = 1.0 / middle + np.linspace(-reach, reach, count)
    ring = np.exp(2j * np.pi * np.outer(rates, t)).sum(axis=1)
    best = int(np.argmax(np.abs(ring)))
    step = 1.0 / float(rates[best])
    return step, float(np.angle(ring[best])) / (2.0 * np.pi) * step


def follow(t: Floats, step: float, phase: float) -> Floats:
    """Number the places of the stamps on a grid, its phase slowly corrected on the way."""
    place = np.zeros(len(t))
    at = 0.0
    for i in range(1, len(t)):
        whole = max(0.0, math.floor((t[i] - phase) / step + 0.5))
        place[i] = at = at + whole
        phase += whole * step
        phase += 0.1 * (t[i] - phase)
    # Two stamps in one place: the later was early, or the earlier late, by half a place.
    for i in range(1, len(t)):
        if place[i] <= place[i - 1]:
            if i + 1 < len(t) and place[i + 1] > place[i - 1] + 1.0:
                place[i] = place[i - 1] + 1.0
            elif i < 2 or place[i - 2] < place[i] - 1.0:
                place[i - 1] = place[i] - 1.0
    return place
