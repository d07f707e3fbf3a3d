"""The figures of a push that an accelerometer saw."""

from __future__ import annotations

import numpy as np

from seeworthy.ground.uncertainty import interval
from seeworthy.procedures.load.accel import Boost, Felt
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.flight import CREST, SHORTEST, Flight
from seeworthy.procedures.load.fuse import Track
from seeworthy.procedures.load.peak import LEAST_SAMPLES, Peak, find_peak
from seeworthy.procedures.load.push import LEAST_MEAN

SLOWEST = 0.05
"""Time between samples beyond which an ignition spike of a tenth of a second may stand between
them unseen, s: at 8 Hz peaks came out 6 % low (seed 12)."""
_ONE_SAMPLE = (
    "The peak is one sample that stands alone: a knock or a vibration. "
    "Option filter=cfc60 shows what a filtered log makes of it."
)


def boost_figures(
    flight: Flight, felt: Felt, boost: Boost, channel_class: int, band: float
) -> None:
    """Add boost time, speed, mean, peak and felt peak, with what the log could not show.

    Args:
        felt, boost: From the accelerometer.
        channel_class: SAE J211 class that was applied, 0 for none.
        band: The sensor's own −3 dB frequency in Hz, 0 unknown.
    """
    track = flight.track
    length = boost.burnout - boost.launch
    u_length = float(np.hypot(boost.u_launch, boost.u_burnout))
    n = boost.last - boost.first + 1
    missing = _missing(flight, felt, boost)
    if missing > 0:
        late_start(flight, length, u_length, missing, n)
    else:
        flight.add("boost_time", length, u_length, n, span=_positive(length, u_length))
    step = float(np.median(np.diff(felt.time)))
    speed, u_track = _fastest(track, boost, max(0.1 * length, 2.5 * step))
    stuck = felt.stuck(boost.launch, boost.burnout)
    # A path that leaves the vertical by some degrees hides that share of gravity.
    u_speed = float(np.hypot(u_track, 0.003 * G0 * length + 0.002 * speed))
    unseen = stuck or missing > 0
    unknown = flight.method != "fused" and unseen
    mean = speed / length
    if unseen:
        whole = length + max(missing, 0.0)
        _at_least_mean(flight, speed, u_speed, (length, whole, u_length), n, unknown, stuck)
    else:
        flight.add("max_speed", speed, u_speed, n)
        u_gain = float(np.sqrt(u_speed**2 + _ends(felt, boost, mean, u_track)))
        flight.add("mean_boost_acceleration", mean, u_gain / length, n)
    inside = slice(boost.first, boost.last + 1)
    peak = find_peak(felt.time, felt.along, felt.sigma, inside)
    push = find_peak(felt.time, felt.felt, felt.sigma, inside)
    bound = peak.few or unseen or (0 < band * length < 1.0) or step > SLOWEST
    value, u = _corrected(peak, track)
    felt_value, felt_u = _corrected(push, track, G0 * felt.sin_path if felt.axes == 1 else G0)
    if bound:
        top = CREST * interval(speed, u_speed)[1] / max(interval(length, u_length)[0], SHORTEST)
        if stuck:
            # Neither lies below the mean push, nor below the stop.
            more = max(mean - value, 0.0) if not unknown else 0.0
            value, felt_value = value + more, felt_value + more
            u = felt_u = float(np.hypot(u, u_speed / length if more else 0.0))
            top = max(top, CREST * value)
        flight.bound("peak_acceleration", value, u, top, n)
        flight.bound("felt_peak", felt_value / G0, felt_u / G0, top / G0 + 1, n)
        flight.facts.setdefault("lower_bound", []).extend(["peak_acceleration", "felt_peak"])
        flight.notes.append(_why_bound(peak, felt, stuck, missing > 0))
    else:
        flight.add("peak_acceleration", value, u, n, "boost")
        flight.add("felt_peak", felt_value / G0, felt_u / G0, n, "boost")
    flight.facts["bandwidth"] = _bandwidth(1 / step, peak, channel_class, band)
    flight.facts["peak_time"] = round(peak.time, 4)
    if peak.single and not bound:
        flight.facts["peak_is_one_sample"] = True
        flight.notes.append(_ONE_SAMPLE)


