"""Long work on clips behind the pages: mended and recovered files, each in a folder of its own.

The work is done in a worker process; how far it is, what came of it and the new file lie in
the bench under ``exports/mended``, so that a page that is opened later finds them.
"""

from __future__ import annotations

import json
import re
import secrets
import shutil
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import CancelledError, Executor, Future
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from seeworthy.ground.errors import NotFound, SeeworthyError

if TYPE_CHECKING:
    from seeworthy.judge.correct.data import Corrections, Kind

FOLDER = "mended"
_TICKET = re.compile(r"[A-Za-z0-9_-]{22}")
_NOTE, _SHARE = "work.json", "share"
_TELL_EVERY = 0.3  # s between two notes of how far the work is: a page asks once a second


@dataclass(frozen=True, slots=True)
class Work:
    """One piece of work.

    Attributes:
        kind: ``correct``, ``recover`` or ``cards``.
        name: What the user calls the clip, or the camera.
        state: ``working``, ``done`` or ``failed``.
        share: How much is done, 0 to 1.
        begun: Seconds since 1970.
        said: What came of it: plain JSON values.
        message, hint: Why it failed.
    """

    ticket: str
    kind: str
    name: str
    state: str
    share: float
    begun: float
    said: Mapping[str, Any]
    message: str = ""
    hint: str = ""


@dataclass(frozen=True, slots=True)
class Proving:
    """A clip on which one correction is shown: its kind, clip, label, and what the test needs."""

    kind: Kind
    clip: Path
    name: str
    roles: Mapping[str, Sequence[str]]
    options: Mapping[str, Sequence[str]]


