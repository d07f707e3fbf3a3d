"""Flight loads from the logs of one flight: arrays in, figures with uncertainty out.

``peak_acceleration`` and ``mean_boost_acceleration`` are kinematic (dv/dt along the
path); ``felt_peak`` is proper acceleration, what an accelerometer bolted to the camera
reads: dv/dt plus gravity. Launch is the first push, burnout the moment from which the
speed no longer rises (for a bungee: release).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.load.accel import Boost, Felt, into_flight
from seeworthy.procedures.load.after import after_boost, ballistic, top
from seeworthy.procedures.load.air import Heights
from seeworthy.procedures.load.ascent import climb
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.boost import boost_figures, tell_sensor
from seeworthy.procedures.load.checks import check_against_height
from seeworthy.procedures.load.climb import by_height
from seeworthy.procedures.load.flight import Curve, Figure95, Flight
from seeworthy.procedures.load.fuse import fuse
from seeworthy.procedures.load.height import PORT, height_noise, spikes
from seeworthy.procedures.load.peak import cfc
from seeworthy.procedures.load.rise import measured_height
from seeworthy.procedures.load.series import Series, thin

__all__ = ["Figure95", "Flight", "Heights", "analyse"]

Floats = NDArray[np.float64]


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
) -> Flight:
    """Turn the logs of one flight into figures.

    Parameters
    ----------
    accel : Series or None
        (N, axes) in m/s².
    axes : tuple of str
        Their names.
    heights : Heights or None
    gravity : {"", "included", "removed"}
        The user's word on the accelerometer.
    sin_path : float, optional
        Sine of the launch angle, as read.
    channel_class : int
        SAE J211 class for the acceleration; 0 for none.
    sensor_band : float
        −3 dB frequency of the sensor in Hz where known; 0 unknown.
    shared_clock : bool
        False when the logs come from loggers with a clock each.

    Raises
    ------
    CannotMeasure
        No launch in the log, a wrong unit, too few samples.
    """
    if accel is not None:
        felt, boost = into_flight(accel, axes, gravity, sin_path)
        if channel_class:
            felt = replace(
                felt,
                along=cfc(felt.time, felt.along, channel_class),
                felt=cfc(felt.time, felt.felt, channel_class),
            )
        if boost is not None:
            return _with_boost(felt, boost, heights, channel_class, sensor_band, shared_clock)
        if heights is None:
            raise CannotMeasure(
                "There is no launch in the log: the acceleration never pushes for long enough.",
                "Give the log of the whole flight from rest on the pad; check columns= and units=.",
            )
        flight = by_height(heights)
        if flight.boosted:
            flight.notes.append(
                "The acceleration shows no push although the height does: it was left out. "
                "Check its column and unit."
            )
        else:
            _felt_without_boost(flight, felt)
        return flight
    if heights is None:
        raise CannotMeasure(
            "The log has neither height, pressure nor acceleration.",
            "Name the columns: option columns=height:HEADER or acceleration:HEADER.",
        )
    return by_height(heights)


def _with_boost(
    felt: Felt, boost: Boost, heights: Heights | None, channel_class: int, band: float, shared: bool
) -> Flight:
    length = boost.burnout - boost.launch
    until = boost.burnout + max(0.3, 0.4 * length)
    believed: tuple[Floats, Floats] | None = None
    sigma, u_air, bad = 1.0, 0.0, None
    steep = felt.sin_path > 0.9
    series = None
    offset = 0.0
    if heights is not None:
        series = thin(heights.series, boost.launch - 1, until + 3, 1500)
        sigma = height_noise(heights.series, boost.launch)
        if not shared:
            offset, series = _align(series, sigma, boost)
        series = _zeroed(series, boost.launch)
        check_against_height(felt, boost, series, steep)
        bad = spikes(series.time, series.values, sigma, boost.burnout + 0.3)
        u_air = float(np.hypot(heights.u_air, 0.015))  # and a path not quite upright
        if steep:
            # Under a parachute the craft no longer flies along its axis, nor smoothly.
            highest = series.time[~bad][int(np.argmax(series.values[~bad]))]
            end = highest - 0.05 * (highest - boost.launch)
            keep = ~bad & (series.time < max(end, until))
            believed = (series.time[keep], series.values[keep])
    track = fuse(felt, boost, believed, sigma, u_air, until)
    flight = Flight(track, True, "fused" if believed is not None else "acceleration")
    flight.events = {"launch": boost.launch, "burnout": boost.burnout}
    flight.samples["acceleration"] = (felt.time, felt.along)
    if not shared and heights is not None:
        flight.facts["clock_offset"] = round(offset, 4)
    boost_figures(flight, felt, boost, channel_class, band)
    if series is not None and bad is not None and heights is not None:
        flight.samples["height"] = (series.time, series.values)
        top(flight, series, ~bad, sigma, heights.u_air, boost.burnout, _u_wind(boost, felt))
        push = (boost.launch, boost.burnout)
        flight.height = measured_height(series, bad, sigma, heights.u_air, push)
    elif steep:
        ballistic(flight, felt, boost)
        flight.height = Curve(track.time, track.height, track.u_height)
    after_boost(flight, felt, boost)
    tell_sensor(flight, felt)
    return flight


def _u_wind(boost: Boost, felt: Felt) -> float:
    """Return what the air's speed leaves uncertain at the top of a slanting flight, m.

    The craft still moves there with about the level part of its speed, and a static port
    is wrong by some share of the dynamic pressure.
    """
    level = 1.0 - min(max(felt.sin_path, 0.0), 1.0) ** 2
    return PORT / 2 * level * boost.speed**2 / (2 * G0)


def _zeroed(series: Series, launch: float) -> Series:
    rest = series.values[series.time < launch]
    zero = float(np.median(rest)) if rest.size >= 3 else 0.0
    return replace(series, values=series.values - zero)


def _align(series: Series, sigma: float, boost: Boost) -> tuple[float, Series]:
    """Shift the height log so that both logs launch together."""
    seen = climb(series, sigma)
    if seen.launch is None:
        raise CannotMeasure(
            "The height log shows no launch to bring the two clocks together.",
            "Check that both logs are of one flight.",
        )
    offset = boost.launch - seen.launch
    return offset, replace(series, time=series.time + offset)


def _felt_without_boost(flight: Flight, felt: Felt) -> None:
    k = int(np.argmax(felt.felt))
    u = float(np.hypot(3 * felt.sigma, 0.05 * felt.felt[k]))
    flight.add("felt_peak", float(felt.felt[k]) / G0, u / G0, felt.time.size, "whole log")
    tell_sensor(flight, felt)
