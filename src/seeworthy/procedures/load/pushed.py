"""A flight with a push that an accelerometer felt, with or without a barometer beside it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.load.accel import Boost, Felt
from seeworthy.procedures.load.after import after_boost, ballistic, top
from seeworthy.procedures.load.air import Heights
from seeworthy.procedures.load.ascent import climb
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.boost import boost_figures, stage_figures, tell_sensor
from seeworthy.procedures.load.flight import Curve, Flight
from seeworthy.procedures.load.fuse import fuse
from seeworthy.procedures.load.height import PORT, height_noise, spikes
from seeworthy.procedures.load.push import LEAST_MEAN, later_stages
from seeworthy.procedures.load.rise import measured_height
from seeworthy.procedures.load.series import Series, thin
from seeworthy.procedures.load.vents import dips

Floats = NDArray[np.float64]

STEEP = 0.9
"""Sine of the launch angle (64 degrees) above which path and height are one."""


COAST_FELT = 0.5
"""Part of a coast in which a craft of fins flies along its axis, steeply; a judgement."""


@dataclass(frozen=True, slots=True)
class Setting:
    """How the logs are to be read.

    Attributes:
        channel_class: SAE J211 class, 0 for none.
        band: The sensor's own bandwidth, Hz; 0 unknown.
        shared: One clock for acceleration and height.
        until: The top by the height log, s.
    """

    channel_class: int = 0
    band: float = 0.0
    shared: bool = True
    until: float = np.inf


def with_boost(felt: Felt, boost: Boost, heights: Heights | None, setting: Setting) -> Flight:
    """Return the figures of a flight whose push was felt."""
    stages = later_stages(felt, boost, felt.quiet, setting.until)
    last = stages[-1] if stages else boost
    length = last.burnout - boost.launch
    until = last.burnout + max(0.3, 0.4 * (last.burnout - last.launch))
    believed: tuple[Floats, Floats] | None = None
    sigma, u_air, bad = 1.0, 0.0, None
    steep = felt.sin_path > STEEP
    series = None
    offset = lift = 0.0
    if heights is not None:
        series = thin(heights.series, boost.launch - 1, until + 3, 1500)
        sigma = height_noise(heights.series, boost.launch)
        if not setting.shared:
            offset, series = align(series, sigma, boost)
        series = _zeroed(series, boost.launch)
        lift = _lift(felt, boost, series)
        series = replace(series, values=series.values + lift)
        bad = spikes(series.time, series.values, sigma, last.burnout + 0.3)
        bad |= dips(series, sigma, boost.launch, last.burnout)
        u_air = float(np.hypot(heights.u_air, 0.015))  # and a path not quite upright
        if steep:
            # Under a parachute the craft no longer flies along its axis, nor smoothly.
            highest = series.time[~bad][int(np.argmax(series.values[~bad]))]
            if felt.stuck(boost.launch, last.burnout):
                # Heights alone carry the speed: the coast that they are to fix is felt.
                until = max(until, last.burnout + COAST_FELT * (highest - last.burnout))
            end = highest - 0.05 * (highest - boost.launch)
            keep = ~bad & (series.time < max(end, until))
            believed = (series.time[keep], series.values[keep])
    track = fuse(felt, boost, believed, sigma, u_air, until)
    if believed is not None and series is not None and boost.open_start:
        # Both sensors together tell the speed at the first sample far better than its heights.
        better = _gained(felt, float(track.speed[0]))
        series = replace(series, values=series.values + better - lift)
        lift = better
    flight = Flight(track, True, "fused" if believed is not None else "acceleration")
    flight.events = {"launch": boost.launch, "burnout": boost.burnout}
    flight.samples["acceleration"] = (felt.time, felt.along)
    if not setting.shared and heights is not None:
        flight.facts["clock_offset"] = round(offset, 4)
    boost_figures(flight, felt, boost, setting.channel_class, setting.band)
    if stages:
        stage_figures(flight, felt, stages)
    if series is not None and bad is not None and heights is not None:
        flight.samples["height"] = (series.time, series.values)
        # How the push was before the log began is not known: half of that height, a judgement.
        wind = float(np.hypot(_u_wind(boost, felt), 0.5 * lift))
        top(flight, series, ~bad, sigma, heights.u_air, last.burnout, wind)
        push = (boost.launch, boost.launch + length)
        flight.height = measured_height(series, bad, sigma, heights.u_air, push)
    elif steep and "max_speed" not in flight.facts.get("lower_bound", ()):
        ballistic(flight, felt, last)
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


def _lift(felt: Felt, boost: Boost, series: Series) -> float:
    """Return the height over the pad at which a log begins that begins in the push, m.

    The climb of the first samples is that of a push as strong as the first reading: v²/2a.
    """
    if not boost.open_start:
        return 0.0
    first = (series.time <= boost.launch + max(0.3, 4 * series.period)) & (
        series.time <= boost.burnout
    )
    if np.count_nonzero(first) < 4:
        return 0.0
    push = _push(felt)
    x, y = series.time[first] - series.time[0], series.values[first]
    climb = float(np.mean(y - y[0] - push * x**2 / 2) / max(float(np.mean(x)), 1e-9))
    return _gained(felt, climb)


def _push(felt: Felt) -> float:
    return max(float(np.median(felt.along[:3])), LEAST_MEAN)


def _gained(felt: Felt, speed: float) -> float:
    """Return the height in which a push as strong as the first reading gives a speed, m."""
    return max(speed, 0.0) ** 2 / (2 * _push(felt))


def _zeroed(series: Series, launch: float) -> Series:
    rest = series.values[series.time < launch]
    zero = float(np.median(rest)) if rest.size >= 3 else 0.0
    return replace(series, values=series.values - zero)


def align(series: Series, sigma: float, boost: Boost) -> tuple[float, Series]:
    """Shift the height log so that both logs launch together."""
    seen = climb(series, sigma)
    if seen.launch is None:
        raise CannotMeasure(
            "The height log shows no launch to bring the two clocks together.",
            "Check that both logs are of one flight.",
        )
    offset = boost.launch - seen.launch
    return offset, replace(series, time=series.time + offset)
