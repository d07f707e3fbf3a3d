"""What cannot be true of one flight: figures that contradict each other or physics.

Every check compares things that were found independently: the coast as the barometer saw
it, the push as the accelerometer felt it, what the logger wrote itself. Whoever asks leaves
out the part that is contradicted; no wrong number stands beside a warning.
"""

from __future__ import annotations

import numpy as np

from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.coast import coast_speed
from seeworthy.procedures.load.flight import Figure95, Flight
from seeworthy.procedures.load.fuse import LAG_MOST
from seeworthy.procedures.load.height import PORT_U
from seeworthy.procedures.load.push import Boost, Felt

SCALE_MOST = 0.12
"""Scale error that accelerometers have at most: data sheets give up to ±10 %, mounting adds."""
PORT_MOST = 0.15
"""Largest static-port error, part of the dynamic pressure; a judgement."""
SPEEDS_APART, FAST, FAST_APART = 1.3, 220.0, 1.9
"""Factor by which the speed that a coast asks for may differ from the one found: the coast's
drag follows density, which its two numbers do not hold. From Mach 0.65 on (m/s) drag doubles
and falls back within a second (the drag rise of any textbook of aerodynamics), so that far
more speed is asked for than there was. Judgements, checked on rendered and real flights."""
LONGEST = 30.0
"""No push of a craft with a small camera is longer, s; a judgement."""


def contradictions(flight: Flight, steep: bool) -> list[str]:
    """Return what cannot be true of a flight with a boost, in words; empty where all fits."""
    found = _order(flight)
    track = flight.track
    if flight.method == "fused":
        if abs(track.scale) > SCALE_MOST:
            found.append(
                f"the accelerometer would have to be wrong by {100 * track.scale:+.0f} %, more "
                "than such sensors are"
            )
        if not -0.15 < track.lag < LAG_MOST:
            found.append(f"the barometer would have to read {track.lag:.2f} s late")
        if abs(track.port) > PORT_MOST:
            found.append("the barometer's port would have to be wrong by more than ports are")
    return found or _speed_and_height(flight, steep)


def coasts(felt: Felt, boost: Boost) -> bool | None:
    """Tell whether free flight follows a steep push; None where the log ends before.

    In free flight dv/dt along the path is −1 g or less (drag adds); on the pad, in a hand or
    under a parachute the sensor carries weight and dv/dt comes out about zero.
    """
    start = boost.burnout + 0.1
    end = start + max(0.3, min(0.4 * boost.speed / G0, 3.0))
    part = (felt.time > start) & (felt.time < end)
    if np.count_nonzero(part) < 3:
        return None
    return float(np.median(felt.along[part])) < -0.4 * G0


def _order(flight: Flight) -> list[str]:
    events = flight.events
    launch, burnout = events.get("launch"), events.get("burnout")
    top, down = events.get("apogee"), events.get("landing")
    found = []
    if burnout is not None and top is not None and burnout >= top:
        found.append(f"the push would end at {burnout:.1f} s, after the apogee at {top:.1f} s")
    elif launch is not None and burnout is not None and top is not None:
        length = figure(flight, "boost_time")
        if length is not None and length.value > top - launch:
            found.append("the push would last longer than the ascent")
    if launch is not None and burnout is not None and burnout - launch > LONGEST:
        found.append(f"the push would last {burnout - launch:.0f} s")
    if top is not None and down is not None and down <= top:
        found.append("the landing would come before the apogee")
    return found


def _speed_and_height(flight: Flight, steep: bool) -> list[str]:
    """Compare the speed at burnout with the coast that followed."""
    burnout, top = flight.events.get("burnout"), flight.events.get("apogee")
    high, fast = figure(flight, "apogee"), figure(flight, "max_speed")
    if burnout is None or top is None or high is None or fast is None:
        return []
    if flight.height is None or "height" not in flight.samples:
        return []
    burnout = max([burnout, *(x for k, x in flight.events.items() if k.startswith("burnout_"))])
    time = top - burnout
    at = float(np.interp(burnout, flight.height.time, flight.height.value))
    climb = high.value - at
    if time < 1.0 or climb < 5.0:
        return []
    # A static port in fast air moves the height at burnout.
    port = coverage_factor() * PORT_U * fast.value**2 / (2 * G0)
    speeds = [s for d in (-port, 0.0, port) if (s := coast_speed(climb + d, time)) is not None]
    speed = coast_speed(climb, time)
    if speed is None and speeds:
        return []
    if speed is None:
        # A wing carries; a craft that went up steeply has none.
        return (
            [f"no coast under gravity climbs only {climb:.0f} m in {time:.1f} s"]
            if steep and climb < 0.4 * G0 * time**2
            else []
        )
    most = FAST_APART if fast.high > FAST else SPEEDS_APART
    if min(speeds) > fast.high * most or (steep and max(speeds) < fast.low / SPEEDS_APART):
        return [
            f"{fast.value:.0f} m/s at burnout and a climb of {climb:.0f} m in {time:.1f} s after "
            f"it do not go together (that takes about {speed:.0f} m/s)"
        ]
    return []


def figure(flight: Flight, name: str) -> Figure95 | None:
    """Return the first figure of a name, or None."""
    return next((f for f in flight.figures if f.measurand == name), None)
