"""The pictures of `load`: height, speed and acceleration over time, with bands and events."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from seeworthy.results import Axis, Figure, Mark

if TYPE_CHECKING:
    from seeworthy.measure.load import Flight

_MOST = 500
_K = 1.96


def figures(flight: Flight) -> tuple[Figure, ...]:
    """Return the figures of one flight."""
    track = flight.track
    whole = _figure(
        flight, "height", "Height", "m", track.height, track.u_height, "height",
        "Where the height stands against its samples; what lies off the line was not believed.",
    )  # fmt: skip
    if not flight.boosted:
        return (whole,)
    return (
        whole,
        _figure(
            flight, "speed", "Speed along the path", "m/s", track.speed, track.u_speed, "",
            "The speed rises to burnout and falls from there.",
        ),
        _figure(
            flight, "acceleration", "Acceleration along the path, without gravity", "m/s2",
            track.acceleration, track.u_acceleration, "acceleration",
            "The peak, not the mean, is what mounts and cards must stand; the camera feels gravity "
            "on top.",
        ),
    )  # fmt: skip


def _figure(
    flight: Flight, name: str, title: str, unit: str, values: Any, spread: Any, samples: str,
    words: str,
) -> Figure:  # fmt: skip
    import numpy as np

    t = flight.track.time
    start, end = _span(flight, name)
    keep = np.flatnonzero((t >= start) & (t <= end))
    keep = keep[np.unique(np.linspace(0, keep.size - 1, min(_MOST, keep.size)).astype(int))]
    columns: dict[str, list[Any]] = {
        "time": [round(float(x), 4) for x in t[keep]],
        "value": [round(float(x), 4) for x in values[keep]],
        "low": [round(float(x), 4) for x in (values - _K * spread)[keep]],
        "high": [round(float(x), 4) for x in (values + _K * spread)[keep]],
    }
    marks = [
        Mark("band", low="low", high="high", label="95 %"),
        Mark("line", "value", label="smoothed"),
    ]
    if samples and samples in flight.samples:
        at, raw = flight.samples[samples]
        near = np.interp(t[keep], at, raw)
        columns["sample"] = [round(float(x), 4) for x in near]
        marks.append(Mark("points", "sample", label="logged"))
    for event, when in flight.events.items():
        if start <= when <= end:
            marks.append(Mark("rule", value=float(when), across="x", label=event.replace("_", " ")))
    return Figure(
        name, title, words, columns, Axis("time", "time", "s"), Axis("value", title.lower(), unit),
        tuple(marks),
    )  # fmt: skip


def _span(flight: Flight, name: str) -> tuple[float, float]:
    """Height over the whole flight; speed and acceleration around the push."""
    t = flight.track.time
    if name == "height" or not flight.boosted:
        return float(t[0]), float(t[-1])
    launch, burnout = flight.events["launch"], flight.events["burnout"]
    length = burnout - launch
    return launch - 0.3 * length, burnout + max(1.0 * length, 0.3)
