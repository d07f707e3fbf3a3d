"""What each witness says of the gap between two files: clock, sound, metadata."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from seeworthy.clock.ends import EndWatch, short_exposure
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.media.ends import FileEnds
from seeworthy.media.sound import sound_between
from seeworthy.media.source import Source
from seeworthy.procedures.continuity.measure import (
    SHORT_EXPOSURE_U,
    ByMetadata,
    Moment,
    clock_moment,
    gaps_by_metadata,
    in_circle,
)
from seeworthy.procedures.continuity.sound_joints import JointPlace, place, resampled, sweep

if TYPE_CHECKING:
    Floats = npt.NDArray[np.float64]

WITNESSES = ("clock", "sound", "metadata")
PIECE = 2.5  # seconds of sound that are compared at each end
_LONGEST = 30.0  # seconds of a gap that a second recorder is searched for
_CHUNK = 60.0  # seconds of the recorder read at a time: memory


@dataclass
class File:
    """One file with what the clock says of its ends; None where it was not read."""

    ends: FileEnds
    start: Moment | None = None
    end: Moment | None = None


@dataclass
class Joint:
    """Where one file ends and the next begins: (gap, u) in seconds by witness."""

    before: FileEnds
    after: FileEnds
    said: dict[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def witness(self) -> str | None:
        """The most certain witness."""
        return next((w for w in WITNESSES if w in self.said), None)


def by_clock(ends: FileEnds, head: EndWatch, tail: EndWatch) -> File:
    """Time both ends of a file by the bench clock, where it was seen."""
    return File(
        ends,
        _moment(head, float(ends.picture.first), ends),
        _moment(tail, float(ends.picture.end), ends),
    )


def _moment(watch: EndWatch, at: float, ends: FileEnds) -> Moment | None:
    track = watch.track()
    common = SHORT_EXPOSURE_U if short_exposure(track) else 0.0
    try:
        return clock_moment(track.stamp, track.time, track.u, at, float(ends.interval), common)
    except CannotMeasure:
        return None


def lay_out(files: Sequence[File], period: float) -> None:
    """Put the times of all files on one scale where the clock starts again in between."""
    moments = [(f, name) for f in files for name in ("start", "end") if getattr(f, name)]
    if not moments:
        return
    times = in_circle([getattr(f, name).time for f, name in moments], period)
    for (f, name), time in zip(moments, times, strict=True):
        setattr(f, name, replace(getattr(f, name), time=time))


def joints_of(files: Sequence[File]) -> list[Joint]:
    """Return the joints of files in order, with what the clock says."""
    found = []
    for a, b in itertools.pairwise(files):
        joint = Joint(a.ends, b.ends)
        if a.end is not None and b.start is not None:
            joint.said["clock"] = (b.start.time - a.end.time, math.hypot(a.end.u, b.start.u))
        found.append(joint)
    return found


def ask_metadata(joints: Sequence[Joint]) -> ByMetadata | None:
    """Add what the recorder's own clock says; None where a file does not tell."""
    files = [joints[0].before, *(j.after for j in joints)]
    made = [f.created for f in files]
    known = [m.timestamp() for m in made if m is not None]
    if len(known) < len(files) or len(set(known)) < 2:  # a clock that was never set
        return None
    found = gaps_by_metadata(
        [t - known[0] + known[0] % 2 for t in known], [float(f.picture.seconds) for f in files]
    )
    for joint, gap in zip(joints, found.gaps, strict=True):
        joint.said["metadata"] = (gap, found.u)
    return found


# Sound


def ask_sound(joints: Sequence[Joint], recorder: Source | None) -> None:
    """Add what the sound says: a second recorder, else overlap or a sweep over the joint."""
    if recorder is not None:
        _ask_recorder(joints, recorder)
        return
    for joint in joints:
        if joint.before.sound is None or joint.after.sound is None:
            continue
        gap = _overlap(joint) or _sweep(joint)
        if gap is not None:
            joint.said["sound"] = gap


def _piece(source: Source, begin: float, end: float) -> tuple[float, Floats]:
    start, samples, rate = sound_between(source, begin, end)
    return start, resampled(samples, rate)


