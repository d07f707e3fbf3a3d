"""Height logs from pressure or from an altimeter's own heights, for the air of the day."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.load.atmosphere import (
    height_above,
    pressure_height,
    site_from_readings,
    standard_pressure,
    standard_temperature,
)
from seeworthy.procedures.load.series import Series, without_wild


@dataclass(frozen=True, slots=True)
class Heights:
    """A height log above the pad.

    Attributes:
        series: m above the pad.
        u_air: Relative standard uncertainty from the air's temperature.
        pad_pressure: Pa; NaN for a log of heights.
        pad_known: Pressure or height of the pad above the sea is known, from log or reading.
    """

    series: Series
    u_air: float
    from_pressure: bool
    pad_pressure: float = float("nan")
    pad_known: bool = True


PAD, PAD_U = 500.0, 500.0
"""Height of a pad above the sea where nothing tells it, and its standard uncertainty, m: half of
all land lies below 400 m, hardly a launch site above 1500 m (a judgement)."""


def from_pressure(
    series: Series,
    pressure: float | None = None,
    temperature: float | None = None,
    height: float | None = None,
    u_temperature: float = 0.0,
) -> Heights:
    """Turn a pressure log into heights above the pad.

    Args:
        series: Pa.
        pressure, temperature, height: Readings at the launch site: Pa, K, m above the sea; None
            where not read.

    Raises:
        CannotMeasure: Pressures that are not those of air.
    """
    middle = float(np.median(series.values))
    if not 500.0 < middle < 120000.0:
        raise CannotMeasure(
            f"A pressure of {middle:.4g} Pa in the middle of the log is not that of air.",
            "The unit is another one: say units=pressure:hPa (or kPa, inHg, psi).",
        )
    good = series.part((series.values > 200.0) & (series.values < 120000.0))
    pad = float(np.median(good.values[: max(3, min(10, good.values.size // 20))]))
    # A sensor's offset moves all its pressures; the site's own barometer takes it out.
    offset = 0.0 if pressure is None else pressure - pad
    if abs(offset) > 3000.0:
        raise CannotMeasure(
            f"The log reads {pad / 100:.0f} hPa on the pad, the site reading is "
            f"{(pad + offset) / 100:.0f} hPa.",
            "Give the pressure at the site itself, not the one reduced to sea level.",
        )
    site = site_from_readings(pad + offset, temperature, height, u_temperature)
    rise, _ = height_above(good.values + offset, site)
    metres = float(abs(height_above(site.pressure - 1.0, site)[0]))
    shifted = replace(good, values=rise, step=series.step * metres)
    return Heights(without_wild(shifted), _u_air(site.pressure, site.u_warmer), True, pad)


def from_heights(
    series: Series,
    pressure: float | None = None,
    temperature: float | None = None,
    height: float | None = None,
    u_temperature: float = 0.0,
) -> Heights:
    """Turn an altimeter's heights (above the pad or the sea) into true heights above the pad.

    An altimeter turns pressure into height by the standard atmosphere; its pressures are
    won back and turned into height again with the temperature of the day.
    """
    first = float(np.median(series.values[:3]))
    if not -4000.0 < first < 46000.0:  # as far as the standard atmosphere is turned around below
        raise CannotMeasure(
            f"The log begins at a height of {first:.4g} m, which nothing here reaches.",
            "Name the unit with units=height:ft, or another column with columns=height:HEADER.",
        )
    if pressure is not None:
        base = float(pressure_height(pressure))
    elif height is not None:
        base = height
    else:
        base = first if abs(first) > 50.0 else 0.0
    pad = float(standard_pressure(base))
    known = pressure is not None or height is not None or base != 0.0
    if temperature is not None and not known:
        # What is standard at the pad, and so how much warmer the air is, depends on its height.
        pad = float(standard_pressure(PAD))
        u_temperature = float(np.hypot(u_temperature, 0.0065 * PAD_U))
        base = PAD
    site = site_from_readings(pad, temperature, height, u_temperature)
    clipped = np.clip(series.values - first + base, -4000.0, 46000.0)
    rise, _ = height_above(standard_pressure(clipped), site)
    # A relative log keeps its own zero: it may begin in flight.
    zero = first if abs(first) <= 50.0 else 0.0
    return Heights(
        without_wild(replace(series, values=rise + zero)), _u_air(pad, site.u_warmer), False,
        pad_known=known,
    )  # fmt: skip


def _u_air(pad: float, u_warmer: float) -> float:
    return u_warmer / float(standard_temperature(pressure_height(pad)))
