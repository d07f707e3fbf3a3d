"""After burnout: apogee, flight on acceleration alone, shocks, landing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.uncertainty import interval, lower
from seeworthy.procedures.load.accel import Boost, Felt
from seeworthy.procedures.load.apogee import Apogee, apogee, landing_time
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.flight import CREST, Flight
from seeworthy.procedures.load.series import Series

SCALE_LATE = 0.03
"""Relative standard uncertainty of a shock: scale, and the axes that did not see it."""

SHOCK_SAMPLES = 3
"""Samples above half of a shock from which its peak is told: of half a sine, its commonest shape,
the largest of three is 13 % low at most (derived)."""

BOUNCE = 2.0
"""A craft bounces and rolls for less than this after it touched down, s; a judgement."""


def top(
    flight: Flight,
    series: Series,
    good: NDArray[np.bool_],
    sigma: float,
    u_air: float,
    after: float,
    u_more: float = 0.0,
) -> None:
    """Add apogee and landing from the height log."""
    high = apogee(series, good, sigma, after)
    rest = int(np.count_nonzero(series.time < flight.events.get("launch", series.time[0])))
    u_zero = sigma / np.sqrt(max(rest, 1))
    u = float(np.sqrt(high.u**2 + u_zero**2 + u_more**2 + (u_air * high.height) ** 2))
    if high.at_end:
        _ends_climbing(flight, high, u)
        return
    flight.events["apogee"] = high.time
    flight.add("apogee", high.height, u, high.n)
    if high.spike > 0:
        flight.facts["pressure_spike"] = {
            "highest_sample_m": round(high.height + high.spike, 2),
            "samples_left_out": int(np.count_nonzero(~good)),
        }
        flight.notes.append(
            f"{int(np.count_nonzero(~good))} heights that no free flight reaches were left out "
            f"(up to {high.height + high.spike:.0f} m): a pressure wave, such as an "
            "ejection charge makes."
        )
    down = landing_time(series, high.time)
    if down is not None:
        flight.events["landing"] = down


def _ends_climbing(flight: Flight, high: Apogee, u: float) -> None:
    """Give the last height as a lower bound: the top is not in the log.

    A coast without drag goes on for v²/2g (any textbook of mechanics); a slow climb may go on
    to `CREST` times the height, a judgement.
    """
    said = "The log ends while the craft climbs: the apogee is not in it"
    if not np.isfinite(high.climb):
        flight.facts.setdefault("left_out", []).append("apogee: the log ends in the climb")
        flight.notes.append(f"{said}, so there is no figure for it.")
        return
    most = high.height + high.climb**2 / (2 * G0) if flight.boosted else CREST * high.height
    flight.bound("apogee", high.height, u, interval(most, u)[1], high.n, "")
    flight.facts.setdefault("lower_bound", []).append("apogee")
    flight.notes.append(f"{said}; the last height is a lower bound.")


def ballistic(flight: Flight, felt: Felt, boost: Boost) -> None:
    """Acceleration alone: fly on from burnout on what the sensor reads until speed is gone."""
    t, y = felt.time, (felt.along - flight.track.bias) / (1 + flight.track.scale)
    after = t >= boost.burnout
    if np.count_nonzero(after) < 5:
        return
    v0 = float(np.interp(boost.burnout, flight.track.time, flight.track.speed))
    h0 = float(np.interp(boost.burnout, flight.track.time, flight.track.height))
    ta, ya = t[after], y[after]
    v = v0 + np.r_[0, np.cumsum((ya[1:] + ya[:-1]) / 2 * np.diff(ta))]
    gone = np.flatnonzero(v <= 0)
    if not gone.size:
        flight.notes.append("The log ends before the apogee.")
        return
    stop = int(gone[0]) + 1
    h = h0 + np.r_[0, np.cumsum((v[1:stop] + v[: stop - 1]) / 2 * np.diff(ta[:stop]))]
    coast = float(ta[stop - 1] - boost.burnout)
    u_speed = next(f.u for f in flight.figures if f.measurand == "max_speed")
    # Bias and scale grow with time; some degrees off the vertical cost a few per cent.
    u = np.sqrt(
        (u_speed * (coast + boost.burnout - boost.launch)) ** 2
        + (felt.u_bias * coast**2 / 2) ** 2
        + (0.04 * h[-1]) ** 2
    )
    flight.events["apogee"] = float(ta[stop - 1])
    flight.add("apogee", float(h[-1]), float(u), stop)
    flight.notes.append("The apogee comes from acceleration alone, for a straight climb.")


def after_boost(flight: Flight, felt: Felt, boost: Boost) -> None:
    """Report shocks after burnout: ejection and landing."""
    t = felt.time
    late = np.flatnonzero(t > boost.burnout + max(0.5, 0.5 * (boost.burnout - boost.launch)))
    if late.size < 8:
        return
    landing = _landing_shock(flight, felt, late)
    if landing is not None:
        k = landing[0]
        _give_landing(flight, felt, *landing)
        late = late[t[late] < t[k] - 1.0]
    if late.size < 8:
        return
    k = int(late[np.argmax(np.abs(felt.along[late]))])
    boost_peak = next(f for f in flight.figures if f.measurand == "peak_acceleration")
    shock = abs(float(felt.along[k]))
    if shock < 3 * G0 or shock < 0.5 * boost_peak.value:
        return
    u = float(np.sqrt((SCALE_LATE * shock) ** 2 + G0**2 / 3 + felt.sigma**2))
    flight.events["largest_shock"] = float(t[k])
    phase = "ejection" if abs(t[k] - flight.events.get("apogee", np.inf)) < 5 else "after boost"
    if shock > boost_peak.value:
        flight.add("peak_acceleration", shock, u, 1, phase)
        flight.add("felt_peak", shock / G0, u / G0, 1, phase)
        flight.notes.append(
            f"A shock of {shock / G0:.1f} g at {t[k]:.2f} s ({phase}) is harder than the boost; "
            "it is given on its own line."
        )


def _give_landing(flight: Flight, felt: Felt, k: int, value: float) -> None:
    flight.events["landing"] = float(felt.time[k])
    # The attitude at touch-down is unknown, so is gravity's share.
    u = float(np.hypot(G0 / np.sqrt(3), 0.05 * value))
    away = np.abs(felt.along - np.median(felt.along[-10:]))
    low = np.flatnonzero(away < away[k] / 2)
    before, behind = low[low < k], low[low > k]
    first = int(before[-1]) + 1 if before.size else 0
    last = int(behind[0]) if behind.size else away.size
    if last - first < SHOCK_SAMPLES:
        # Between samples it may have been any times as hard.
        least = lower(value, u)
        flight.add("landing_peak", least, u, 1, "landing", (least, np.inf), True)
        flight.facts.setdefault("lower_bound", []).append("landing_peak")
        return
    least, most = interval(value, u)
    few = CREST * value if felt.axes == 1 else most
    span = (least, max(few, most))
    flight.add("landing_peak", value, max(u, (few - value) / 4), 1, "landing", span)


def _landing_shock(flight: Flight, felt: Felt, late: NDArray[np.intp]) -> tuple[int, float] | None:
    """Return sample and size of the touch-down shock when the log goes on at rest after it."""
    t = felt.time
    tail = t > t[-1] - max(1.0, 0.02 * (t[-1] - t[0]))
    if np.count_nonzero(tail) < 10 or float(np.std(felt.felt[tail])) > max(6 * felt.sigma, 0.5):
        return None
    # The shock that ends in the rest, not the largest: a drogue may have opened harder.
    lying = float(np.median(felt.felt[tail]))
    moved = late[np.abs(felt.felt[late] - lying) > max(6 * felt.sigma, 2.0)]
    if not moved.size:
        return None
    last = late[(t[late] > t[moved[-1]] - BOUNCE) & (t[late] <= t[moved[-1]])]
    k = int(last[np.argmax(np.abs(felt.along[last]))])
    after_top = t[k] > flight.events.get("apogee", -np.inf) + 1.0
    down = flight.events.get("landing")
    if not after_top or (down is not None and abs(t[k] - down) > 5.0):
        return None
    if felt.axes > 1 and felt.gravity == "included":
        value = float(felt.felt[k]) - G0
    else:
        value = abs(float(felt.along[k]))
    return (k, value) if value > G0 else None
