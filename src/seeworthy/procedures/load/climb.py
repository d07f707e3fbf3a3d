"""The figures of a flight of which only heights were logged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import coverage_factor, interval, upper
from seeworthy.procedures.load.after import top
from seeworthy.procedures.load.air import Heights
from seeworthy.procedures.load.ascent import Ascent, climb
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.boost import late_start
from seeworthy.procedures.load.checks import check_fall
from seeworthy.procedures.load.flight import CREST, Curve, Flight
from seeworthy.procedures.load.guards import FAST
from seeworthy.procedures.load.height import LAG, height_noise
from seeworthy.procedures.load.push import LEAST_MEAN
from seeworthy.procedures.load.series import Series
from seeworthy.procedures.load.vents import LEAST_DIP, dips

Floats = NDArray[np.float64]

SHORT = 1.0
"""A push of less holds no two stages, nor would heights show a pause in it, s; a judgement."""
SONIC = 0.15
"""Relative uncertainty of the speed that heights alone tell near that of sound, where static ports
mislead by some per cent of a dynamic pressure that is worth kilometres; with a port wrong by 3.5 %
of it 319 m/s came out as 418 (own simulator, seed 1). A judgement."""
HIDDEN = 0.06
"""The same of a push shorter than a barometer may be late: speeds of water rockets came out up to
14 % low behind a delay of 0.2 s (own simulator, seed 1)."""
ROUNDED = 0.025
"""What a smoothed height leaves open of the top of its speed; fitted on rendered water rockets
(barometer alone, seed 2: 2.4 % too low in the mean)."""


def by_height(heights: Heights) -> Flight:
    """Return what a height log alone tells.

    Raises:
        CannotMeasure: The height never leaves its noise.
    """
    series = heights.series
    sigma = height_noise(series, float(series.time[0]))
    series = replace(series, values=series.values - float(np.median(series.values[:3])))
    if float(np.ptp(series.values)) < max(3.0, 8 * sigma):
        raise CannotMeasure(
            "There is no launch in the log: the height never leaves the noise.",
            "Give the log of the flight; check columns= and units=.",
        )
    seen = climb(series, sigma)
    launch = seen.launch or series.time[0] + 1.0
    lying = series.time < launch - 2 * series.period
    lying &= ~dips(series, sigma, launch, seen.burnout or launch)
    rest = series.values[lying]
    zero = float(np.median(rest)) if rest.size >= 5 else 0.0
    series = replace(series, values=series.values - zero)
    seen = replace(seen, track=replace(seen.track, height=seen.track.height - zero))
    flight = Flight(seen.track, seen.pulse is not None, "height")
    spread = np.hypot(seen.track.u_height, heights.u_air * seen.track.height)
    flight.height = Curve(seen.track.time, seen.track.height, np.asarray(spread))
    flight.samples["height"] = (series.time, series.values)
    track = Series(
        seen.track.time, np.interp(seen.track.time, series.time, series.values), series.step
    )
    if seen.pulse is None:
        v, u = _steady_peak(series, sigma, seen.top)
        u = float(np.hypot(u, heights.u_air * v))
        _still_gaining(seen.track.speed, seen.track.u_speed, v, u)
        flight.add("max_speed", v, u, 1)
        flight.facts["boost"] = "none: a slow ascent"
        flight.notes.append("The craft climbs slowly: there is no boost, so no boost figures.")
        top(flight, track, seen.good, sigma, heights.u_air, float(series.time[0]))
        return flight
    check_fall(flight.notes, seen.track, seen.burnout or 0.0, seen.top)
    lift, u_lift = _before(seen) if np.count_nonzero(lying) < 3 else (0.0, 0.0)
    _pulse_figures(flight, seen, heights.u_air, begins_late=lift > 0)
    track = replace(track, values=track.values + lift)
    top(flight, track, seen.good, sigma, heights.u_air, seen.burnout or 0.0, u_lift)
    return flight


def _pauses(seen: Ascent) -> bool:
    """Tell a push that for a fifth of its time gives less than a third of its mean (a judgement).

    What sinks at its end only, as the thrust of many motors does, is no pause; nor are heights
    so disturbed that they brake the craft by more than a coast can, which is well below 5 g.
    """
    assert seen.pulse is not None
    if seen.pulse.length < SHORT:
        return False
    t = seen.track.time - seen.pulse.launch
    if np.min(seen.track.acceleration[(t > 0) & (t < seen.pulse.length)], initial=0.0) < -10 * G0:
        return False
    starts = seen.pulse.launch + seen.pulse.length * np.linspace(0.1, 0.65, 12)
    ends = starts + 0.2 * seen.pulse.length
    gains = np.diff(np.interp([starts, ends], seen.track.time, seen.track.speed), axis=0)
    return float(np.min(gains)) < 0.33 * seen.pulse.mean * 0.2 * seen.pulse.length


def _before(seen: Ascent) -> tuple[float, float]:
    """Return the height over the pad at which a log begins that shows no rest, and its u, m.

    As much as a push as strong as the rest of it takes to the climb at the first sample; half
    of that stays open, for how the push began is not known (a judgement), and so does what
    the air at the vents makes of a first sample in motion.
    """
    assert seen.pulse is not None
    push = max(seen.pulse.mean, LEAST_MEAN)
    climbs = max(float(seen.track.speed[0]), 0.0)
    lift = climbs**2 / (2 * push)
    own = np.hypot(0.5 * lift, climbs * float(seen.track.u_speed[0]) / push)
    return lift, float(np.hypot(own, LEAST_DIP / 2))


def _still_gaining(speed: Floats, u_speed: Floats, steady: float, u: float) -> None:
    """Refuse a climb that is fastest where the log ends: its push is not in the log."""
    if speed[-1] > np.max(speed) - u_speed[-1] and speed[-1] > 1.3 * upper(steady, u):
        raise CannotMeasure(
            "The log ends while the craft still gains speed, or too soon after.",
            "Give the log of the whole flight.",
        )


def _steady_peak(series: Series, sigma: float, top: float) -> tuple[float, float]:
    """Return the largest speed of a slow ascent and its uncertainty.

    Straight lines through stretches long enough that noise leaves about 1 %: a smoother
    overshoots where the climb sets in. The largest of several equal ones is too high by
    chance; the mean of that lift is taken off.
    """
    rising = series.time <= top
    t, h = series.time[rising], series.values[rising]
    if t.size < 8:
        t, h = series.time, series.values
    climb_time = float(t[-1] - t[0])
    steady = float(h.max() - h.min()) / max(climb_time, 1e-9)
    period = climb_time / (t.size - 1)
    width = max(8 * period, 2.0)
    while width < 0.25 * climb_time and _slope_u(sigma, width, period) > 0.01 * steady:
        width *= 1.3
    starts = np.arange(t[0], t[-1] - width, width / 4)
    slopes = []
    for start in starts:
        part = (t >= start) & (t <= start + width)
        if np.count_nonzero(part) >= 4:
            slopes.append(float(np.polyfit(t[part] - start, h[part], 1)[0]))
    if not slopes:
        return steady, 0.5 * steady
    u = _slope_u(sigma, width, period)
    largest = max(slopes)
    tied = max(sum(x > largest - 3 * u for x in slopes) / 2, 1.0)
    lift = u * float(np.sqrt(2 * np.log(tied))) if tied > 1.5 else 0.0
    return largest - 0.7 * lift, float(np.hypot(u, 0.3 * lift))


def _slope_u(sigma: float, width: float, period: float) -> float:
    """Return the standard uncertainty of the slope of a line through even samples."""
    return sigma * float(np.sqrt(12 * period / width**3))


def _pulse_figures(flight: Flight, seen: Ascent, u_air: float, begins_late: bool) -> None:
    pulse, track = seen.pulse, seen.track
    assert pulse is not None
    flight.events = {"launch": pulse.launch, "burnout": pulse.launch + pulse.length}
    n = int(np.count_nonzero((track.time > pulse.launch) & (track.time < flight.events["burnout"])))
    sonic = SONIC if pulse.speed > FAST else 0.0
    least = float(np.exp(interval(0.0, sonic)[0]))
    low, high = pulse.length_span[0] * least, pulse.length_span[1] / least
    flight.facts["lower_bound"] = ["peak_acceleration", "felt_peak"]
    if begins_late:
        late_start(flight, pulse.length, pulse.u_length, high - pulse.length, n)
    else:
        flight.add("boost_time", pulse.length, pulse.u_length, n, span=(low, high))
    # Speed and time are open alike.
    stretch = (1 + float(np.hypot(u_air, sonic)) * coverage_factor()) / least
    span = (pulse.mean_span[0] / stretch, pulse.mean_span[1] * stretch)
    u_mean = float(np.hypot(pulse.u_mean, np.hypot(u_air, sonic) * pulse.mean))
    flight.add("mean_boost_acceleration", pulse.mean, u_mean, n, span=span)
    near = (track.time > pulse.launch) & (
        track.time < flight.events["burnout"] + 0.5 * pulse.length + 0.3
    )
    k = int(np.argmax(np.where(near, track.speed, -np.inf)))
    smooth, u_smooth = float(track.speed[k]), float(track.u_speed[k])
    # The smoother rounds the top of the speed off, the pulse makes it too sharp; of a push
    # shorter than the smoother resolves, the pulse alone knows the speed.
    value = (smooth + pulse.speed) / 2
    u = np.sqrt((u_smooth**2 + pulse.u_speed**2) / 4 + (smooth - pulse.speed) ** 2 / 12)
    if pulse.length * seen.bandwidth < 1.0 and smooth < pulse.speed and pulse.length < 1.0:
        value, u = pulse.speed, np.hypot(pulse.u_speed, 0.01 * pulse.speed)
    # Of a push shorter than barometers are late, and near the speed of sound, heights tell less.
    rounded = max(HIDDEN if pulse.length < 2 * LAG else ROUNDED, sonic)
    u = float(np.sqrt(u**2 + (u_air * value) ** 2 + (rounded * value) ** 2))
    flight.add("max_speed", value, u, n)
    top = CREST * span[1]
    flight.bound("peak_acceleration", pulse.mean, u_mean, top, n)
    flight.bound("felt_peak", pulse.mean / G0 + 1, u_mean / G0, top / G0 + 1, n)
    flight.facts["bandwidth"] = {
        "sample_rate_hz": round(1 / float(np.median(np.diff(track.time))), 2),
        "hz": round(seen.bandwidth, 2),
    }
    flight.notes.append(
        "A height log shows the mean push but not its peak: peak and felt load are lower bounds; "
        f"the upper ends take a peak of at most {CREST:g} times the mean."
    )
    if _pauses(seen):
        names = ("boost_time", "mean_boost_acceleration")
        reason = "the push pauses on its way (a second stage?), which heights alone do not part"
        flight.leave_out(names, reason)
