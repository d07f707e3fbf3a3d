"""What the logger itself wrote about the flight, beside what was found here."""

from __future__ import annotations

from typing import Any

import numpy as np

from seeworthy.ground.quantities import convert
from seeworthy.media.logs import Log
from seeworthy.procedures.load.flight import Flight
from seeworthy.procedures.load.guards import figure

OWN_U = 0.05
"""Relative standard uncertainty of a logger's own figures: filters, standard air; a judgement."""
FAR = 1.5
"""Factor of disagreement beyond which a speed that only one sensor carries is not given."""
_SPEED_UNITS = ("m/s", "ft/s", "mph", "km/h")
_HEIGHT_UNITS = ("m", "ft")


def compare(flight: Flight, logs: list[Log]) -> dict[str, Any]:
    """Compare with the logger's own largest speed and height.

    Returns:
        Measurand to ``{"logger", "here", "agree"}`` in SI; empty where the logger wrote none.

    A speed here that rests on one sensor alone and stands against the logger's by more than half
    is left out of the flight, and named; where two sensors agree here, they stand.
    """
    found: dict[str, Any] = {}
    for name, told in (("max_speed", _speeds(flight, logs)), ("apogee", _heights(logs))):
        here = figure(flight, name)
        if here is None or not told:
            continue
        u = float(np.hypot(here.u, OWN_U * here.value))
        own = min(told, key=lambda x: abs(np.log(max(x, 1e-6) / max(here.value, 1e-6))))
        least, most = here.low - 2 * OWN_U * own, here.high + 2 * OWN_U * own
        agree = least <= own <= most if here.bound else abs(own - here.value) <= 2 * u
        found[name] = {"logger": round(own, 2), "here": round(here.value, 2), "agree": agree}
    speed = found.get("max_speed")
    if speed is not None and not speed["agree"]:
        factor = max(speed["logger"], 1e-6) / max(speed["here"], 1e-6)
        alone = flight.method != "fused"
        far = not 1 / FAR < factor < FAR
        flight.notes.append(
            f"The logger itself wrote a largest speed of {speed['logger']:.0f} m/s, here it is "
            f"{speed['here']:.0f} m/s: they do not agree."
        )
        if alone and far:
            reason = (
                f"{speed['here']:.0f} m/s, from one sensor alone, against "
                f"{speed['logger']:.0f} m/s that the logger wrote"
            )
            flight.leave_out(("max_speed", "mean_boost_acceleration"), reason)
    return found


def _speeds(flight: Flight, logs: list[Log]) -> list[float]:
    """Return the logger's largest speed, in every unit it may be in, m/s."""
    top = flight.events.get("apogee", np.inf)
    for log in logs:
        if log.told.speed is not None:
            value, unit = log.told.speed
            return [value * convert(1.0, u, "m/s") for u in ((unit,) if unit else _SPEED_UNITS)]
    for log in logs:
        column = log.first("speed")
        if column is None or column.time is None:
            continue
        t, v = log.series(column)
        if t.size < 5:
            continue
        # Two samples as large: one alone may be a broken cell. Clocks of two logs may differ.
        rising = v[t <= top + 1.0] if len(logs) == 1 else v
        if rising.size < 3:
            rising = v
        largest = float(np.sort(np.abs(rising))[-2])
        sure = column.unit_from in ("header", "user", "text")
        factors = [convert(1.0, u, "m/s") for u in _SPEED_UNITS]
        return [largest] if sure else [largest * f for f in factors]
    return []


def _heights(logs: list[Log]) -> list[float]:
    """Return the logger's own greatest height above where its log begins, m."""
    for log in logs:
        if log.told.apogee is not None:
            value, unit = log.told.apogee
            return [value * convert(1.0, u, "m") for u in ((unit,) if unit else _HEIGHT_UNITS)]
    for log in logs:
        column = log.first("height")
        if column is None or log.first("pressure") is None:
            continue  # the height that is measured here says nothing of itself
        y = column.si()[np.isfinite(column.si())]
        if y.size < 5:
            continue
        rise = float(np.sort(y)[-2] - np.median(y[:3]))
        sure = column.unit_from in ("header", "user", "text")
        return [rise] if sure else [rise, rise * convert(1.0, "ft", "m")]
    return []
