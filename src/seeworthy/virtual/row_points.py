"""Points of frames whose rows are read one after the other: the definition, no picture."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Way = Callable[[Floats], Floats]
"""Where a far point stands at moments (…), px (…, 2)."""
Depth = Callable[[Floats], Floats]
"""How much of that a point moves at a height in the picture, -0.5 (top) to 0.5."""


def shaken(rng: np.random.Generator, size: float) -> Way:
    """Return a way of five waves of 0.3 to 8 Hz on each axis, `size` px at 1 Hz at the most."""
    f = rng.uniform(0.3, 8.0, (2, 5))
    a = rng.uniform(0.3, 1.0, (2, 5)) * size / np.sqrt(f)
    p = rng.uniform(0, 2 * math.pi, (2, 5))

    def way(t: Floats) -> Floats:
        axes = [
            (a[i] * np.sin(2 * math.pi * f[i] * t[..., None] + p[i])).sum(axis=-1) for i in (0, 1)
        ]
        return np.stack(axes, axis=-1)

    return way


def points_of(
    way: Way,
    readout: float,
    count: int,
    rate: float,
    rng: np.random.Generator,
    *,
    window: Floats | None = None,
    depth: Depth | None = None,
    size: tuple[int, int] = (640, 360),
    points: int = 90,
    noise: float = 0.05,
) -> list[Floats]:
    """Return ``x0, y0, x1, y1`` of points of neighbouring frames, `count` arrays.

    Args:
        way: Of the scene in the picture.
        readout: From the first row to the last, s; negative from the bottom.
        count: Pairs of frames.
        rate: Frames per second.
        rng: Of places and errors.
        window: What a steadying camera takes out, (count + 1, 2) px.
        depth: Of the scene; far everywhere without one.
        size: Of the picture, px.
        points: Of each pair.
        noise: Error of following, px.
    """
    width, height = size
    found = []
    for k in range(count):
        place = rng.uniform((20, 20), (width - 20, height - 20), (points, 2))
        high = place[:, 1] / height - 0.5
        late = high * readout
        step = way((k + 1) / rate + late) - way(k / rate + late)
        if depth is not None:
            step = step * depth(high)[:, None]
        if window is not None:
            step = step - (window[k + 1] - window[k])
        after = place + step + noise * rng.standard_normal((points, 2))
        found.append(np.hstack([place, after]))
    return found
