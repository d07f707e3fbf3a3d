"""Two loggers in one craft: how far they disagree in time, scale, speed and apogee."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, optimize

from seeworthy.ground.uncertainty import interval
from seeworthy.procedures.load.air import Heights
from seeworthy.procedures.load.flight import Figure95, Flight
from seeworthy.procedures.load.guards import figure
from seeworthy.procedures.load.pad import rough_rise

Floats = NDArray[np.float64]


def compare_heights(first: Heights, second: Heights) -> dict[str, list[float]]:
    """Fit the second height log on the first: ``h₂(t) = s·h₁(t − lag) + c`` over the ascent.

    Returns:
        ``lag_s`` and ``scale``, each ``[value, low, high]`` at 95 %; empty where one of the
        logs shows no flight or they hardly overlap.

    Misses last from sample to sample, so the covariance is widened by ``(1 + r)/(1 − r)`` with
    `r` their correlation from one to the next.
    """
    one, two = first.series, second.series
    rises = [rough_rise(s, 0.5) for s in (one, two)]
    if rises[0] is None or rises[1] is None:
        return {}
    reach = (rises[1].start - 1.0, rises[1].top + 1.0)
    part = (two.time >= reach[0]) & (two.time <= reach[1])
    t, h = two.time[part], ndimage.median_filter(two.values, 3)[part]
    smooth = ndimage.median_filter(one.values, 3)
    if t.size < 12:
        return {}
    guess = rises[1].top - rises[0].top
    size = rises[1].height / rises[0].height

    def miss(x: Floats) -> Floats:
        at = np.interp(t - x[0], one.time, smooth)
        return np.asarray(x[1] * at + x[2] - h)

    fits = [
        optimize.least_squares(miss, [guess + d, size, 0.0], loss="soft_l1", f_scale=2.0)
        for d in (-0.5, 0.0, 0.5)
    ]
    best = min(fits, key=lambda f: f.cost)
    left = miss(best.x)
    r = float(np.clip(np.corrcoef(left[:-1], left[1:])[0, 1], 0.0, 0.98)) if t.size > 3 else 0.0
    spread = float(np.mean(left**2)) * (1 + r) / (1 - r)
    cov = np.linalg.pinv(best.jac.T @ best.jac) * spread
    # Neither log resolves a time better than some part of its sampling.
    u = np.sqrt(np.diagonal(cov))
    u_lag = float(np.hypot(u[0], max(one.period, two.period) / np.sqrt(12)))
    return {"lag_s": _span(best.x[0], u_lag), "scale": _span(best.x[1], float(u[1]))}


def compare_figures(first: Flight, second: Flight, shared: float) -> dict[str, list[float]]:
    """Return second minus first for speed and apogee, ``[value, low, high]`` at 95 %.

    Args:
        shared: Relative uncertainty of heights that both logs have in common (the air's
            temperature): it cancels in the difference.
    """
    found: dict[str, list[float]] = {}
    for name, key in (("max_speed", "max_speed_difference_m_s"), ("apogee", "apogee_difference_m")):
        a, b = figure(first, name), figure(second, name)
        if a is None or b is None or a.bound or b.bound:
            continue
        cut = shared if name == "apogee" else 0.0
        u = float(np.hypot(_own(a, cut), _own(b, cut)))
        found[key] = _span(b.value - a.value, u)
    return found


def words(name: str, found: dict[str, Any]) -> str:
    """Say in one sentence how a second log differs."""
    units = {
        "lag_s": ("s late", 2), "scale": ("times the height", 3),
        "max_speed_difference_m_s": ("m/s of speed", 1), "apogee_difference_m": ("m of apogee", 1),
    }  # fmt: skip
    parts, apart = [], False
    for key, (unit, digits) in units.items():
        if key not in found:
            continue
        value, low, high = found[key]
        parts.append(f"{value:.{digits}f} {unit} ({low:.{digits}f} to {high:.{digits}f})")
        neutral = 1.0 if key == "scale" else 0.0
        apart |= key != "lag_s" and not low <= neutral <= high
    verdict = "they differ" if apart else "they agree within their intervals"
    return f"Second log '{name}' against the first: {', '.join(parts)}; {verdict}."


def _own(f: Figure95, shared: float) -> float:
    return float(np.sqrt(max(f.u**2 - (shared * f.value) ** 2, (0.05 * f.u) ** 2)))


def _span(value: float, u: float) -> list[float]:
    return [round(float(x), 4) for x in (value, *interval(value, u))]
