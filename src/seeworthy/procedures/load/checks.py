"""What physics says about the units a log was read in."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.procedures.load.accel import Boost, Felt
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.fuse import Track
from seeworthy.procedures.load.height import LAG, PORT_U
from seeworthy.procedures.load.series import Series

Floats = NDArray[np.float64]

FEET = 3.28084
"""Feet in a metre (exactly 1/0.3048)."""
KEPT = 0.5
"""Share of the speed at burnout down to which a coast is looked at, for half a second at least;
a judgement."""
SLOW, CLIMB = 0.2, 20.0
"""Share of that speed at which the whole climb is compared, and the least climb, m: the error of a
static port, which goes with the square of speed, counts least there; a judgement."""
APART = 0.04
"""What scale of the accelerometer, wind and a path not quite upright leave between the speeds of
the two sensors after burnout, relative; a judgement."""
UNIT = "unit"
"""Reason of a refusal: something is in another unit than it was read in."""


def _felt_coast(felt: Felt, boost: Boost) -> tuple[Floats, Floats, Floats]:
    """Return time, speed and height after burnout as the accelerometer tells them.

    Where its record ends within ten seconds it goes on as it braked on the average.
    """
    after = felt.time >= boost.burnout
    t, y = felt.time[after], felt.along[after]
    if t.size < 4:
        t, y = np.array([boost.burnout]), np.array([-G0])
    more = np.arange(0.1, 10.0 + boost.burnout - t[-1], 0.1)
    t, y = np.r_[t, t[-1] + more], np.r_[y, np.full(more.size, float(np.mean(y)))]
    v = boost.speed + np.r_[0.0, np.cumsum((y[1:] + y[:-1]) / 2 * np.diff(t))]
    return t, v, np.r_[0.0, np.cumsum((v[1:] + v[:-1]) / 2 * np.diff(t))]


def _climbs_apart(
    series: Series, boost: Boost, felt: tuple[Floats, Floats, Floats], ends: float, until: float
) -> bool:
    """Tell whether the climb of the coast differs by more than port, delay and scale explain.

    Args:
        felt: Of `_felt_coast`.
        ends: Uncertainty of the ends of the push, relative.
        until: End of the accelerometer's record, s.
    """
    t, v, h = felt
    slow = t[v < SLOW * boost.speed]
    if not slow.size or slow[0] > min(series.time[-1], until):
        return False
    at = np.array([boost.burnout + 0.3, float(slow[0])])
    climb = float(np.diff(np.interp(at, series.time, series.values))[0])
    if climb < CLIMB:
        return False
    ratio = float(np.diff(np.interp(at, t, h))[0]) / climb
    fast, late = np.interp(at, t, v) / ratio
    port = PORT_U * (fast**2 - late**2) / (2 * G0) / climb
    parts = (port, LAG * (fast - late) / climb, ends, APART)
    return abs(ratio - 1) > coverage_factor() * float(np.linalg.norm(parts))


def check_against_height(felt: Felt, boost: Boost, series: Series, steep: bool) -> list[str]:
    """Compare the speed that the push gives with that of the height; empty where they agree.

    Raises:
        CannotMeasure: The two differ by a factor that only a wrong unit explains.
    """
    if boost.speed < 3:
        return []
    t, v, h = _felt_coast(felt, boost)
    start = boost.burnout + 0.3
    end = start + max(1.0, 0.3 * boost.speed / G0)
    slow = t[(v < KEPT * boost.speed) & (t > start + 0.5)]
    end = min(end, float(slow[0])) if slow.size else end
    part = (series.time >= start) & (series.time <= end)
    if np.count_nonzero(part) < 5:
        return []
    # The same line through the heights of both: gravity and drag brake all the while.
    times = series.time[part]
    climbed = float(np.polyfit(times, series.values[part], 1)[0])
    expected = float(np.polyfit(times, np.interp(times, t, h), 1)[0])
    middle = float(np.mean(times))
    brake = (float(np.interp(middle, t, v)) - boost.speed) / max(middle - boost.burnout, 1e-3)
    if expected <= 0 or (climbed <= 0 and expected < 15):
        return []
    ratio = expected / max(climbed, 1e-3)
    said = (
        f"The acceleration gives {boost.speed:.0f} m/s at burnout, the height "
        f"{climbed:.0f} m/s soon after"
    )
    # What port and delay make of a climb that is braked, the ends of the push and the scale.
    ends = float(np.hypot(boost.u_launch, boost.u_burnout)) / (boost.burnout - boost.launch)
    parts = (PORT_U * brake / G0, LAG * brake / max(climbed, 1e-3), ends, APART)
    apart = abs(ratio - 1) > coverage_factor() * float(np.linalg.norm(parts))
    apart = apart or _climbs_apart(series, boost, (t, v, h), ends, float(felt.time[-1]))
    if steep and climbed * (end - start) >= 10 and 0.45 < ratio < 2.2 and apart:
        return [f"{said[0].lower()}{said[1:]}"]
    # On a slanting path the height rises slower than the craft flies, never faster.
    if 0.45 < ratio < 2.2 or (ratio > 1 and not steep) or climbed * (end - start) < 10:
        return []
    guess = ""
    for factor, words in (
        (G0, "the acceleration may be in m/s2 but was read as g"),
        (1 / G0, "the acceleration may be in g but was read as m/s2"),
        (1 / 3.28, "the height may be in ft but was read as m"),
        (3.28, "the height may be in m but was read as ft"),
    ):
        if abs(np.log(ratio / factor)) < 0.3:
            guess = f": {words}"
    if guess:
        raise CannotMeasure(
            f"{said}{guess}.",
            "Give the right unit (option units=acceleration:g or units=height:ft) or the right "
            "columns (option columns=).",
            reason=UNIT,
        )
    return [said[0].lower() + said[1:]]


def check_fall(notes: list[str], track: Track, burnout: float, top: float) -> None:
    """Tell feet from metres by how the height falls off near the apogee.

    Raises:
        CannotMeasure: It falls off as heights in feet do that were read as metres, or as no free
            flight does.
    """
    span = top - burnout
    # Of a hop the curvature is known to some g only; a unit of time is wrong by ten or more.
    most = 2.5 if span >= 3 else 10.0
    part = (track.time > top - min(0.35 * span, 4.0)) & (track.time < top - 0.05 * span)
    if np.count_nonzero(part) < 8:
        return
    t, h = track.time[part], track.height[part]
    fall = -2 * float(np.polyfit(t - t[0], h, 2)[0])
    seen = f"Near its top the craft slows by {fall:.1f} m/s each second where gravity gives 9.8"
    if fall > most * G0 and (span < 3 or abs(fall / (G0 * FEET) - 1) >= 0.2):
        raise CannotMeasure(
            f"{seen}: the time or the heights are in another unit than they were read in.",
            "Say so with option units=time:ms (or s, us; 1/100 s has to be turned into s first) "
            "or units=height:ft.",
            reason=UNIT,
        )
    if span < 3:
        return
    # 20 %: drag at the speeds of the last seconds adds less, a slanting path takes less off.
    if abs(fall / (G0 * FEET) - 1) < 0.2:
        raise CannotMeasure(
            f"{seen}: the heights are in ft but were read as m.",
            "Say so with option units=height:ft.",
            reason=UNIT,
        )
    if abs(fall * FEET / G0 - 1) < 0.2:
        notes.append(
            f"{seen}: the heights may be in m (they were read as ft). If so, say "
            "option units=height:m."
        )
