"""The files of one recording: read at their ends, checked, put in order."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.media.ends import FileEnds, media_without_index, read_ends
from seeworthy.media.source import Source


@dataclass(frozen=True)
class Unfinished:
    """A file without its index, and the bytes of pictures and sound that it holds."""

    source: Source
    media_bytes: int


@dataclass(frozen=True)
class Recording:
    """Files that open and those that were never finalised, both in the order given."""

    files: tuple[FileEnds, ...]
    unfinished: tuple[Unfinished, ...]


def read_recording(sources: Sequence[Source]) -> Recording:
    """Read headers and ends of the files of one recording.

    Raises:
        UnreadableInput: A file that is no clip.
        CannotMeasure: A file without time stamps.
        WrongCall: The same file twice.
    """
    if len({s.path.resolve() for s in sources}) < len(sources):
        raise WrongCall("The same file was given twice.", "Give every file once.")
    state = [(s, s.path.stat().st_size, s.path.stat().st_mtime_ns) for s in sources]
    return _read(tuple(state))


@lru_cache(maxsize=4)
def _read(state: tuple[tuple[Source, int, int], ...]) -> Recording:
    files, unfinished = [], []
    for source, _, _ in state:
        held = media_without_index(source)
        if held is not None:
            unfinished.append(Unfinished(source, held))
            continue
        ends = read_ends(source)
        if ends is None:
            raise CannotMeasure(
                f"'{source.name}' has no time stamps.",
                "Give the camera's own files (MOV or MP4), not bare streams.",
            )
        files.append(ends)
    return Recording(tuple(files), tuple(unfinished))


def check_alike(files: Sequence[FileEnds]) -> None:
    """Refuse files of another camera or mode, naming the difference.

    Raises:
        CannotMeasure: Their traits differ.
    """
    names = dict.fromkeys(name for f in files for name in f.traits)
    for name in names:
        count = Counter(f.traits.get(name, "not said") for f in files)
        if len(count) == 1:
            continue
        usual = count.most_common(1)[0][0]
        odd = next(f for f in files if f.traits.get(name, "not said") != usual)
        like = next(f for f in files if f.traits.get(name, "not said") == usual)
        others = sum(count.values()) - count[usual]
        raise CannotMeasure(
            f"These files are not of one recording: {name} of '{odd.source.name}' is "
            f"{odd.traits.get(name, 'not said')}, of '{like.source.name}' {usual}.",
            f"Leave out the {others} that differ{'s' if others == 1 else ''}, or add --option "
            "mixed=yes when the camera did change its mode.",
        )


def name_key(name: str) -> tuple[tuple[int, int | str], ...]:
    """Return a key that sorts file names as people count: 2 before 10."""
    parts = re.split(r"(\d+)", name.lower())
    return tuple((0, int(p)) if p.isdigit() else (1, p) for p in parts if p)


def in_order(files: Sequence[FileEnds], clock: Sequence[float] | None) -> tuple[list[int], str]:
    """Return places of the files in time, and by what they were ordered.

    Args:
        clock: Starts by the bench clock; None unless it was read in every file.
    """
    places = list(range(len(files)))
    if clock is not None:
        return sorted(places, key=lambda i: clock[i]), "clock"
    made = [f.created for f in files]
    if all(m is not None for m in made) and len(set(made)) > 1:
        return sorted(places, key=lambda i: made[i]), "creation time"  # type: ignore[arg-type,return-value]
    return sorted(places, key=lambda i: name_key(files[i].source.name)), "file name"


def byte_rate(recording: Recording) -> float | None:
    """Return bytes per second of the files that open: the median; None without one."""
    rates = sorted(f.size / float(f.picture.seconds) for f in recording.files if f.picture.seconds)
    return rates[len(rates) // 2] if rates else None
