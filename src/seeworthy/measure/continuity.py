"""What is lost between the files of one recording, and by what rule they are cut."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

SIZE_LIMIT = 2**32 - 1
"""Largest file of a FAT32 volume: 4 GiB - 1 byte (file sizes there have 32 bits)."""
_SIZE_SHARE = 0.985
_TIME_SHARE = 0.01

Rule = Literal["time", "size"]


@dataclass(frozen=True, slots=True)
class Segment:
    """One file of a recording.

    Attributes
    ----------
    start, end : float
        Seconds, on one time scale for all files; `end` is when its last frame ends.
    u : float
        Standard uncertainty of each of them.
    size : int
        Bytes.
    """

    start: float
    end: float
    u: float
    size: int


@dataclass(frozen=True, slots=True)
class Gaps:
    """Time between files.

    Attributes
    ----------
    order : tuple of int
        Places in the list given, by time.
    gaps, u : tuple of float
        Seconds from the end of each file to the start of the next (negative: they
        overlap), and standard uncertainties.
    lost_share, lost_share_u : float
        Percent of the whole that falls into gaps.
    """

    order: tuple[int, ...]
    gaps: tuple[float, ...]
    u: tuple[float, ...]
    lost_share: float
    lost_share_u: float


def gaps_between(segments: Sequence[Segment]) -> Gaps:
    """Order the files and measure what lies between them (two files at least)."""
    if len(segments) < 2:
        raise ValueError("gaps need two files at least")
    order = sorted(range(len(segments)), key=lambda place: segments[place].start)
    files = [segments[place] for place in order]
    pairs = list(itertools.pairwise(files))
    gaps = tuple(after.start - before.end for before, after in pairs)
    u = tuple(float(np.hypot(before.u, after.u)) for before, after in pairs)
    whole = files[-1].end - files[0].start
    return Gaps(
        tuple(order), gaps, u, 100 * sum(gaps) / whole, 100 * float(np.linalg.norm(u)) / whole
    )


def segment_rule(segments: Sequence[Segment]) -> Rule | None:
    """Tell by what rule the recorder starts a new file; None where the files do not tell.

    The last file is left out: it ends when the recording does. Files that all come within
    1.5 % of 4 GiB - 1 are cut by size; files whose lengths agree within 1 % by time. Where
    both hold, at a steady bit rate, the size is the reason.
    """
    files = sorted(segments, key=lambda file: file.start)[:-1]
    if not files:
        return None
    if all(_SIZE_SHARE * SIZE_LIMIT <= file.size <= SIZE_LIMIT for file in files):
        return "size"
    lengths = np.array([file.end - file.start for file in files])
    if len(files) > 1 and np.ptp(lengths) <= _TIME_SHARE * float(lengths.mean()):
        return "time"
    return None