def _fastest(track: Track, boost: Boost, after: float) -> tuple[float, float]:
    """Return the largest speed of the push and up to `after` s behind it, and its uncertainty."""
    near = (track.time >= boost.launch) & (track.time <= boost.burnout + after)
    k = int(np.argmax(np.where(near, track.speed, -np.inf)))
    return float(track.speed[k]), float(track.u_speed[k])


def _ends(felt: Felt, boost: Boost, mean: float, u_track: float) -> float:
    """Return what open ends add to the square of the u of the speed gained between them."""
    first, last, u_open = _edges(felt, boost)
    if boost.last - boost.first + 1 < 2 * LEAST_SAMPLES:
        first = last = 0.0
    late = ((first - mean) * boost.u_launch) ** 2 + ((last - mean) * boost.u_burnout) ** 2
    return float(late - min(u_open**2, 0.5 * u_track**2))


def _missing(flight: Flight, felt: Felt, boost: Boost) -> float:
    """Return how much of the push came before the log, s; 0 for a log from rest."""
    if not boost.open_start:
        return 0.0
    first = float(np.median(felt.along[:2]))
    # A push that begins with the first sample began within one sample before it.
    if first < LEAST_MEAN:
        return 0.0
    step = float(np.median(np.diff(felt.time)))
    speed = float(flight.track.speed[0]) if flight.method == "fused" else 0.0
    return max(speed / first, step)


def late_start(flight: Flight, length: float, u: float, missing: float, n: int) -> None:
    """Give the time of a push whose beginning is not in the log as a bound."""
    flight.notes.append("The log begins inside the push; its first part is missing.")
    flight.facts.setdefault("lower_bound", []).append("boost_time")
    # Twice what the speed at the first sample asks for, and at least as long again as half
    # of what was seen: the push may have been weaker before. A judgement.
    flight.bound("boost_time", length, u, length + max(2 * missing, 0.5 * length), n)


def _at_least_mean(
    flight: Flight, speed: float, u: float, lengths: tuple[float, float, float], n: int,
    unknown: bool, stuck: bool,
) -> None:  # fmt: skip
    """Give speed and mean where the sensor did not see all of the push.

    `lengths` are the push as seen, with what came before the log, and their uncertainty.
    """
    seen, whole, u_length = lengths
    if not unknown:
        flight.add("max_speed", speed, u, n)
        # The time that the speed is shared out over is as open as the push itself; of a push
        # that began at the sensor's stop it lies anywhere between the two.
        share = max(0.15 if flight.facts.get("lower_bound") else 0.03, u_length / whole)
        mean = speed / whole
        u_mean = float(np.hypot(u / whole, share * mean))
        if stuck and whole > seen:
            flight.bound("mean_boost_acceleration", mean, u_mean, speed / seen, n)
            flight.facts.setdefault("lower_bound", []).append("mean_boost_acceleration")
        else:
            flight.add("mean_boost_acceleration", mean, u_mean, n)
        return
    mean = speed / whole
    flight.bound("max_speed", speed, u, CREST * speed, n)
    flight.bound("mean_boost_acceleration", mean, u / whole, CREST * mean, n)
    lower = flight.facts.setdefault("lower_bound", [])
    lower += ["max_speed", "mean_boost_acceleration"]


def stage_figures(flight: Flight, felt: Felt, stages: list[Boost]) -> None:
    """Add time, mean and peak of each later stage, and the speed after the last."""
    track = flight.track
    for number, stage in enumerate(stages, 2):
        name = f"stage {number}"
        length = stage.burnout - stage.launch
        u_length = float(np.hypot(stage.u_launch, stage.u_burnout))
        n = stage.last - stage.first + 1
        flight.add("boost_time", length, u_length, n, name, _positive(length, u_length))
        ends = [float(np.interp(x, track.time, track.speed)) for x in (stage.launch, stage.burnout)]
        # Bias and scale are those of the whole track; the difference holds them once.
        u_gain = float(np.hypot(0.02 * (ends[1] - ends[0]), track.u_bias * length + 0.1))
        mean = (ends[1] - ends[0]) / length
        flight.add("mean_boost_acceleration", mean, float(np.hypot(u_gain / length,
                   mean * u_length / length)), n, name)  # fmt: skip
        inside = slice(stage.first, stage.last + 1)
        value, u = _corrected(find_peak(felt.time, felt.along, felt.sigma, inside), track)
        if felt.stuck(stage.launch, stage.burnout):
            flight.bound("peak_acceleration", value, u, CREST * value, n, name)
        else:
            flight.add("peak_acceleration", value, u, n, name)
        flight.events[f"stage_{number}"] = stage.launch
        flight.events[f"burnout_{number}"] = stage.burnout
    burnouts = [flight.events["burnout"], *(s.burnout for s in stages)]
    k = int(np.argmax(np.where(track.time <= burnouts[-1] + 0.2, track.speed, -np.inf)))
    flight.replace("max_speed", float(track.speed[k]), float(track.u_speed[k]))
    flight.facts["stages"] = len(burnouts)