def _tail(f: FileEnds, seconds: float) -> tuple[float, Floats]:
    end = float(f.sound.end) if f.sound else 0.0
    return _piece(f.source, end - seconds, end)


def _head(f: FileEnds, seconds: float) -> tuple[float, Floats]:
    start = float(f.sound.first) if f.sound else 0.0
    return _piece(f.source, start, start + seconds)


def _overlap(joint: Joint) -> tuple[float, float] | None:
    """Find the head of the next file in the tail of this one."""
    t_tail, tail = _tail(joint.before, 2 * PIECE)
    t_head, head = _head(joint.after, 2 * PIECE)
    found = place(head, tail)
    if found is None:
        return None
    return _between(joint, t_tail + found.seconds - t_head, 0.0, found)


def _sweep(joint: Joint) -> tuple[float, float] | None:
    """Read the sweep of the clock page on both sides of the joint."""
    whole = sweep()
    t_tail, tail = _tail(joint.before, PIECE)
    t_head, head = _head(joint.after, PIECE)
    a = place(tail, whole, whiten=False)
    b = place(head, whole, whiten=False)
    if a is None or b is None or b.seconds < a.seconds:
        return None
    return _between(joint, t_tail - a.seconds, t_head - b.seconds, a, b)


def _between(
    joint: Joint, zero_a: float, zero_b: float, *places: JointPlace
) -> tuple[float, float]:
    """Gap of the pictures from the file times at which one common moment falls."""
    end = float(joint.before.picture.end) - zero_a
    start = float(joint.after.picture.first) - zero_b
    return start - end, math.hypot(*(p.u for p in places))


def _ask_recorder(joints: Sequence[Joint], recorder: Source) -> None:
    """Place every end in the recording of a second recorder that ran all the time.

    Raises:
        CannotMeasure: The second recorder heard nothing of it.
    """
    zero: float | None = None  # recorder time minus file time, of the file at hand
    for joint in joints:
        a, b = joint.before, joint.after
        if a.sound is None or b.sound is None:
            continue
        tail = _tail(a, PIECE)
        near = None if zero is None else zero + tail[0]
        at = _search(tail, recorder, near, 3.0, 3.0)
        if at is None:
            zero = None
            continue
        head = _head(b, PIECE)
        after = _search(head, recorder, at[0] + PIECE, 3.0, _LONGEST)
        if after is None:
            zero = None
            continue
        zero = after[0] - head[0]
        joint.said["sound"] = _between(joint, tail[0] - at[0], -zero, at[1], after[1])
    if not any("sound" in j.said for j in joints):
        raise CannotMeasure(
            f"Nothing of the recording's sound was found again in '{recorder.name}'.",
            "Let the second recorder run all the time beside the camera, in a room with some "
            "sound (a radio), not in silence.",
        )


def _search(
    piece: tuple[float, Floats], recorder: Source, near: float | None, before: float, behind: float
) -> tuple[float, JointPlace] | None:
    """Return the recorder time at which a piece begins; all of it is searched without `near`."""
    if near is not None:
        begin, reference = _piece(recorder, near - before, near + PIECE + behind)
        found = place(piece[1], reference, overlap=0.8 * PIECE)
        return None if found is None else (begin + found.seconds, found)
    start = 0.0
    while True:
        begin, reference = _piece(recorder, start, start + _CHUNK + 2 * PIECE)
        if not len(reference):
            return None
        found = place(piece[1], reference, overlap=0.8 * PIECE)
        if found is not None:
            return begin + found.seconds, found
        start += _CHUNK


def agree(joints: Sequence[Joint]) -> bool | None:
    """Tell whether the witnesses agree within 95 %; None where only one spoke."""
    pairs = [
        (j.said[w], j.said[v])
        for j in joints
        for w, v in itertools.combinations(WITNESSES, 2)
        if w in j.said and v in j.said
    ]
    if not pairs:
        return None
    # Of many comparisons one in twenty is off by chance: 3.3 for a set of them.
    limit = coverage_factor() if len(pairs) == 1 else 3.3
    return all(abs(a[0] - b[0]) <= limit * math.hypot(a[1], b[1]) for a, b in pairs)
