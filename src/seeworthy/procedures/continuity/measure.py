"""What is lost between the files of one recording, and by what rule they are cut.

A gap is the time from the end of one file's last frame to the start of the next file's first
one; negative where the files overlap. Three witnesses: the bench clock in the pictures, the
sound (`sound_joints` beside this), and what the recorder wrote of its own clock.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.statistics import robust_spread

Floats = npt.NDArray[np.float64]

SIZE_LIMIT = 2**32 - 1
"""Largest file of a FAT32 volume: 4 GiB - 1 byte (file sizes there have 32 bits)."""
_SIZE_LIMITS = (SIZE_LIMIT, 2**31 - 1, 2**32, 4 * 10**9, 2 * 10**9)
_SIZE_SHARE = 0.985  # files end a little below their limit, at a key frame (a judgement)
_TIME_SHARE = 0.01  # lengths alike within this (a judgement)
_SAME_SIZE = 0.05  # sizes alike within this (a judgement)

CRYSTAL = 100e-6
"""A recorder's own clock may run wrong by so much (common practice, no source)."""
SHORT_EXPOSURE_U = 1.3e-3
"""Seconds. An exposure well below an update of the screen sees single updates; when between them
it fell is told by all frames of an end together, and all err alike (our rendered study)."""
_NEAR = 45  # frames by which an end is told
_JUMP = 0.6  # of a frame interval: readings that jump by more have lost frames between them
_FLOOR = 0.2e-3  # seconds: rows, exposure and stamps do not fit better

Rule = Literal["time", "size"]


@dataclass(frozen=True, slots=True)
class Segment:
    """One file of a recording.

    Attributes:
        start, end: Seconds, on one time scale for all files; `end` is when its last frame ends.
        u: Standard uncertainty of each of them.
        size: Bytes.
    """

    start: float
    end: float
    u: float
    size: int


@dataclass(frozen=True, slots=True)
class Moment:
    """A time on the bench clock, with standard uncertainty; seconds. `n` frames tell it."""

    time: float
    u: float
    n: int


def clock_moment(
    stamps: Floats, times: Floats, u: Floats, at: float, interval: float, common: float = 0.0
) -> Moment:
    """Return the time of the bench clock at a moment of the file, from the frames near it.

    Args:
        stamps, times, u: ndarray (N,). Seconds by the file and by the clock, and standard
            uncertainty of the latter, of frames at one end of the file.
        at: Seconds by the file; at or beyond an end.
        interval: Seconds from frame to frame. Where the clock jumps against the stamps (frames that
            the file hides the loss of) only the frames on this side of the jump count.
        common: Standard uncertainty that all frames of an end share, see `SHORT_EXPOSURE_U`.

    Raises:
        CannotMeasure: Fewer than three frames.
    """
    near = np.argsort(np.abs(stamps - at))[:_NEAR]
    near = near[np.isfinite(times[near])]
    if near.size < 3:
        raise CannotMeasure(
            f"The clock was read in {near.size} frames at an end of the file; three are needed.",
            "Keep the clock sharp and whole in the picture when the camera starts a new file.",
        )
    off = times[near] - stamps[near]
    off = off[: _same_run(off, interval)]
    middle = float(np.median(off))
    spread = robust_spread(off)
    kept = off[np.abs(off - middle) <= max(4 * spread, 1e-3)]
    scatter = float(kept.std(ddof=1)) / np.sqrt(kept.size) if kept.size > 1 else 0.0
    # Screen and camera beat: neighbouring readings err alike, so that each one's own
    # uncertainty does not shrink with the square root of their number.
    own = float(np.median(u[near])) / 2
    total = float(np.sqrt(scatter**2 + own**2 + common**2 + _FLOOR**2))
    return Moment(float(kept.mean()) + at, total, int(kept.size))


