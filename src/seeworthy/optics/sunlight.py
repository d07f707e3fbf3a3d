"""Light on level ground under a clear sky by the height of the sun.

Janiczek and DeYoung, USNO Circular 171 (1987): log10 of the illuminance in lx as a cubic of
the height in units of 90 degrees, by ranges of height; they state 5 to 10 % where the sun is
up. Cloud takes it down to a tenth and less.
"""

from __future__ import annotations

from seeworthy.ground.errors import BadQuantity

# USNO Circular 171: lowest height of each range, its cubic.
_RANGES: tuple[tuple[float, tuple[float, float, float, float]], ...] = (
    (20.0, (3.74, 3.97, -4.07, 1.47)),
    (5.0, (3.05, 13.28, -45.98, 64.33)),
    (-0.8, (2.88, 22.26, -207.64, 1034.30)),
    (-5.0, (2.88, 21.81, -258.11, -858.36)),
    (-12.0, (2.70, 12.17, -431.69, -1899.83)),
    (-18.0, (13.84, 262.72, 1447.42, 2797.93)),
)


def clear_sky_lux(height: float) -> float:
    """Return the illuminance in lx for the sun at a height in degrees, -18 to 90.

    Raises:
        BadQuantity: Out of that range.
    """
    if not -18 <= height <= 90:
        raise BadQuantity(
            f"A sun at {height:g}° gives no light to speak of here.",
            "Give its height above the horizon, from -18 to 90 degrees.",
        )
    terms = next(c for low, c in _RANGES if height >= low)
    x = height / 90
    return float(10 ** sum(c * x**i for i, c in enumerate(terms)))
