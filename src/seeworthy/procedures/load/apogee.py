"""The top of a flight, and its end, in a height log."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.uncertainty import upper
from seeworthy.procedures.load.height import COAST_JERK, run
from seeworthy.procedures.load.series import Series

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Apogee:
    """The highest point.

    Attributes:
        height, u: m above the pad; `u` without the air's temperature.
        time: s.
        n: Samples near the top.
        spike: How far the highest rejected sample stands above, m; 0 for none.
        at_end: The log ends at its highest point.
        climb: Upper end of the vertical speed there, m/s; infinite where too few samples tell.
    """

    height: float
    u: float
    time: float
    n: int
    spike: float
    at_end: bool
    climb: float = np.inf


def apogee(series: Series, good: NDArray[np.bool_], sigma: float, after: float) -> Apogee:
    """Find the highest point of the smoothed, believed heights.

    Args:
        series: m above the pad.
        good: Samples believed.
        sigma: White noise, m.
        after: Look from here on (burnout), s.
    """
    t, h = series.time, series.values
    use = good & (t >= after)
    if np.count_nonzero(use) < 5:
        use = good
    tu, hu = t[use], h[use]
    # First the plain top, then a smooth of what lies around it.
    middle = np.array([np.median(hu[max(0, i - 2) : i + 3]) for i in range(tu.size)])
    k = int(np.argmax(middle))
    reach = max(3.0, 10 * series.period)
    near = (tu > tu[k] - reach) & (tu < tu[k] + reach)
    # Of a hop only the arc counts, not the ground before and after it.
    near &= middle > 0.3 * middle[k]
    at_end = bool(tu[k] >= tu[-1] - 2 * series.period)
    tn, hn = tu[near], hu[near]
    if tn.size < 5:
        return Apogee(
            float(hu[k]), float(np.hypot(sigma, 0.5)), float(tu[k]), int(tn.size), 0.0, at_end
        )
    jerk = np.where(tn > tu[k], 60.0, COAST_JERK)
    out = run(tn, hn, np.full(tn.size, sigma**2 + 0.1**2), jerk)
    j = int(np.argmax(out.mean[:, 0]))
    height = float(out.mean[j, 0])
    # Left-out samples at the top leave a hole; smooth over it to see how much may hide there.
    hole = ~good & (np.abs(t - tu[k]) < reach) & (t >= after)
    hidden = _over_hole(tn, out.mean, hn.size, height) if hole.any() else 0.0
    miss = float(np.std(hn - out.mean[:, 0])) / np.sqrt(min(tn.size, 10))
    # The resolution counts twice: at the top and in the zero on the pad.
    u = float(np.sqrt(out.cov[j, 0, 0] + miss**2 + (hidden / 2) ** 2 + series.step**2 / 6))
    rejected = ~good & (t >= after) & (np.abs(t - tu[k]) < max(10.0, reach))
    spike = float(max(np.max(h[rejected]) - height, 0.0)) if rejected.any() else 0.0
    climb = upper(float(out.mean[-1, 1]), float(np.sqrt(out.cov[-1, 1, 1])))
    return Apogee(height, u, float(tn[j]), int(tn.size), spike, at_end, max(climb, 0.0))


def _over_hole(t: Floats, mean: Floats, n: int, height: float) -> float:
    """Return how high the free flight may have gone between two believed samples."""
    gaps = np.diff(t)
    k = int(np.argmax(gaps))
    if n < 3 or gaps[k] < 0.2:
        return 0.0
    speed = max(float(mean[k, 1]), 0.0)
    return max(float(mean[k, 0]) + speed**2 / (2 * 9.8) - height, 0.0)


def landing_time(series: Series, top: float) -> float | None:
    """Return when the height comes to rest near the ground after the apogee, or None."""
    t, h = series.time, series.values
    after = t > top
    if np.count_nonzero(after) < 20:
        return None
    highest = float(np.max(h[~after])) if (~after).any() else float(np.max(h))
    tail = t > t[-1] - max(3.0, 0.03 * (t[-1] - t[0]))
    level = float(np.median(h[tail]))
    if level > 0.25 * highest or float(np.ptp(h[tail])) > max(0.02 * highest, 5.0):
        return None
    limit = level + max(0.01 * highest, 2.0, 4 * series.step)
    high = np.flatnonzero(after & (h > limit))
    return float(t[min(high[-1] + 1, t.size - 1)]) if high.size else None
