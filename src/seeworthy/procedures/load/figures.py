"""The pictures of `load`: height, speed and acceleration over time, with bands and events."""

from __future__ import annotations

from typing import Any

import numpy as np

from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.ground.uncertainty import interval
from seeworthy.procedures.load.flight import Curve, Flight

_MOST = 500  # points of a line: more show nothing more (a judgement)


def figures(flight: Flight) -> tuple[Figure, ...]:
    """Return the figures of one flight."""
    track = flight.track
    found = []
    if flight.height is not None:
        found.append(
            _figure(
                flight, "height", "Height above the pad", "m", flight.height, "height",
                "Where the height stands against its samples; what lies off the line was not "
                "believed.",
            )
        )  # fmt: skip
    if not flight.boosted:
        return tuple(found)
    return (
        *found,
        _figure(
            flight, "speed", "Speed along the path", "m/s",
            Curve(track.time, track.speed, track.u_speed), "",
            "The speed rises to burnout and falls from there.",
        ),
        _figure(
            flight, "acceleration", "Acceleration along the path, without gravity", "m/s2",
            Curve(track.time, track.acceleration, track.u_acceleration), "acceleration",
            "The peak, not the mean, is what mounts and cards must stand; the camera feels gravity "
            "on top.",
        ),
    )  # fmt: skip


def _figure(
    flight: Flight, name: str, title: str, unit: str, curve: Curve, samples: str, words: str
) -> Figure:  # fmt: skip
    t, values, spread = curve.time, curve.value, curve.u
    start, end = _span(flight, name)
    at = flight.samples[samples][0] if samples in flight.samples else np.empty(0)
    # The track's own times and the samples' times in one column; where one of the two has
    # nothing there stands nothing.
    grid = np.union1d(_thin(t, start, end), _thin(at, start, end))
    on_track = (grid >= t[0]) & (grid <= t[-1])
    columns: dict[str, list[float | None]] = {"time": [round(float(x), 4) for x in grid]}
    low, high = interval(values, spread)
    for column, drawn in (("value", values), ("low", low), ("high", high)):
        columns[column] = _cells(np.interp(grid, t, drawn), on_track)
    marks = [
        Mark("band", low="low", high="high", label="95 %"),
        Mark("line", "value", label="smoothed"),
    ]
    if at.size:
        nearest = np.clip(np.searchsorted(at, grid), 0, at.size - 1)
        columns["sample"] = _cells(flight.samples[samples][1][nearest], at[nearest] == grid)
        marks.append(Mark("points", "sample", label="logged"))
    for event, when in flight.events.items():
        if start <= when <= end:
            marks.append(Mark("rule", value=float(when), across="x", label=event.replace("_", " ")))
    return Figure(
        name, title, words, columns, Axis("time", "time", "s"), Axis("value", title.lower(), unit),
        tuple(marks),
    )  # fmt: skip


def _thin(t: Any, start: float, end: float) -> Any:
    """Return at most half of `_MOST` of the times between `start` and `end`."""
    inside = t[(t >= start) & (t <= end)]
    if inside.size <= _MOST // 2:
        return inside
    return inside[np.unique(np.linspace(0, inside.size - 1, _MOST // 2).astype(int))]


def _cells(values: Any, there: Any) -> list[float | None]:
    return [round(float(v), 4) if ok else None for v, ok in zip(values, there, strict=True)]


def _span(flight: Flight, name: str) -> tuple[float, float]:
    """Height over the whole flight; speed and acceleration around the push."""
    t = flight.track.time
    if name == "height" and flight.height is not None:
        t = flight.height.time
        last = max([t[-1], *(x[0][-1] for k, x in flight.samples.items() if k == "height")])
        return float(t[0]), float(last)
    launch, burnout = flight.events["launch"], flight.events["burnout"]
    length = burnout - launch
    return launch - 0.3 * length, burnout + max(1.0 * length, 0.3)
