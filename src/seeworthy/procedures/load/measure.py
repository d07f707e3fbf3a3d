"""Flight loads from the logs of one flight: arrays in, figures with uncertainty out.

``peak_acceleration`` and ``mean_boost_acceleration`` are kinematic (dv/dt along the
path); ``felt_peak`` is proper acceleration, what an accelerometer bolted to the camera
reads: dv/dt plus gravity. Launch is the first push, burnout the moment from which the
speed no longer rises (for a bungee: release).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.load.accel import Boost, Felt, check_size, into_flight
from seeworthy.procedures.load.air import Heights
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.boost import tell_sensor
from seeworthy.procedures.load.choose import Setting, choose, without_false_boost
from seeworthy.procedures.load.climb import by_height
from seeworthy.procedures.load.flight import Figure95, Flight
from seeworthy.procedures.load.guards import coasts, contradictions
from seeworthy.procedures.load.height import height_noise
from seeworthy.procedures.load.pad import Rise, cut_to_flight, rough_rise, several
from seeworthy.procedures.load.peak import cfc
from seeworthy.procedures.load.push import later_stages, launches
from seeworthy.procedures.load.pushed import STEEP, with_boost
from seeworthy.procedures.load.series import Series

__all__ = ["Figure95", "Flight", "Heights", "analyse"]

_CUT = "Cut the log to one flight and give that."
FEWEST = 3
"""Samples of a push without which an accelerometer alone tells no speed; a judgement."""


def analyse(
    accel: Series | None,
    axes: tuple[str, ...],
    heights: Heights | None,
    *,
    gravity: str = "",
    sin_path: float | None = None,
    channel_class: int = 0,
    sensor_band: float = 0.0,
    shared_clock: bool = True,
    sensor_range: float = 0.0,
) -> Flight:
    """Turn the logs of one flight into figures.

    Args:
        accel: (N, axes) in m/s².
        axes: Their names.
        gravity: {"", "included", "removed"}. The user's word on the accelerometer.
        sin_path: Sine of the launch angle, as read.
        channel_class: SAE J211 class for the acceleration; 0 for none.
        sensor_band: −3 dB frequency of the sensor in Hz where known; 0 unknown.
        shared_clock: False when the logs come from loggers with a clock each.
        sensor_range: Range of the accelerometer in m/s² where known; 0 to find it.

    Raises:
        CannotMeasure: No launch in the log, a wrong unit, too few samples, or sensors that
            contradict physics.
    """
    if accel is None and heights is None:
        raise CannotMeasure(
            "The log has neither height, pressure nor acceleration.",
            "Name the columns: option columns=height:HEADER or acceleration:HEADER.",
        )
    if accel is None:
        assert heights is not None
        return _by_height_alone(heights)
    check_size(accel)
    rise = _rise(heights) if heights is not None and shared_clock else None
    told = cut_to_flight(accel, rise)
    until = rise.top if rise is not None else np.inf
    felt, boost = into_flight(told, axes, gravity, sin_path, until=until, limit=sensor_range)
    if channel_class:
        felt = replace(
            felt,
            along=cfc(felt.time, felt.along, channel_class),
            felt=cfc(felt.time, felt.felt, channel_class),
        )
    setting = Setting(channel_class, sensor_band, shared_clock, until)
    if boost is None:
        return _no_push(felt, heights)
    if rise is not None:
        _whole_push(felt, boost)
    if heights is None:
        return _by_acceleration(felt, boost, setting)
    return choose(felt, boost, heights, setting, rise is not None or not shared_clock)


def _rise(heights: Heights) -> Rise | None:
    series = heights.series
    sigma = height_noise(series, float(series.time[0]))
    rise = rough_rise(series, sigma)
    tops = several(series, rise, sigma) if rise is not None else []
    if len(tops) > 1:
        shown = ", ".join(f"{x:.1f} s" for x in tops)
        raise CannotMeasure(
            f"The log holds {len(tops)} flights: the craft stands highest at {shown} and lies on "
            "the ground between.",
            _CUT,
        )
    return rise


def _no_push(felt: Felt, heights: Heights | None) -> Flight:
    """Go by the height where the acceleration shows no push."""
    if heights is None:
        raise CannotMeasure(
            "There is no launch in the log: the acceleration never pushes for long enough; "
            "the log never left the pad.",
            "Give the log of the whole flight from rest on the pad; check columns= and units=.",
        )
    flight = _by_height_alone(heights)
    if flight.boosted:
        flight.notes.append(
            "The acceleration shows no push although the height does: it was left out. "
            "Check its column and unit."
        )
        flight.facts["left_out"] = ["acceleration: it shows no push although the height does"]
    else:
        _felt_without_boost(flight, felt)
    return flight


def _by_height_alone(heights: Heights) -> Flight:
    """Measure heights, and leave out of a boost what its coast contradicts.

    Raises:
        CannotMeasure: No flight, or an order of events that cannot be.
    """
    if _rise(heights) is None:
        y = heights.series.values
        raise CannotMeasure(
            "There is no launch in the log: it never left the pad. The height never leaves its "
            f"noise and drift ({float(np.ptp(y)):.1f} m in all).",
            "Give the log of the flight; check columns= and units=.",
        )
    return without_false_boost(by_height(heights), heights)


def _by_acceleration(felt: Felt, boost: Boost, setting: Setting) -> Flight:
    """Measure an acceleration log without heights.

    Raises:
        CannotMeasure: No free flight follows the push.
    """
    _one_flight(felt)
    flight = with_boost(felt, boost, None, setting)
    stages = later_stages(felt, boost, felt.quiet, setting.until)
    free = coasts(felt, stages[-1] if stages else boost)
    # One axis that was turned over reads up to 1 g either way and stays so.
    push = (felt.time >= boost.launch) & (felt.time <= boost.burnout)
    reads = np.abs(felt.along[push] + felt.rest)
    turned = felt.axes == 1 and (
        (float(np.max(felt.along)) < 1.3 * G0 and not free)
        or (reads.size > 0 and float(np.median(reads)) < 1.2 * G0)
    )
    if turned or (felt.sin_path > STEEP and free is False):
        raise CannotMeasure(
            "There is no launch in the log: no free flight follows what looks like a push, so "
            "the log never left the pad.",
            "Give the log of the whole flight; check columns=, units= and gravity=.",
        )
    _whole_push(felt, boost)
    n = boost.last - boost.first + 1
    if n < FEWEST:
        names = ("max_speed", "mean_boost_acceleration", "apogee")
        flight.leave_out(names, f"the log has {n} samples of the push, which tell no speed")
    wrong = contradictions(flight, felt.sin_path > STEEP)
    if wrong:
        raise CannotMeasure(
            f"The acceleration contradicts itself: {wrong[0]}.",
            "Check columns=, units= and gravity=; a log with a barometer shows more.",
        )
    return flight


def _one_flight(felt: Felt) -> None:
    """Refuse an acceleration log with a second flight behind a rest."""
    starts = launches(felt)
    if len(starts) > 1:
        shown = ", ".join(f"{x:.1f} s" for x in starts)
        raise CannotMeasure(
            f"The log holds {len(starts)} flights: a push with free flight behind it begins at "
            f"{shown}, and the craft rests between.",
            _CUT,
        )


def _whole_push(felt: Felt, boost: Boost) -> None:
    if boost.last >= felt.time.size - 1:
        raise CannotMeasure(
            "The log ends inside the push: neither its length nor its speed is in it.",
            "Give the log of the whole flight.",
        )


def _felt_without_boost(flight: Flight, felt: Felt) -> None:
    k = int(np.argmax(felt.felt))
    u = float(np.hypot(3 * felt.sigma, 0.05 * felt.felt[k]))
    flight.add("felt_peak", float(felt.felt[k]) / G0, u / G0, felt.time.size, "whole log")
    tell_sensor(flight, felt)
