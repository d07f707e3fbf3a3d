"""What the flight does to a camera, in one or two sentences."""

from __future__ import annotations

from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.flight import Flight


def sentence(flight: Flight) -> str:
    """Say what the flight does to a camera, and why felt, peak and mean differ."""
    first = {f.measurand: f for f in reversed(flight.figures)}
    if not flight.boosted:
        top, speed = first.get("apogee"), first.get("max_speed")
        high = "" if top is None else f" to {top.value:.0f} m"
        if "left_out" in flight.facts:
            return f"A flight{high}; what its launch was like this log cannot tell."
        fast = "" if speed is None else f" at up to {speed.value:.1f} m/s"
        return (
            f"A slow climb{high}{fast}: no boost, the camera feels little more than its own weight."
        )
    peak, felt, time = (first[k] for k in ("peak_acceleration", "felt_peak", "boost_time"))
    mean = first.get("mean_boost_acceleration")
    steep = felt.value - peak.value / G0
    why = (
        f"{steep:.1f} g more than it accelerates, because gravity pulls along the path"
        if steep > 0.3
        else "about what it accelerates, because on a flat launch gravity pulls across the path"
    )
    if peak.bound:
        push = f"; the mean push is {mean.value / G0:.1f} g over {time.value:.2f} s" if mean else ""
        return (
            f"The camera feels at least {felt.low:.1f} g, {why}{push}; the peak, which this log "
            "cannot show, is higher, because a push is never even."
        )
    push = (
        f"; the peak is {peak.value / mean.value:.1f} times the mean of {mean.value / G0:.1f} g "
        f"over {time.value:.2f} s, because a push is never even"
        if mean
        else f"; the push lasts {time.value:.2f} s"
    )
    return f"The camera feels {felt.value:.1f} g at the peak, {why}{push}."
