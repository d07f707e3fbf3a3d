"""The figures of a push that an accelerometer saw."""

from __future__ import annotations

import numpy as np

from seeworthy.ground.uncertainty import interval
from seeworthy.procedures.load.accel import Boost, Felt
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.flight import CREST, SHORTEST, Flight
from seeworthy.procedures.load.fuse import Track
from seeworthy.procedures.load.peak import LEAST_SAMPLES, Peak, find_peak


def boost_figures(
    flight: Flight, felt: Felt, boost: Boost, channel_class: int, band: float
) -> None:
    """Add boost time, speed, mean, peak and felt peak, with what the log could not show.

    Parameters
    ----------
    flight : Flight
    felt, boost
        From the accelerometer.
    channel_class : int
        SAE J211 class that was applied, 0 for none.
    band : float
        The sensor's own −3 dB frequency in Hz, 0 unknown.
    """
    track = flight.track
    length = boost.burnout - boost.launch
    u_length = float(np.hypot(boost.u_launch, boost.u_burnout))
    n = boost.last - boost.first + 1
    if boost.open_start:
        missed = float(np.clip(felt.along[0], 0, None)) > 2.0
        flight.notes.append("The log begins inside the push; its first part is missing.")
        u_length = float(np.hypot(u_length, 0.1 * length)) if missed else u_length
    flight.add("boost_time", length, u_length, n, span=_positive(length, u_length))
    step = float(np.median(np.diff(felt.time)))
    late = boost.burnout + max(0.1 * length, 2.5 * step)
    near = (track.time >= boost.launch) & (track.time <= late)
    k = int(np.argmax(np.where(near, track.speed, -np.inf)))
    speed = float(track.speed[k])
    # A path that leaves the vertical by some degrees hides that share of gravity.
    u_speed = float(np.hypot(track.u_speed[k], 0.003 * G0 * length + 0.002 * speed))
    flight.add("max_speed", speed, u_speed, n)
    edge = _edges(felt, boost)
    mean = speed / length
    inner = (u_speed**2 - min(edge[2] ** 2, 0.5 * track.u_speed[k] ** 2)) / length**2
    if n < LEAST_SAMPLES:
        edge = (0.0, 0.0, edge[2])
    ends = ((edge[0] - mean) * boost.u_launch) ** 2 + ((edge[1] - mean) * boost.u_burnout) ** 2
    flight.add("mean_boost_acceleration", mean, float(np.sqrt(inner + ends / length**2)), n)
    inside = slice(boost.first, boost.last + 1)
    peak = find_peak(felt.time, felt.along, felt.sigma, inside)
    push = find_peak(felt.time, felt.felt, felt.sigma, inside)
    few = peak.few or felt.full_scale is not None or (0 < band * length < 1.0)
    value, u = _corrected(peak, track)
    felt_value, felt_u = _corrected(push, track, G0 * felt.sin_path if felt.axes == 1 else G0)
    if few:
        fast, short = interval(speed, u_speed)[1], interval(length, u_length)[0]
        top = CREST * fast / max(short, SHORTEST)
        flight.bound("peak_acceleration", value, u, top, n)
        flight.bound("felt_peak", felt_value / G0, felt_u / G0, top / G0 + 1, n)
        flight.facts["lower_bound"] = ["peak_acceleration", "felt_peak"]
        flight.notes.append(_why_bound(peak, felt))
    else:
        flight.add("peak_acceleration", value, u, n, "boost")
        flight.add("felt_peak", felt_value / G0, felt_u / G0, n, "boost")
    rate = 1 / float(np.median(np.diff(felt.time)))
    flight.facts["bandwidth"] = _bandwidth(rate, peak, channel_class, band)
    flight.facts["peak_time"] = round(peak.time, 4)
    if peak.single and not few:
        flight.facts["peak_is_one_sample"] = True
        flight.notes.append(
            "The peak is one sample that stands alone: a knock or a vibration. "
            "Option filter=cfc60 shows what a filtered log makes of it."
        )


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


def _why_bound(peak: Peak, felt: Felt) -> str:
    if felt.full_scale is not None:
        return (
            f"The sensor ran into its stop at {felt.full_scale / G0:.1f} g: "
            "the peaks are lower bounds."
        )
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
