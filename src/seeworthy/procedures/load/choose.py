"""Accelerometer and barometer of one flight: together where they agree, else the sound one.

Each is a witness of the same flight. Where the two cannot both be right, the one that its
own record (free fall near the top, the length of the coast, a launch with a flight behind
it) contradicts is left out and named; where that names neither, there is no answer.
"""

from __future__ import annotations

import numpy as np

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.load.accel import Boost, Felt
from seeworthy.procedures.load.air import Heights
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.boost import tell_sensor
from seeworthy.procedures.load.checks import UNIT, check_against_height
from seeworthy.procedures.load.climb import by_height
from seeworthy.procedures.load.flight import Flight
from seeworthy.procedures.load.guards import coasts, contradictions
from seeworthy.procedures.load.pad import LEAST_RISE
from seeworthy.procedures.load.pushed import STEEP, Setting, with_boost
from seeworthy.procedures.load.vents import DIP_SHARE, dip_depth

__all__ = ["Setting", "choose", "without_false_boost"]

_BOOST = (
    "peak_acceleration", "mean_boost_acceleration", "felt_peak", "boost_time", "max_speed",
)  # fmt: skip


def choose(felt: Felt, boost: Boost, heights: Heights, setting: Setting, rose: bool) -> Flight:
    """Return the flight by both sensors, or by the one that physics does not contradict.

    Args:
        felt, boost: From the accelerometer.
        rose: The height log shows a rise.

    Raises:
        CannotMeasure: The log never left the pad, a unit is wrong, or neither sensor can be
            believed.
    """
    steep = felt.sin_path > STEEP
    if not rose:
        _refuse_pad(felt, boost, heights)
    wrong: list[str] = []
    try:
        flight = with_boost(felt, boost, heights, setting)
        stuck = felt.stuck(boost.launch, boost.burnout) or boost.open_start
        if not stuck:
            series = heights.series if setting.shared else None
            wrong = check_against_height(felt, boost, series, steep) if series is not None else []
        wrong = wrong or contradictions(flight, steep)
        if not wrong:
            return flight
    except np.linalg.LinAlgError:
        wrong = ["the two do not fit one flight at all"]
    return _the_sound_one(felt, boost, heights, setting, wrong[0])


def _the_sound_one(
    felt: Felt, boost: Boost, heights: Heights, setting: Setting, reason: str
) -> Flight:
    steep = felt.sin_path > STEEP
    by_air = _height_alone(heights)
    sound_air = by_air is not None and by_air.boosted
    by_push = (
        with_boost(felt, boost, None, setting)
        if steep and coasts(felt, boost) is not False
        else None
    )
    sound_push = by_push is not None and not contradictions(by_push, steep)
    if by_air is not None and (sound_air or not sound_push):
        words = f"acceleration: with it {reason}"
        by_air.notes.append(f"The accelerometer was left out: with it {reason}.")
        by_air.facts.setdefault("left_out", []).append(words)
        tell_sensor(by_air, felt)
        return by_air
    if sound_push:
        assert by_push is not None
        by_push.notes.append(f"The height log was left out: with it {reason}.")
        by_push.facts["left_out"] = [f"height: with it {reason}"]
        return by_push
    raise CannotMeasure(
        f"Acceleration and height contradict each other, and neither fits a flight: {reason}.",
        "Check columns= and units=; give one of the two alone with columns=.",
    )


def _height_alone(heights: Heights) -> Flight | None:
    try:
        return without_false_boost(by_height(heights), heights)
    except CannotMeasure as error:
        if error.reason == UNIT:
            raise
        return None


def without_false_boost(flight: Flight, heights: Heights) -> Flight:
    """Leave out a boost by height that its own coast or a dip at the vents contradicts."""
    if not flight.boosted:
        return flight
    wrong = contradictions(flight, True)
    depth = dip_depth(heights.series, flight.events.get("launch"), flight.events.get("burnout"))
    if depth > 0 and depth > DIP_SHARE * _boost_height(flight):
        leave_out_boost(
            flight,
            f"the height dips by {depth:.0f} m around lift-off, which is wind or suction at the "
            "vents and no flight",
        )
    elif wrong:
        leave_out_boost(flight, f"the heights around the launch contradict the flight: {wrong[0]}")
    return flight


def _boost_height(flight: Flight) -> float:
    curve = flight.height
    if curve is None:
        return 0.0
    launch, end = flight.events.get("launch", 0.0), flight.events.get("burnout", 0.0)
    return float(np.diff(np.interp([launch, end], curve.time, curve.value))[0])


def leave_out_boost(flight: Flight, reason: str) -> None:
    """Take the figures of the boost out of a flight by height and say why."""
    flight.figures = [f for f in flight.figures if f.measurand not in _BOOST]
    flight.events.pop("burnout", None)
    flight.boosted = False
    flight.facts["boost"] = f"left out: {reason}"
    flight.facts.pop("lower_bound", None)
    left = flight.facts.setdefault("left_out", [])
    left.append(f"boost: {reason}")
    flight.notes = [n for n in flight.notes if "lower bounds" not in n]
    flight.notes.append(f"No figures of the boost: {reason}.")


def _refuse_pad(felt: Felt, boost: Boost, heights: Heights) -> None:
    """Refuse what looks like a push while the height never left the pad."""
    span = float(np.ptp(heights.series.values))
    # A launch of ten degrees at least: a glider thrown flat climbs some metres, not more.
    flown = (max(felt.sin_path, 0.17) * boost.speed) ** 2 / (2 * G0)
    if flown < max(2 * LEAST_RISE, span):
        return
    raise CannotMeasure(
        "There is no launch in the log: it never left the pad. The acceleration would give "
        f"{boost.speed:.0f} m/s, the height stays within {span:.1f} m.",
        "Give the log of the flight; check columns= and units=.",
    )