def _same_run(off: Floats, interval: float) -> int:
    """How many of the readings, nearest first, lie before the first lasting jump."""
    for i in range(2, len(off) - 1):
        before = float(np.median(off[:i]))
        if (np.abs(off[i : i + 3] - before) > _JUMP * interval).all():
            return i
    return len(off)


@dataclass(frozen=True, slots=True)
class ByMetadata:
    """Gaps by the recorder's own clock.

    Attributes:
        u: Standard uncertainty of each.
        total_u: Of their sum: the resolution enters only once.
        resolution: Seconds to which the times are written.
        mark: {"start", "end"}. Whether the time written is that of a file's start or of its end.
    """

    gaps: tuple[float, ...]
    u: float
    total_u: float
    resolution: float
    mark: Literal["start", "end"]


def gaps_by_metadata(created: Sequence[float], lengths: Sequence[float]) -> ByMetadata:
    """Gaps from the times that the recorder wrote and the lengths of the files.

    Args:
        created:
            Seconds, in order, truncated to the recorder's resolution (1 s, or 2 s where all are
            even).
        lengths: Seconds by the files' stamps.
    """
    times, length = np.asarray(created, float), np.asarray(lengths, float)
    even = len(times) > 5 and not np.any(times % 2)
    resolution = 2.0 if even else 1.0
    steps = np.diff(times)
    by_start, by_end = steps - length[:-1], steps - length[1:]
    slack = 1.2 * resolution + CRYSTAL * float(length.max())
    start_fits, end_fits = bool((by_start > -slack).all()), bool((by_end > -slack).all())
    mark: Literal["start", "end"] = "end" if end_fits and not start_fits else "start"
    gaps = by_end if mark == "end" else by_start
    drift = CRYSTAL / np.sqrt(3)
    # Both readings fit when the last file is about as long as the others: allow for either.
    either = float(np.abs(by_start - by_end).sum()) if start_fits and end_fits else 0.0
    either = min(either, resolution) / np.sqrt(12)
    u = float(np.hypot(resolution / np.sqrt(6), drift * length.mean()))
    total = float(np.sqrt(resolution**2 / 6 + (drift * length[:-1].sum()) ** 2 + either**2))
    return ByMetadata(tuple(float(g) for g in gaps), u, total, resolution, mark)


def segment_rule(segments: Sequence[Segment]) -> Rule | None:
    """Tell by what rule the recorder starts a new file; None where the files do not tell.

    The last file is left out: it ends when the recording does. Files that all come within
    1.5 % of 4 GiB - 1 (or another usual limit) are cut by size; files whose lengths agree
    within 1 % by time; files whose sizes agree within 5 % and far better than their lengths by
    an unusual limit of size. Where size and time both hold, at a usual limit and a steady bit
    rate, the size is the reason.
    """
    files = sorted(segments, key=lambda file: file.start)[:-1]
    if not files:
        return None
    sizes = np.array([file.size for file in files], float)
    for limit in _SIZE_LIMITS:
        if np.all((_SIZE_SHARE * limit <= sizes) & (sizes <= limit)):
            return "size"
    if len(files) < 2:
        return None
    lengths = np.array([file.end - file.start for file in files])
    by_length = float(np.ptp(lengths) / lengths.mean())
    by_size = float(np.ptp(sizes) / sizes.mean())
    if by_length <= _TIME_SHARE:
        return "time"
    if by_size <= _SAME_SIZE and by_length > 3 * by_size:
        return "size"
    return None


def in_circle(times: Sequence[float], period: float) -> list[float]:
    """Lay times of a clock that starts again out in a row, beginning after the widest gap."""
    order = sorted(range(len(times)), key=lambda i: times[i] % period)
    ahead = [times[i] % period for i in order]
    steps = [(b - a) % period for a, b in itertools.pairwise([*ahead, *ahead[:1]])]
    first = (int(np.argmax(steps)) + 1) % len(times)
    found = [0.0] * len(times)
    for rank, i in enumerate(order):
        found[i] = ahead[rank] + (period if rank < first else 0.0)
    return found
