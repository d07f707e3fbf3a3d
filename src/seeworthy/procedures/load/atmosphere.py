"""Pressure and height in the standard atmosphere, moved to the air of a launch site.

Constants and layers of ISO 2533:1975 and the US Standard Atmosphere 1976, which
agree below 32 km. Heights are geopotential unless a name says geometric; for a
flight of a few kilometres the two differ by less than 0.1 %.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

G0 = 9.80665
"""Standard gravity, m/s²."""
GAS = 287.05287
"""Specific gas constant of dry air, J/(kg K)."""
P0 = 101325.0
"""Standard pressure at sea level, Pa."""
EARTH = 6356766.0
"""Effective earth radius of the geopotential, m."""
KAPPA = 1.4  # ratio of specific heats of air (ISO 2533:1975)

# Base height (m), base temperature (K), lapse (K/m) of each layer.
_BASES = np.array([0.0, 11000.0, 20000.0, 32000.0])
_TEMPERATURES = np.array([288.15, 216.65, 216.65, 228.65])
_LAPSES = np.array([-0.0065, 0.0, 0.001, 0.0028])


def _layer_pressures() -> Floats:
    out = [P0]
    for i in range(len(_BASES) - 1):
        out.append(out[-1] * float(_ratio(_BASES[i + 1] - _BASES[i], _TEMPERATURES[i], _LAPSES[i])))
    return np.array(out)


def _ratio(dh: ArrayLike, temperature: ArrayLike, lapse: ArrayLike) -> Floats:
    dh, temperature, lapse = np.broadcast_arrays(
        np.asarray(dh, float), np.asarray(temperature, float), np.asarray(lapse, float)
    )
    safe = np.where(lapse == 0, 1.0, lapse)
    sloped = (1 + safe * dh / temperature) ** (-G0 / (GAS * safe))
    return np.asarray(np.where(lapse == 0, np.exp(-G0 * dh / (GAS * temperature)), sloped))


_PRESSURES = _layer_pressures()


def _layer(height: Floats) -> NDArray[np.intp]:
    return np.clip(np.searchsorted(_BASES, height, side="right") - 1, 0, len(_BASES) - 1)


def standard_temperature(height: ArrayLike) -> Floats:
    """Return the temperature in K at a geopotential height in m (−5 km to 47 km)."""
    h = np.asarray(height, float)
    i = _layer(h)
    return np.asarray(_TEMPERATURES[i] + _LAPSES[i] * (h - _BASES[i]))


def standard_pressure(height: ArrayLike) -> Floats:
    """Return the pressure in Pa at a geopotential height in m (−5 km to 47 km)."""
    h = np.asarray(height, float)
    i = _layer(h)
    return np.asarray(_PRESSURES[i] * _ratio(h - _BASES[i], _TEMPERATURES[i], _LAPSES[i]))


def standard_density(height: ArrayLike) -> Floats:
    """Return the density in kg/m³ at a geopotential height in m."""
    return np.asarray(standard_pressure(height) / (GAS * standard_temperature(height)))


def standard_sound_speed(height: ArrayLike) -> Floats:
    """Return the speed of sound in m/s at a geopotential height in m."""
    return np.asarray(np.sqrt(KAPPA * GAS * standard_temperature(height)))


def pressure_height(pressure: ArrayLike) -> Floats:
    """Return the geopotential height in m at which the standard atmosphere has a pressure.

    Args:
        pressure: Pa; zero, negative and NaN give NaN.
    """
    p = np.asarray(pressure, float)
    good = np.where(p > 0, p, np.nan)
    i = np.clip(np.searchsorted(-_PRESSURES, -good, side="right") - 1, 0, len(_BASES) - 1)
    log = np.log(good / _PRESSURES[i])
    lapse = _LAPSES[i]
    safe = np.where(lapse == 0, 1.0, lapse)
    sloped = _TEMPERATURES[i] / safe * (np.exp(-log * GAS * safe / G0) - 1)
    return np.asarray(_BASES[i] + np.where(lapse == 0, -log * GAS * _TEMPERATURES[i] / G0, sloped))


def geometric(height: ArrayLike) -> Floats:
    """Turn geopotential into geometric height, both in m."""
    h = np.asarray(height, float)
    return np.asarray(EARTH * h / (EARTH - h))


def geopotential(height: ArrayLike) -> Floats:
    """Turn geometric into geopotential height, both in m."""
    z = np.asarray(height, float)
    return np.asarray(EARTH * z / (EARTH + z))


@dataclass(frozen=True, slots=True)
class LaunchSite:
    """The air at a launch site.

    Attributes:
        pressure: Pa, at the pad.
        warmer: How much warmer the air is than the standard atmosphere at that pressure, K.
        u_warmer: Its standard uncertainty over the height of the flight, K.
        height: Of the pad above the sea, m; only for the step to geometric height.
    """

    pressure: float
    warmer: float = 0.0
    u_warmer: float = 10.0
    height: float = 0.0


def height_above(pressure: ArrayLike, site: LaunchSite) -> tuple[Floats, Floats]:
    """Return the geometric height above the pad and its standard uncertainty from the air.

    The air is taken to be warmer than the standard by the same number of kelvin at every pressure,
    so the hypsometric equation gives ``H = H_std(p) − H_std(p_pad) + ΔT·(R/g)·ln(p_pad/p)``.

    Args:
        pressure: Pa.

    Returns:
        height, u: m. `u` grows with height; it is one common error, not noise.
    """
    p = np.asarray(pressure, float)
    per_kelvin = GAS / G0 * np.log(site.pressure / np.where(p > 0, p, np.nan))
    rise = pressure_height(p) - pressure_height(site.pressure) + site.warmer * per_kelvin
    base = float(geopotential(site.height))
    return geometric(base + rise) - site.height, np.abs(per_kelvin) * site.u_warmer


def site_from_readings(
    pressure: float | None,
    temperature: float | None,
    height: float | None,
    u_temperature: float = 0.0,
) -> LaunchSite:
    """Build a `LaunchSite` from what was read at the pad; what is missing costs uncertainty.

    Args:
        pressure: Pa; without it the standard pressure at `height`.
        temperature: Air temperature in K. Without it the standard one with u = 10 K, which is what
            seasons and times of day make of it. With it 1.5 K stays for the air above.
        height: m above the sea; 0 when unknown.
    """
    level = height or 0.0
    p = pressure if pressure is not None else float(standard_pressure(geopotential(level)))
    if temperature is None:
        return LaunchSite(p, 0.0, 10.0, level)
    standard = float(standard_temperature(pressure_height(p)))
    return LaunchSite(p, temperature - standard, float(np.hypot(u_temperature, 1.5)), level)
