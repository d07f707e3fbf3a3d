"""Height above the pad over the whole flight, from the barometer alone.

A smoother that also holds an accelerometer runs along the path: its "height" is the way
flown. On a launch of 20 degrees that is three times the height, so whatever is drawn or
planned as height comes from here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.flight import Curve
from seeworthy.procedures.load.height import COAST_JERK, LAG, PORT, run
from seeworthy.procedures.load.series import Series

Floats = NDArray[np.float64]

LATE = LAG
"""Standard uncertainty of a barometer's delay where nothing tells it, s: the root mean square of
half a bell curve about zero."""
_PUSH_JERKS = (1e2, 1e3, 1e4, 1e5)  # (m/s³)²·s: a decade apart, the likeliest is taken
_FLIGHT_JERKS = (COAST_JERK, 60.0, 600.0)


def measured_height(
    series: Series, bad: NDArray[np.bool_], sigma: float, u_air: float, push: tuple[float, float]
) -> Curve:
    """Smooth the measured heights.

    Args:
        series: m above the pad.
        bad: Samples not believed.
        sigma: White noise, m.
        u_air: Relative standard uncertainty from the air's temperature.
        push: (float, float). Launch and burnout, s: there the height may bend quickly.
    """
    t = series.time
    values = np.where(bad, np.nan, series.values)
    noise = np.full(t.size, sigma**2 + 0.05**2)
    step = series.period
    fast = (t >= push[0] - 2 * step) & (t <= push[1] + max(0.5, 4 * step))
    best = None
    for flight in _FLIGHT_JERKS:
        for hard in _PUSH_JERKS:
            out = run(t, values, noise, np.where(fast, hard, flight))
            if best is None or out.log_likelihood > best.log_likelihood:
                best = out
    assert best is not None
    height, speed = best.mean[:, 0], np.abs(best.mean[:, 1])
    own = np.clip(best.cov[:, 0, 0], 0, None)
    port = PORT / 2 * speed**2 / (2 * G0)
    late = LATE * np.where(fast | (t < push[1] + 2.0), speed, 0.0)
    u = np.sqrt(own + sigma**2 / 4 + port**2 + late**2 + (u_air * height) ** 2)
    return Curve(t, height, np.asarray(u))