def _positive(value: float, u: float) -> tuple[float, float]:
    return interval(value, u, least=0.1 * value)


def _edges(felt: Felt, boost: Boost) -> tuple[float, float, float]:
    """Return dv/dt just inside both ends, and the speed that open edges leave unknown."""
    y = felt.along
    start = float(np.mean(y[boost.first : boost.first + 2]))
    end = float(np.mean(y[max(boost.last - 1, boost.first) : boost.last + 1]))
    return start, end, float(np.hypot(start * boost.u_launch, end * boost.u_burnout))


def _corrected(peak: Peak, track: Track, gravity: float = 0.0) -> tuple[float, float]:
    """Take the learnt bias and scale out of a peak; gravity at rest is right already."""
    kinematic = (peak.value - gravity - track.bias) / (1 + track.scale)
    u = np.sqrt(peak.u**2 + track.u_bias**2 + (kinematic * track.u_scale) ** 2)
    return kinematic + gravity, float(u)


def _why_bound(peak: Peak, felt: Felt, stuck: bool, missing: bool) -> str:
    if stuck and felt.full_scale is not None:
        return (
            f"The sensor ran into its stop at {felt.full_scale / G0:.1f} g: the peaks are "
            "lower bounds; speed and mean come from the barometer and the samples beside it, "
            "where there is a barometer, else they are lower bounds too."
        )
    if missing and not peak.few:
        return "The peak may have come before the log begins: the peaks are lower bounds."
    return (
        "The log has too few samples in the push to show its peak: the peaks are lower "
        f"bounds; the upper ends take a peak of at most {CREST:g} times the mean."
    )


def _bandwidth(rate: float, peak: Peak, channel_class: int, band: float) -> dict[str, float]:
    found = {"sample_rate_hz": round(rate, 2), "nyquist_hz": round(rate / 2, 2)}
    if peak.width:
        # A running parabola over a length L passes −3 dB at about 1/L.
        found["peak_fit_hz"] = round(1 / peak.width, 2)
    if channel_class:
        found["cfc"] = channel_class
        found["cfc_hz"] = round(1.65 * channel_class, 1)
    if band:
        found["sensor_hz"] = band
    limits = [found[k] for k in ("nyquist_hz", "peak_fit_hz", "cfc_hz", "sensor_hz") if k in found]
    found["hz"] = min(limits)
    return found


def tell_sensor(flight: Flight, felt: Felt) -> None:
    """Add what was found out about the accelerometer."""
    flight.facts["pad"] = {
        "samples": felt.rest_n,
        "reads_g": round(felt.rest / G0, 4),
        "noise_m_s2": round(felt.sigma, 4),
        "bias_m_s2": round(
            felt.rest - (G0 * felt.sin_path if felt.gravity == "included" else 0), 4
        ),
    }
    flight.facts["gravity"] = felt.gravity
    flight.facts["gravity_from"] = felt.gravity_from
    flight.facts["direction"] = felt.direction
    flight.facts["launch_angle_deg"] = round(
        float(np.degrees(np.arcsin(np.clip(felt.sin_path, -1, 1)))), 1
    )
    if flight.method == "fused":
        flight.facts["sensor_scale"] = [
            round(1 + flight.track.scale, 4),
            round(flight.track.u_scale, 4),
        ]
        flight.facts["barometer_delay_s"] = round(flight.track.lag, 3)
