"""Looking at the files of a card: what each is, its digest, its slate, a small picture.

`scan_file` opens media and runs in a worker process. Files are read only, never changed.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, as_completed
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from seeworthy.ground.errors import SeeworthyError, WrongCall
from seeworthy.media.glimpse import Kind, facts, frame_jpeg, sniff
from seeworthy.media.source import Source

MOST_FILES = 5000
"""Stills at one a second for an hour are 3600; more is a disk (a judgement)."""
_LOOK_SECONDS = 6.0  # s: a slate is held still longer than it takes to pass it (a judgement)
_PERIOD = 0.2  # s between frames that are searched for a slate (time)
_THUMB = 320  # px, as wide as a page shows it
_LOOKS = (0, 5, 15)
"""Pictures without a slate in which a target is looked for: at once, after 1 s and after 3 s,
when whoever held something before the camera has stepped aside (a judgement)."""


@dataclass(frozen=True, slots=True)
class Scanned:
    """One file of a card.

    Attributes:
        name: Path below the folder, with slashes.
        modified: Seconds since 1970.
        kind: By content: ``clip``, ``still``, ``table``, ``unknown``.
        seconds: Length of a clip.
        made: When it was recorded, as the file says.
        model: What the camera calls itself in the file.
        target: Printed target in view, ``""`` for none.
        slates: Different texts that were read in the first seconds, in order.
        picture: JPEG, empty where there is none.
        trouble: Why it cannot be used.
    """

    name: str
    path: str
    size: int
    modified: float
    kind: Kind = "unknown"
    sha256: str = ""
    seconds: float = 0.0
    made: str = ""
    model: str = ""
    target: str = ""
    slates: tuple[str, ...] = ()
    picture: bytes = b""
    trouble: str = ""


def list_card(folder: Path) -> list[Path]:
    """Return the files of a card folder, hidden ones and links left out.

    Raises:
        WrongCall: No folder, nothing in it, or far too much.
    """
    if not folder.is_dir():
        raise WrongCall(f"There is no folder '{folder}'.", "Name the folder of the card.")
    found: list[Path] = []
    for place, folders, names in os.walk(folder, followlinks=False):
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        for name in sorted(names):
            path = Path(place) / name
            if not name.startswith(".") and path.is_file() and not path.is_symlink():
                found.append(path)
        if len(found) > MOST_FILES:
            raise WrongCall(
                f"'{folder}' holds more than {MOST_FILES} files.", "Name the folder of the card."
            )
    if not found:
        raise WrongCall(f"There is no file in '{folder}'.", "Name the folder of the card.")
    return found


def scan_folder(
    folder: Path, executor: Executor, tell: Callable[[int, int], None] = lambda done, total: None
) -> list[Scanned]:
    """Look at every file of a folder, in worker processes.

    Args:
        executor: Of any `concurrent.futures` shape.
        tell: Called with how many files are done, and of how many.
    """
    return scan_files([(p, _below(p, folder)) for p in list_card(folder)], executor, tell)


def scan_files(
    files: Sequence[tuple[Path, str]],
    executor: Executor,
    tell: Callable[[int, int], None] = lambda done, total: None,
) -> list[Scanned]:
    """Look at named files; one that costs its worker is answered for, the others go on."""
    waiting: dict[Future[Scanned], int] = {}
    found: dict[int, Scanned] = {}
    for place, (path, name) in enumerate(files):
        waiting[executor.submit(scan_file, str(path), name)] = place
    for done, future in enumerate(as_completed(waiting), 1):
        place = waiting[future]
        try:
            found[place] = future.result()
        except Exception as error:  # whatever is raised here tells of the worker
            path, name = files[place]
            why = f"It could not be looked at within its limits ({type(error).__name__})."
            found[place] = _bare(path, name, why)
        tell(done, len(files))
    return [found[i] for i in range(len(files))]


def _below(path: Path, folder: Path) -> str:
    return path.relative_to(folder).as_posix()


def _bare(path: Path, name: str, trouble: str) -> Scanned:
    try:
        stat = path.stat()
    except OSError:
        return Scanned(name, str(path), 0, 0.0, trouble=trouble)
    return Scanned(name, str(path), stat.st_size, stat.st_mtime, trouble=trouble)


def scan_file(path: str, name: str) -> Scanned:
    """Look at one file (in a worker process)."""
    place = Path(path)
    try:
        stat = place.stat()
        if stat.st_size == 0:
            return _bare(place, name, "It is empty.")
        kind = sniff(place)
        with place.open("rb") as handle:
            sha256 = hashlib.file_digest(handle, "sha256").hexdigest()
    except OSError as error:
        return _bare(place, name, f"It cannot be read: {error.strerror}.")
    known: dict[str, Any] = {"kind": kind, "sha256": sha256}
    if kind == "unknown":
        known["trouble"] = "It is no clip, no still and no log."
    if kind in ("clip", "still"):
        try:
            found = facts(path, name)
            known |= {"seconds": found.seconds, "made": found.made, "model": found.model}
            known["slates"], known["target"] = marks_in(Source(place, name), kind)
            middle = found.count // 3 if kind == "clip" else 0
            known["picture"] = frame_jpeg(path, name, middle, _THUMB)
        except SeeworthyError as error:
            known["trouble"] = error.message
    return Scanned(name, path, stat.st_size, stat.st_mtime, **known)


def marks_in(source: Source, kind: Kind) -> tuple[tuple[str, ...], str]:
    """Return the texts of slates and the target in a still, or in a clip's first seconds."""
    from seeworthy.targets.find import target_in
    from seeworthy.targets.slate_reader import read_slate

    if kind == "still":
        from seeworthy.media.stills import read_still

        pixels = read_still(source).pixels
        luma = pixels if pixels.ndim == 2 else pixels[:, :, 1]
        text = read_slate(luma)
        return ((text,) if text else ()), target_in(luma)
    found: dict[str, None] = {}
    target, without, done = "", 0, False
    for luma in _early(source):
        text = "" if done else read_slate(luma)
        if text:
            found[text] = None
            continue
        # The card is taken away: what follows is the take.
        done = done or bool(found)
        if not target and without in _LOOKS:
            target = target_in(luma)
        without += 1
        if done and (target or without > max(_LOOKS)):
            break
    return tuple(found), target


def _early(source: Source) -> Iterator[Any]:
    """Yield luma pictures of the first seconds, a few per second."""
    from seeworthy.media.opening import open_clip, video_stream

    with open_clip(source) as container:
        stream = video_stream(container, source)
        stream.thread_type = "AUTO"
        first: float | None = None
        last = -1.0
        for frame in container.decode(stream):
            now = float(frame.time or 0.0)
            first = now if first is None else first
            if now - first > _LOOK_SECONDS:
                return
            if now - last >= _PERIOD or last < 0:
                last = now
                yield frame.to_ndarray(format="gray")
