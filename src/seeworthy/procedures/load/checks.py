"""What physics says about the units a log was read in."""

from __future__ import annotations

import numpy as np

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.procedures.load.accel import Boost, Felt
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.fuse import Track
from seeworthy.procedures.load.height import LAG, PORT_U
from seeworthy.procedures.load.series import Series

FEET = 3.28084
"""Feet in a metre (exactly 1/0.3048)."""
APART = 0.04
"""What scale of the accelerometer, wind and a path not quite upright leave between the speeds of
the two sensors after burnout, relative; a judgement."""
UNIT = "unit"
"""Reason of a refusal: something is in another unit than it was read in."""


def check_against_height(felt: Felt, boost: Boost, series: Series, steep: bool) -> list[str]:
    """Compare the speed that the push gives with that of the height; empty where they agree.

    Raises:
        CannotMeasure: The two differ by a factor that only a wrong unit explains.
    """
    if boost.speed < 3:
        return []
    start = boost.burnout + 0.3
    end = start + max(1.0, 0.3 * boost.speed / G0)
    part = (series.time >= start) & (series.time <= end)
    if np.count_nonzero(part) < 5:
        return []
    climbed = float(np.polyfit(series.time[part], series.values[part], 1)[0])
    middle = float(np.mean(series.time[part])) - boost.burnout
    # Gravity and drag have braked since burnout; the log's own coast says how much.
    coast = (felt.time > boost.burnout) & (felt.time < boost.burnout + middle)
    brake = float(np.mean(felt.along[coast])) if np.count_nonzero(coast) > 3 else -G0
    expected = boost.speed + max(brake, -0.6 * boost.speed / max(middle, 0.1)) * middle
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
    apart = coverage_factor() * float(np.linalg.norm(parts))
    if steep and climbed * (end - start) >= 10 and 0.45 < ratio < 2.2 and abs(ratio - 1) > apart:
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
