"""Uploads streamed to disk in pieces, resumable, never trusted.

A file is sent in pieces, each with the offset at which it belongs; what has arrived
is kept until the file is used or a day has passed, so that an upload that broke off
goes on where it stopped. The user's name is only a label: on disk a file is called
after its random ticket, and what it is follows from its content.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import time
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import BinaryIO

from seeworthy.ground.errors import FULL_DISK, Conflict, NoSpace, NotFound, WrongCall

FOLDER = "uploads"
LARGEST = 64 * 1024**3  # bytes: a card that is one file (a judgement)
_KEEP_SECONDS = 24 * 3600.0  # a day: an upload may go on tomorrow
SPARE = 1024**3  # bytes of disk that an upload leaves free
_LARGEST_TOTAL = 128 * 1024**3  # bytes: two of the largest
_MOST_OPEN = 500  # files: a card of stills (a judgement)
_TICKET = re.compile(r"^[A-Za-z0-9_-]{22}$")
_LONGEST_LABEL = 120  # characters: a line of a page (a judgement)
_LONGEST_NAME = 200
"""Bytes of a name: file systems take 255, and `-corrected` and the like are put behind it."""
_LONGEST_ENDING = 12  # characters; the longest that a camera writes has five (a judgement)


@dataclass(frozen=True, slots=True)
class Upload:
    """One file on its way.

    Attributes:
        name: Label; the last part of what the browser called it.
        size: Bytes announced.
        have: Bytes that have arrived.
    """

    ticket: str
    name: str
    size: int
    have: int

    @property
    def complete(self) -> bool:
        """True when everything has arrived."""
        return self.have == self.size


def clean_name(name: str) -> str:
    """Return a label that is safe to show and to keep: last path part, no control characters."""
    last = re.split(r"[\\/]", name)[-1]
    text = "".join(c for c in last if c.isprintable()).strip().strip(".")
    stem, dot, ending = text.rpartition(".")
    if not dot or len(ending) > _LONGEST_ENDING:
        stem, dot, ending = text, "", ""
    stem = stem[: _LONGEST_LABEL - len(dot + ending)]
    room = _LONGEST_NAME - len((dot + ending).encode())
    return (stem.encode()[:room].decode("utf-8", "ignore") + dot + ending) or "file"


def link_or_copy(source: Path, target: Path) -> None:
    """Give a file a second name; a disk without such (a stick) gets a copy.

    Raises:
        NoSpace
    """
    try:
        os.link(source, target)
    except OSError:
        try:
            shutil.copyfile(source, target)
        except OSError as error:
            target.unlink(missing_ok=True)
            if error.errno in FULL_DISK:
                raise NoSpace("The disk has no room for a copy.", "Free some space.") from None
            raise


class Uploads:
    """The uploads of one bench, in a folder of its own.

    Args:
        folder: The bench.
        largest: Bytes of the largest file that is taken.
    """

    def __init__(self, folder: Path, largest: int = LARGEST) -> None:
        self.folder = folder / FOLDER
        self.largest = largest

    def begin(self, name: str, size: int) -> Upload:
        """Announce a file and get its ticket.

        Raises:
            WrongCall: Empty or too large.
            NoSpace: The disk could not hold it.
        """
        label = clean_name(name)
        if size <= 0:
            raise WrongCall(f"'{label}' is empty.", "Copy it again from the card.")
        if size > self.largest:
            raise WrongCall(
                f"'{label}' is larger than {self.largest / 1e9:.3g} GB.",
                "Reference it in place from the command line instead.",
            )
        self.folder.mkdir(parents=True, exist_ok=True)
        count, announced, coming = self._under_way()
        if count >= _MOST_OPEN or announced + size > _LARGEST_TOTAL:
            raise WrongCall(
                f"Too much is on its way already ({count} files, {announced / 1e9:.3g} GB).",
                "Use or drop those first; what nobody uses is removed after a day.",
            )
        # What others have announced and not yet sent needs its room too.
        if shutil.disk_usage(self.folder).free < size + coming + SPARE:
            raise NoSpace(f"The disk has no room for '{label}'.", "Free some space first.")
        upload = Upload(secrets.token_urlsafe(16), label, size, 0)
        self._note(upload.ticket).write_text(json.dumps(asdict(upload)), encoding="utf-8")
        self._data(upload.ticket).touch()
        return upload

    def _under_way(self) -> tuple[int, int, int]:
        """Return how many uploads there are, their bytes, and how many have not arrived."""
        count = announced = coming = 0
        for note in self.folder.glob("*.json"):
            with suppress(NotFound):
                one = self.get(note.stem)
                count, announced = count + 1, announced + one.size
                coming += one.size - one.have
        return count, announced, coming

    def keep(self, name: str, file: BinaryIO) -> str:
        """Take a file that came in one piece; return its ticket.

        Raises:
            WrongCall, NoSpace
        """
        size = file.seek(0, os.SEEK_END)
        file.seek(0)
        upload = self.begin(name, size)
        with self._data(upload.ticket).open("wb") as handle:
            shutil.copyfileobj(file, handle, 1 << 20)
        return upload.ticket

    def get(self, ticket: str) -> Upload:
        """Return how far an upload is.

        Raises:
            NotFound: No such ticket.
        """
        if not _TICKET.match(ticket):
            raise NotFound("There is no such upload.", "Choose the file again.")
        try:
            note = json.loads(self._note(ticket).read_text(encoding="utf-8"))
            have = self._data(ticket).stat().st_size
        except (OSError, ValueError):
            raise NotFound("There is no such upload.", "Choose the file again.") from None
        return Upload(ticket, str(note["name"]), int(note["size"]), have)

    async def append(self, ticket: str, offset: int, pieces: AsyncIterator[bytes]) -> Upload:
        """Write a piece at its offset, as it comes, and return how far the upload is.

        Raises:
            Conflict: The offset is not where the upload stands; the caller asks and goes on there.
            WrongCall: More bytes than announced.
            NoSpace: The disk is full; what has arrived stays.
        """
        upload = self.get(ticket)
        if offset != upload.have:
            raise Conflict(
                f"'{upload.name}' stands at {upload.have} bytes, not at {offset}.", "Go on there."
            )
        have = upload.have
        try:
            with self._data(ticket).open("r+b") as handle:
                handle.seek(have)
                async for piece in pieces:
                    have += len(piece)
                    if have > upload.size:
                        handle.truncate(upload.have)
                        raise WrongCall(
                            f"More came for '{upload.name}' than was announced.",
                            "Choose the file again.",
                        )
                    if shutil.disk_usage(self.folder).free < SPARE:
                        raise NoSpace(
                            f"The disk became full while '{upload.name}' arrived.",
                            "Free some space; the upload goes on where it stopped.",
                        )
                    handle.write(piece)
        except OSError as error:
            if error.errno in FULL_DISK:
                raise NoSpace(
                    f"The disk became full while '{upload.name}' arrived.", "Free some space."
                ) from None
            raise
        return self.get(ticket)

    def path(self, ticket: str) -> Path:
        """Return where a complete upload lies.

        Raises:
            Conflict: It is not complete yet.
        """
        upload = self.get(ticket)
        if not upload.complete:
            raise Conflict(f"'{upload.name}' has not arrived in full.", "Let the upload finish.")
        return self._data(ticket)

    def named(self, ticket: str) -> Path:
        """Return a complete upload under its label, in a folder of its own, for taking over.

        The link is made beside the data, so that nothing is copied and the label can never
        lead out of the folder.
        """
        data = self.path(ticket)
        place = self.folder / f"{ticket}.d"
        place.mkdir(exist_ok=True)
        target = place / clean_name(self.get(ticket).name)
        if not target.exists():
            link_or_copy(data, target)
        return target

    def drop(self, ticket: str) -> None:
        """Forget an upload."""
        if _TICKET.match(ticket):
            self._note(ticket).unlink(missing_ok=True)
            self._data(ticket).unlink(missing_ok=True)
            shutil.rmtree(self.folder / f"{ticket}.d", ignore_errors=True)

    def sweep(self, older_than: float = _KEEP_SECONDS) -> int:
        """Remove uploads that nobody finished; return how many."""
        if not self.folder.is_dir():
            return 0
        old = time.time() - older_than
        stale = [p for p in self.folder.glob("*.json") if p.stat().st_mtime < old]
        for note in stale:
            data = note.with_suffix(".part")
            if not data.exists() or data.stat().st_mtime < old:
                self.drop(note.stem)
        return len(stale)

    def _note(self, ticket: str) -> Path:
        return self.folder / f"{ticket}.json"

    def _data(self, ticket: str) -> Path:
        return self.folder / f"{ticket}.part"
