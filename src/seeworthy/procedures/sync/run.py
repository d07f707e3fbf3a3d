"""Run of `sync`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from seeworthy.clock.ends import short_exposure
from seeworthy.clock.watch import ClockTrack, ClockWatch
from seeworthy.ground.budget import Component, combined
from seeworthy.ground.digits import expanded, number
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.quantities import Quantity
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Picture, result
from seeworthy.media.ends import read_ends
from seeworthy.media.frames import Part
from seeworthy.media.sound import open_sound
from seeworthy.media.source import Source
from seeworthy.observe.evidence import GREEN, canvas, draw_outline, encode
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.sync.measure import (
    SPEED_OF_SOUND,
    BeepListener,
    Sync,
    clock_times,
    fit_sync,
)

if TYPE_CHECKING:
    Floats = npt.NDArray[np.float64]

_WHOLE = 120.0  # seconds up to which every frame is looked at
_EVERY = 10.0  # else one look of so many seconds
_LOOK = 1.6  # s of each part: at least one whole second with its beep (derived)
# Screens answer 2 to 5 ms late (our trials), browsers start a beep within 3 ms of the time
# asked for (our allowance, no source); both are constants of the set-up.
_SCREEN = (3.5e-3, 0.9e-3)
_SPEAKER_U = 1.5e-3
_DISTANCE = (0.4, 0.2)
_SOUND_DELAY_U = 0.3e-3  # reading an onset in a room
_CLOCK_U = 0.3e-3
_CLOCK_SHORT_U = 2.0e-3  # exposures well below an update of the screen (our rendered study)
# The clock's readings wander together by so much over a clip, however many beeps there are
# (our rendered study); a slope of that size is no drift.
_WANDER = 0.06e-3
_EARLY, _LATE = -45.0, 125.0


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Ask for the clock: in every frame of a short clip, in looks at a long one."""
    source = inputs.file()
    open_sound(source)  # refuses a clip without sound before anything is decoded
    ends = read_ends(source)
    if ends is None:
        raise CannotMeasure(
            f"'{source.name}' has no time stamps.",
            "Give the camera's own file (MOV or MP4), not a bare stream.",
        )
    length = float(ends.picture.seconds)
    parts: tuple[Part, ...] = ()
    if length > _WHOLE:
        count = round(length / _EVERY)
        step = (length - _LOOK) / (count - 1)
        parts = tuple(Part(i * step, _LOOK) for i in range(count))
    return (Watch(source, ClockWatch(), parts),)


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Hold the beeps of the clock against the times that the picture shows."""
    source = inputs.file()
    watch: ClockWatch = seen.watches[0].observer  # type: ignore[assignment]
    track = watch.track()
    _need_clock(source, watch, track)
    listener = _listen(source)
    starts = np.array(sorted(listener.starts))
    if not starts.size:
        raise _no_beep(source, listener)
    good = np.isfinite(track.stamp)
    times = clock_times(starts, track.stamp[good], track.time[good])
    timed = np.isfinite(times)
    found = fit_sync(times[timed])
    return _outcome(inputs, found, starts[timed], times[timed], watch, track, starts.size)


def _need_clock(source: Source, watch: ClockWatch, track: ClockTrack) -> None:
    """Refuse a clip in which the clock was hardly read.

    Raises:
        CannotMeasure
    """
    if len(track.time) >= max(30, track.frames // 10):
        return
    message = f"The bench clock was read in {len(track.time)} of {track.frames} frames."
    hint = (
        "Open the clock page (`seeworthy target clock`, or Targets in `serve`), fill most of the "
        "picture with it, all four corner marks in view; turn the screen down if it looks washed "
        "out."
    )
    if watch.mirrored:
        message = f"The bench clock stands mirrored in '{source.name}'."
        hint = "Switch the camera's mirroring off (selfie mode), or do not film through a mirror."
    raise CannotMeasure(message, hint, _pictures(watch))


def _no_beep(source: Source, listener: BeepListener) -> CannotMeasure:
    if listener.loudest < 1e-4:
        return CannotMeasure(
            f"The sound of '{source.name}' is silence.",
            "Switch the camera's microphone and the clock's beep on, and film again.",
        )
    return CannotMeasure(
        f"No beep of the clock is heard in '{source.name}'.",
        "Press Beep (B) on the clock page, turn the loudspeaker up, lay it beside the camera.",
    )


def _listen(source: Source) -> BeepListener:
    sound = open_sound(source)
    listener = BeepListener(sound.rate)
    for block in sound.blocks():
        at = None if block.pts is None else float(block.pts * sound.time_base)
        listener.feed(block.samples.mean(axis=1), at)
    listener.finish()
    return listener


def _outcome(
    inputs: Inputs,
    found: Sync,
    starts: Floats,
    times: Floats,
    watch: ClockWatch,
    track: ClockTrack,
    heard: int,
) -> Outcome:
    screen, u_screen = _constant(inputs.reading("screen_delay"), _SCREEN, 1e-3)
    path, u_path = _constant(inputs.reading("distance"), _DISTANCE, 1.0)
    delay, u_delay = path / SPEED_OF_SOUND, u_path / SPEED_OF_SOUND
    # A late screen makes the picture's clock read late, so the sound seems early by as much.
    offset = found.offset_ms + 1e3 * (screen - delay)
    clock = _CLOCK_SHORT_U if short_exposure(track) else _CLOCK_U
    constants = (
        _ms("screen that answers late", u_screen, *_origin(inputs, "screen_delay")),
        _ms("way of the sound", u_delay, *_origin(inputs, "distance")),
        _ms("start of a beep", _SPEAKER_U, "judgement: browsers and loudspeakers"),
        _ms("onset of a beep in a room", _SOUND_DELAY_U, "judgement"),
        _ms("clock as filmed", clock, "study of the clock, rendered"),
    )
    scatter = Component("beeps that differ", found.offset_u_ms, "ms", source="scatter")
    constant, u = combined(constants) / 1e3, combined((scatter, *constants))
    evidence = ["clock.png"] if watch.sample is not None else []
    random = max(found.offset_u_ms, 1e-9)
    dof = (found.n - 2) * (u / random) ** 4
    results = (
        result(
            "av_offset", offset, n=found.n, dof=dof, evidence=evidence,
            budget=(scatter, *constants),
        ),
        result(
            "av_drift", found.drift_ppm, n=found.n, dof=found.n - 2, evidence=evidence,
            budget=_drift_parts(found, times),
        ),
    )  # fmt: skip
    return Outcome(
        results,
        {
            "beeps_heard": heard,
            "beeps_used": found.n,
            "frames_read": len(track.time),
            "frames_looked_at": track.frames,
            "screen_delay_ms": round(1e3 * screen, 2),
            "sound_path_ms": round(1e3 * delay, 2),
            "constants_u_ms": round(1e3 * constant, 2),
        },
        tuple(_warnings(inputs, found, heard)),
        _pictures(watch),
        (_figure(found, starts, times, 1e3 * (screen - delay)),),
        sentence=_sentence(
            offset, u, found, combined(_drift_parts(found, times)), float(starts[-1] - starts[0])
        ),
    )


def _ms(name: str, seconds: float, source: str, common: str = "") -> Component:
    return Component(name, 1e3 * seconds, "ms", source=source, common=common)


def _origin(inputs: Inputs, name: str) -> tuple[str, str]:
    """Return source and `Component.common` of a constant that may have been read."""
    return ("judgement: usual ones", "") if inputs.reading(name) is None else ("reading", name)


def _drift_parts(found: Sync, times: Floats) -> tuple[Component, ...]:
    """Return what the drift's uncertainty is made of, ppm."""
    span = float(times[-1] - times[0])
    return (
        Component("beeps that differ", found.drift_u_ppm, "ppm", source="scatter"),
        Component("clock's readings that wander together", 1e3 * _WANDER, "ms",
                  1e3 * math.sqrt(12) / span, source="study of the clock, rendered"),
    )  # fmt: skip


