"""What the flight does to a camera, in one or two sentences."""

from __future__ import annotations

from seeworthy.ground.digits import expanded, number, spread_of
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.flight import Figure95, Flight


def sentence(flight: Flight) -> str:
    """Say what the flight does to a camera, and why felt, peak and mean differ."""
    first = {f.measurand: f for f in reversed(flight.figures)}
    if not flight.boosted:
        top, speed = first.get("apogee"), first.get("max_speed")
        high = "" if top is None else f" to {_said(top)} m"
        if "left_out" in flight.facts:
            return f"A flight{high}; what its launch was like this log cannot tell."
        fast = "" if speed is None else f" at up to {_said(speed)} m/s"
        return (
            f"A slow climb{high}{fast}: no boost, the camera feels little more than its own weight."
        )
    peak, felt = first["peak_acceleration"], first["felt_peak"]
    mean, time = first.get("mean_boost_acceleration"), first.get("boost_time")
    steep = felt.value - peak.value / G0
    why = (
        f"{number(steep, expanded(felt.u))} g more than it accelerates, because gravity pulls "
        "along the path"
        if steep > 0.3
        else "about what it accelerates, because on a flat launch gravity pulls across the path"
    )
    if peak.bound:
        push = (
            f"; the mean push is {_said(mean, 1 / G0)} g over {_said(time)} s"
            if mean and time
            else ""
        )
        least = number(felt.low, expanded(felt.u))
        return (
            f"The camera feels at least {least} g, {why}{push}; the peak, which this log cannot "
            "show, is higher, because a push is never even."
        )
    times = number(peak.value / mean.value, _wide(peak) / mean.value) if mean else ""
    push = (
        f"; the peak is {times} times the mean of {_said(mean, 1 / G0)} g "
        f"over {_said(time)} s, because a push is never even"
        if mean and time
        else f"; the push lasts {_said(time)} s"
        if time
        else ""
    )
    return f"The camera feels {_said(felt)} g at the peak, {why}{push}."


def _wide(found: Figure95) -> float:
    return spread_of(found.low, found.high, found.u)


def _said(found: Figure95, scale: float = 1.0) -> str:
    """Write a figure to the digits that its interval earns."""
    return number(scale * found.value, scale * _wide(found))
