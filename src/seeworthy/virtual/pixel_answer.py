"""How far a screen's pixel has gone over to an update, on average over an exposure."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def gathered_share(start: Array, exposure: float, response: float) -> Array:
    """Mean of ``1 - exp(-t / response)`` from 0 on, over exposures that begin at `start`.

    Args:
        start: Beginning of each exposure after the update, s; negative before it.
        exposure, response: Seconds; a `response` of 0 is a pixel that answers at once.
    """

    def gathered(t: Array) -> Array:
        t = np.maximum(t, 0.0)
        if response <= 0:
            return t
        return t - response * (1 - np.exp(-t / response))

    return (gathered(start + exposure) - gathered(start)) / exposure
