"""What a log's numbers say by themselves where no header does: quantity and unit."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]

# Air between sea level and 9 km has 1084 to 300 hPa (ISO 2533).
_PRESSURES = (("Pa", 3e4, 1.1e5), ("hPa", 300.0, 1100.0), ("kPa", 30.5, 110.0))
_PRESSURE_RANGES = (*_PRESSURES, ("inHg", 16.5, 30.4))


def unit_by_size(quantity: str, data: Doubles) -> str:
    """Tell the unit where the numbers leave no doubt, else ``""``.

    Args:
        data: Finite values only.
    """
    middle = float(np.median(np.abs(data)))
    if quantity == "pressure":
        return next((u for u, low, high in _PRESSURE_RANGES if low <= middle <= high), "")
    if quantity == "time" and data.size > 2:
        step = float(np.median(np.diff(data)))
        whole = bool(np.all(data == np.round(data)))
        # Whole numbers that step by 2 or more per sample: counters of milli- or microseconds.
        if whole and step >= 2:
            return "us" if step >= 2000 else "ms"
    if quantity == "acceleration":
        # A logger at rest before launch reads 1 g.
        rest = float(np.median(np.abs(data[: max(3, data.size // 50)])))
        if 0.8 <= rest <= 1.2:
            return "gee"
        if 9.3 <= rest <= 10.3:
            return "m/s2"
    return ""


def is_counter(data: Doubles) -> bool:
    """Tell whether numbers (finite, in file order) only count the rows: 0, 1, 2 …"""
    return data.size > 2 and bool(np.all(np.diff(data) == 1)) and float(data[0]) in (0.0, 1.0)


def quantity_by_shape(columns: list[Doubles]) -> list[str]:
    """Tell pressure, height, speed and acceleration apart in columns without a header.

    Args:
        columns: list of array, (rows,). Without the time; NaN allowed.

    Returns:
        ``pressure``, ``height``, ``acceleration`` or ``""`` for each.

    Notes:
        Air pressures have the size of air and a dip. A height changes little from sample to
        sample against its span (a thousandth of the flight each), rises once and comes back or
        ends high; an acceleration has shocks. What hardly moves (voltage, temperature) stays
        nameless, and so does what fits none: the user names it.
    """
    kinds = [_shape(data[np.isfinite(data)]) for data in columns]
    # Of several smooth columns the one with the largest span is the height, not the speed.
    smooth = [i for i, kind in enumerate(kinds) if kind == "height"]
    if len(smooth) > 1:
        largest = max(smooth, key=lambda i: float(np.nanmax(columns[i]) - np.nanmin(columns[i])))
        kinds = [k if k != "height" or i == largest else "" for i, k in enumerate(kinds)]
    return kinds


def _shape(y: Doubles) -> str:
    if y.size < 20:
        return ""
    low, middle, high = (float(np.quantile(y, q)) for q in (0.01, 0.5, 0.99))
    span = high - low
    # Under 2 % of its own size it is a supply voltage or a thermometer; a judgement.
    if span <= 0.02 * max(abs(middle), 1e-9):
        return ""
    step = float(np.median(np.abs(np.diff(y, 2)))) / span
    extreme = int(np.argmax(y)), int(np.argmin(y))
    for _, least, most in _PRESSURES:
        inside = least <= low and high <= most
        if inside and y[0] > low + 0.5 * span and extreme[1] > 0 and step < 0.05:
            return "pressure"
    if step < 0.02 and float(y[0]) < low + 0.3 * span and extreme[0] > 0:
        return "height"
    rest = float(np.median(np.abs(y[: max(3, y.size // 50)])))
    shocks = float(np.max(np.abs(y))) > 5 * max(rest, 1e-9)
    if shocks and (0.8 <= rest <= 1.2 or 9.3 <= rest <= 10.3):
        return "acceleration"
    return ""