class Workshop:
    """The work of one bench.

    Args:
        folder: For the work; made when it is needed.
        pool: Gives the executor.
    """

    def __init__(self, folder: Path, pool: Callable[[], Executor]) -> None:
        self.folder = folder
        self._pool = pool
        self._going: dict[str, Future[Any]] = {}
        self._lock = threading.Lock()

    def place(self) -> tuple[str, Path]:
        """Return a new ticket and its folder; what is to be worked on can be put there."""
        ticket = secrets.token_urlsafe(16)
        folder = self.folder / ticket
        folder.mkdir(parents=True)
        return ticket, folder

    def begin(
        self, ticket: str, kind: str, name: str, work: Callable[..., Mapping[str, Any]], *given: Any
    ) -> None:
        """Start work: ``work(folder, *given)`` in a worker process."""
        note = {"kind": kind, "name": name, "state": "working", "begun": time.time()}
        _write(self.folder / ticket, note)
        with self._lock:
            future = self._pool().submit(work, str(self.folder / ticket), *given)
            self._going[ticket] = future
        future.add_done_callback(lambda done: self._ended(ticket, note, done))

    def _ended(self, ticket: str, note: dict[str, Any], future: Future[Any]) -> None:
        try:
            note = {**note, "state": "done", "said": future.result()}
        except SeeworthyError as error:
            note = {**note, "state": "failed", "message": error.message, "hint": error.hint}
        except CancelledError:
            note = {**note, "state": "failed", "message": "It was stopped.", "hint": ""}
        except Exception as error:  # a worker that died, or a fault of ours
            said = f"The clip could not be worked on ({type(error).__name__})."
            hint = "It may be damaged, or longer than an hour's work: try a shorter piece."
            note = {**note, "state": "failed", "message": said, "hint": hint}
        with suppress(OSError):  # removed meanwhile
            _write(self.folder / ticket, note)
        with self._lock:
            self._going.pop(ticket, None)

    def get(self, ticket: str) -> Work:
        """Return how far a piece of work is.

        Raises:
            NotFound
        """
        place = self.folder / ticket
        try:
            note = json.loads((place / _NOTE).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            note = None
        if note is None or not _TICKET.fullmatch(ticket):
            raise NotFound("There is no such work.", "Begin it again on the page Mend.")
        state, message, hint = note["state"], note.get("message", ""), note.get("hint", "")
        if state == "working" and ticket not in self._going:
            note = json.loads((place / _NOTE).read_text(encoding="utf-8"))  # it may end just now
            state, message, hint = note["state"], note.get("message", ""), note.get("hint", "")
            if state == "working":
                state, hint = "failed", "Begin it again."
                message = "The pages were closed while it was at work."
        return Work(
            ticket, note["kind"], note["name"], state, _share(place), note["begun"],
            note.get("said", {}), message, hint,
        )  # fmt: skip

    def all(self) -> list[Work]:
        """Return what is there, newest first."""
        found = []
        if self.folder.is_dir():
            for note in self.folder.glob(f"*/{_NOTE}"):
                with suppress(NotFound):
                    found.append(self.get(note.parent.name))
        return sorted(found, key=lambda w: -w.begun)

    def file(self, ticket: str, name: str) -> Path:
        """Return a file of a piece of work by its name.

        Raises:
            NotFound
        """
        said = self.get(ticket).said
        path = self.folder / ticket / name
        if name not in (said.get("file"), *said.get("pictures", ())) or not path.is_file():
            raise NotFound("There is no such file.", "It may have been removed.")
        return path

    def drop(self, ticket: str) -> None:
        """Stop a piece of work where it goes on, and remove what came of it."""
        self.get(ticket)
        going = self._going.get(ticket)
        if going is not None:
            going.cancel()
        shutil.rmtree(self.folder / ticket, ignore_errors=True)


def _write(folder: Path, note: Mapping[str, Any]) -> None:
    part = folder / f"{_NOTE}.part"
    part.write_text(json.dumps(note, ensure_ascii=False), encoding="utf-8")
    part.replace(folder / _NOTE)


def _share(folder: Path) -> float:
    try:
        return min(1.0, max(0.0, float((folder / _SHARE).read_text(encoding="ascii"))))
    except (OSError, ValueError):
        return 0.0


@dataclass
class _Progress:
    """Notes how far a part of the work is, from one share to another."""

    folder: Path
    low: float
    high: float
    last: float = field(default=0.0)

    def __call__(self, share: float) -> None:
        now = time.monotonic()
        if now - self.last < _TELL_EVERY and share < 1.0:
            return
        self.last = now
        part = self.folder / f"{_SHARE}.part"
        part.write_text(f"{self.low + share * (self.high - self.low):.4f}", encoding="ascii")
        part.replace(self.folder / _SHARE)


def do_correct(
    place: str,
    clip: str,
    name: str,
    corrections: Corrections,
    keep_all: bool,
    proving: Sequence[Proving],
) -> dict[str, Any]:
    """Mend a clip in its folder; return what was done (runs in a worker process).

    Raises:
        SeeworthyError: As `seeworthy.judge.correct.apply.correct_clip` and `…prove.prove`.
    """
    from seeworthy.judge.correct.apply import correct_clip
    from seeworthy.judge.correct.outclip import default_name
    from seeworthy.judge.correct.prove import prove
    from seeworthy.media.source import Source

    folder, source = Path(place), Source(Path(clip), name)
    ending = default_name(Source(Path(name), name) if _known(name) else source).suffix
    out = folder / f"{Path(name).stem}-corrected{ending}"
    parts = 1 + 2 * len(proving)
    mended = correct_clip(
        source, corrections, out, keep_all=keep_all, progress=_Progress(folder, 0.0, 1 / parts)
    )
    proofs = []
    for i, one in enumerate(proving):
        tell = _Progress(folder, (1 + 2 * i) / parts, (3 + 2 * i) / parts)
        proof = prove(
            one.kind, one.clip, corrections, roles=one.roles, options=one.options, progress=tell
        )
        proofs.append({**proof.to_json(), "file": one.name})
    return {
        **mended.to_json(),
        "file": out.name,
        "size": out.stat().st_size,
        "proofs": proofs,
        "pictures": _pictures(folder, {"before.jpg": source, "after.jpg": Source(out, out.name)}),
    }


def _known(name: str) -> bool:
    from seeworthy.judge.correct.outclip import ENDINGS

    return Path(name).suffix.lower() in ENDINGS


def do_recover(
    place: str, broken: tuple[str, str], good: tuple[str, str], sound: bool
) -> dict[str, Any]:
    """Rebuild a clip (path, label) in its folder; return what came back (runs in a worker process).

    Raises:
        SeeworthyError: As `seeworthy.media.recover.recover`.
    """
    from seeworthy.media.recover import recover
    from seeworthy.media.recover.rebuild import default_name
    from seeworthy.media.source import Source

    folder = Path(place)
    out = folder / default_name(Path(broken[1])).name
    found = recover(
        Source(Path(broken[0]), broken[1]),
        Source(Path(good[0]), good[1]),
        out,
        sound=sound,
        progress=_Progress(folder, 0.0, 1.0),
    )
    said = {**found.to_json(), "file": found.path.name, "size": found.path.stat().st_size}
    return {**said, "pictures": _pictures(folder, {"after.jpg": Source(found.path, out.name)})}


def do_cards(
    place: str,
    bench: str,
    camera: str,
    sizes: Sequence[str],
    kinds: Sequence[str],
    alpha: bool,
    clips: bool,
) -> dict[str, Any]:
    """Draw cards into a ZIP file in the work's folder (runs in a worker process).

    Raises:
        SeeworthyError: As `seeworthy.publish.cards.write_cards`.
    """
    from seeworthy.bench.store import open_bench
    from seeworthy.publish.cards import write_cards
    from seeworthy.publish.write import slug

    folder = Path(place)
    tell = _Progress(folder, 0.0, 0.9 if clips else 1.0)
    with open_bench(bench) as opened:
        made = write_cards(
            opened, camera, folder / "cards", sizes=sizes, kinds=kinds, alpha=alpha, clips=clips,
            tell=lambda done, total: tell(done / total),
        )  # fmt: skip
    name = f"{slug(camera)}-cards"
    out = Path(shutil.make_archive(str(folder / name), "zip", made.folder))
    shutil.rmtree(made.folder)
    films = [f"{file}: {caption}" for file, caption in made.clips]
    drawn = [f"{len(made.cards)} cards in {len(sizes)} sizes.", *films]
    left = [f"Not made, {why}" for why in made.left]
    return {"file": out.name, "size": out.stat().st_size, "applied": drawn, "limits": left,
            "pictures": []}  # fmt: skip


def _pictures(folder: Path, sources: Mapping[str, Any]) -> list[str]:
    """Keep the middle frame of each clip as a picture; what has none is left out."""
    from seeworthy.media.glimpse import facts, frame_jpeg

    kept = []
    for name, source in sources.items():
        with suppress(SeeworthyError):
            middle = facts(str(source.path), source.name).count // 2
            data = frame_jpeg(str(source.path), source.name, middle, 960)
            (folder / name).write_bytes(data)
            kept.append(name)
    return kept
