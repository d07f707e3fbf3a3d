"""Heights that wind and suction at the vents write below the pad around lift-off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from seeworthy.procedures.load.series import Series

LEAST_DIP = 4.0
"""Metres below the pad that no wind on a good vent makes: 50 Pa, the dynamic pressure of
9 m/s, is 4 m; deeper is a vent in the wrong place or the push itself."""
NEAR = 3.0
"""Seconds before launch and after burnout in which a dip is looked for; a judgement."""
DIP_SHARE = 0.1
"""Share of the boost's height that a dip may have before the boost cannot be told; a
judgement: it moves the mean push by about as much."""


def dips(series: Series, sigma: float, launch: float, burnout: float) -> NDArray[np.bool_]:
    """Mark samples around launch that stand below the pad, with those beside them.

    Args:
        series: m above the pad.
        sigma: White noise, m.
        launch, burnout: s.

    A craft does not sink into the ground, so everything from the last sample near the pad before
    the dip to as long after it as it lasted is not believed.
    """
    t, h = series.time, series.values
    near = (t > launch - NEAR) & (t < burnout + NEAR)
    deep = near & (h < -max(LEAST_DIP, 8 * sigma))
    if np.count_nonzero(deep) < 2:
        return np.zeros(t.size, bool)
    low = np.flatnonzero(near & (h < -max(1.0, 3 * sigma)))
    start, end = float(t[low[0]]), float(t[low[-1]])
    return np.asarray((t >= start) & (t <= end + (end - start)))


def dip_depth(series: Series, launch: float | None, burnout: float | None) -> float:
    """Return how far the height dips below what stood before it around launch, m; 0 for none.

    Args:
        series: Height, m; any zero.
        launch, burnout: s.
    """
    if launch is None:
        return 0.0
    t, h = series.time, series.values
    end = (launch if burnout is None else burnout) + NEAR
    before = h[t < max(launch - NEAR, float(t[0]) + 0.25)]
    level = float(np.median(before if before.size >= 3 else h[:3]))
    near = (t > launch - NEAR) & (t < end)
    low = np.sort(h[near])[:2]
    if low.size < 2:
        return 0.0
    noise = float(np.std(np.diff(before))) if before.size >= 8 else 0.3
    depth = level - float(low[1])
    return depth if depth > max(LEAST_DIP, 8 * noise) else 0.0