def _constant(
    reading: Quantity | None, usual: tuple[float, float], scale: float
) -> tuple[float, float]:
    return usual if reading is None else (reading.value * scale, reading.u * scale)


def _warnings(inputs: Inputs, found: Sync, heard: int) -> list[str]:
    said = []
    if inputs.reading("screen_delay") is None:
        said.append(
            "A screen shows what it is told 2 to 5 ms late: 3.5 ms are taken off, and their doubt "
            "is in the interval. A screen of its own (a monitor, a television) can be tens of "
            "ms late and a wireless loudspeaker 100 ms: use what is built into a laptop or phone."
        )
    if found.n < heard:
        said.append(f"{heard - found.n} of {heard} beeps were not used: no clock near, or no beep.")
    return said


def _pictures(watch: ClockWatch) -> tuple[Picture, ...]:
    if watch.sample is None:
        return ()
    drawn = canvas(watch.sample)
    if watch.outline is None:
        return (encode("clock.png", "A frame in which no clock was read.", drawn),)
    draw_outline(drawn, watch.outline, GREEN)
    return (encode("clock.png", "The clock as it was found in the first frame read.", drawn),)


def _figure(found: Sync, starts: Floats, times: Floats, constant: float) -> Figure:
    middle = (found.offset_ms + 500) % 1000 - 500
    late = (times * 1e3 - middle + 500) % 1000 - 500 + middle + constant
    x0 = float(times[found.used].mean())
    line = found.offset_ms + constant + found.drift_ppm * 1e-3 * (times - x0)
    rows = range(0, len(starts), max(1, len(starts) // 400))
    return Figure(
        "offset",
        "Sound against picture at every beep",
        "A flat line stays in step; a slope means that long clips drift apart.",
        {
            "time": [round(float(starts[i]), 3) for i in rows],
            "late": [round(float(late[i]), 3) for i in rows],
            "fit": [round(float(line[i]), 3) for i in rows],
        },
        Axis("time", "time in the clip", "s"),
        Axis("late", "sound late by", "ms"),
        (Mark("points", y="late"), Mark("line", y="fit")),
    )


def _sentence(offset: float, u: float, found: Sync, u_drift: float, seconds: float) -> str:
    if abs(offset) < 2 * u:
        text = "Sound and picture come together"
    else:
        shown = number(abs(offset), expanded(u))
        text = f"The sound comes {shown} ms {'late' if offset > 0 else 'early'}"
        # ITU-R BT.1359 (from memory): noticed from 45 ms early or 125 ms late.
        text += "" if offset < _EARLY or offset > _LATE else ", less than viewers notice"
    if abs(found.drift_ppm) < 2 * u_drift:
        return f"{text}, and they were not seen to drift apart in {seconds:.0f} s."
    hour = found.drift_ppm * 3.6
    return f"{text}; they drift apart by {number(abs(hour), expanded(3.6 * u_drift))} ms an hour."
