"""Evidence: files under their SHA-256, kept in the bench or referenced in place.

A kept file is hashed while it is copied, written under a temporary name in the
folder it will stand in, and renamed when it is whole; the same content is kept
once. A kept file is made read-only, for it is what the figures rest on.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from sqlalchemy.orm import Session

from seeworthy.bench.models import EvidenceRow
from seeworthy.bench.store import Bench
from seeworthy.bench.trouble import no_space_error, said_in_words
from seeworthy.ground.errors import BenchError, Conflict, UnreadableInput
from seeworthy.ground.leftovers import part_of
from seeworthy.media.source import Source

KEPT = re.compile(r"evidence/([0-9a-f]{2})/([0-9a-f]{64})(\.[a-z0-9]{1,8})?")
"""Where a kept content stands, and nowhere else."""

_PIECE = 1 << 20  # bytes at a time: memory
_PART = "part"
WRITE = stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH


@dataclass(frozen=True, slots=True)
class Kept:
    """A content that has been hashed, and where it stands.

    Attributes:
        sha256: Hex digest.
        size: Bytes.
        name: What the user called the file.
        kept: Path inside the bench folder.
        place: Path of a referenced file.
    """

    sha256: str
    size: int
    name: str
    kept: str | None = None
    place: str | None = None


def keep_copy(bench: Bench, path: str | Path) -> Kept:
    """Copy a file into the bench under its SHA-256.

    Raises:
        UnreadableInput: Missing, empty, or it changed while it was being copied.
        NoSpace: The disk is full; nothing is left behind.
    """
    source = Source.of(path)
    before = source.path.stat()
    folder = _writable_folder(bench)
    if before.st_size > shutil.disk_usage(folder).free:
        raise no_space_error(bench.folder)
    with said_in_words(bench.folder), _part(folder) as (handle, part):
        digest = hashlib.sha256()
        with source.path.open("rb") as original:
            while piece := original.read(_PIECE):
                digest.update(piece)
                handle.write(piece)
        after = source.path.stat()
        if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
            raise UnreadableInput(
                f"'{source.name}' changed while it was being copied.",
                "Wait until the recording or copy is finished, then do it again.",
            )
        kept = _settle(bench, handle, part, digest.hexdigest(), _ending(source.path))
    return Kept(digest.hexdigest(), before.st_size, source.name, kept=kept)


def keep_bytes(bench: Bench, data: bytes, name: str) -> Kept:
    """Keep a picture that a measurement drew."""
    digest = hashlib.sha256(data).hexdigest()
    with said_in_words(bench.folder), _part(_writable_folder(bench)) as (handle, part):
        handle.write(data)
        kept = _settle(bench, handle, part, digest, _ending(Path(name)))
    return Kept(digest, len(data), name, kept=kept)


def reference(bench: Bench, path: str | Path) -> Kept:
    """Hash a file and leave it where it is.

    Raises:
        UnreadableInput: Missing or empty.
    """
    source = Source.of(path)
    place = source.path.resolve()
    if place.is_relative_to(bench.folder):
        place = place.relative_to(bench.folder)  # it moves with the bench
    return Kept(source.sha256(), source.size, source.name, place=str(place))


def record(bench: Bench, session: Session, kept: Kept) -> None:
    """Enter a content into the table of evidence, or complete its entry.

    Raises:
        Conflict: Another process tidied the copy away before it was entered.
    """
    if kept.kept is not None and not (bench.folder / kept.kept).is_file():
        raise Conflict(f"The copy of '{kept.name}' was tidied away meanwhile.", "Do it again.")
    row = session.get(EvidenceRow, kept.sha256)
    if row is None:
        row = EvidenceRow(sha256=kept.sha256, size=kept.size)
        session.add(row)
    row.kept = kept.kept or row.kept
    # The newest place counts: the old one may be a card that is in a drawer now.
    row.place = kept.place or row.place
    session.flush()


def path_of(bench: Bench, row: EvidenceRow) -> Path:
    """Return where a content is read from; a kept copy goes before a reference.

    Raises:
        BenchError: The database names a file that cannot be this content's: it was tampered with.
    """
    if row.kept:
        if not kept_rightly(row.kept, row.sha256):
            raise _tampered(row.sha256)
        return bench.folder / row.kept
    path = bench.folder / (row.place or "")
    # Only whole paths lead out of the bench; `reference` makes no others.
    inside = Path(row.place or "").is_absolute() or ".." not in Path(row.place or "").parts
    if not inside:
        raise _tampered(row.sha256)
    return path


def picture_path(bench: Bench, row: EvidenceRow) -> Path:
    """Return where a picture of an outcome is; Seeworthy drew it, so it is kept or nowhere.

    Raises:
        BenchError: The database names another file.
    """
    if not row.kept:
        raise _tampered(row.sha256)
    return path_of(bench, row)


def kept_rightly(kept: str, sha256: str) -> bool:
    """Tell whether a path is where `keep_copy` puts this content."""
    found = KEPT.fullmatch(kept)
    return found is not None and found[2] == sha256 and sha256.startswith(found[1])


def _tampered(sha256: str) -> BenchError:
    return BenchError(
        f"The database names a file outside the bench for the content {sha256[:12]}.",
        "Seeworthy never writes that: restore the bench from a backup that you made yourself.",
    )


def digest_of(path: Path) -> str:
    """Return the SHA-256 of a file as it is now.

    Raises:
        OSError
    """
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def _writable_folder(bench: Bench) -> Path:
    bench.require_writable()
    with said_in_words(bench.folder):
        bench.evidence_folder.mkdir(exist_ok=True)
    return bench.evidence_folder


def _ending(path: Path) -> str:
    """Return the name's ending, for those who look into the folder; harmless letters only."""
    ending = path.suffix.lower()
    return ending if re.fullmatch(r"\.[a-z0-9]{1,8}", ending) else ""


@contextmanager
def _part(folder: Path) -> Iterator[tuple[IO[bytes], Path]]:
    with part_of(folder, _PART) as part, part.open("wb") as handle:
        yield handle, part


def _settle(bench: Bench, handle: IO[bytes], part: Path, sha256: str, ending: str) -> str:
    """Move a whole file to its name; the same content that is there already stays."""
    folder = bench.evidence_folder / sha256[:2]
    folder.mkdir(exist_ok=True)
    # The ending of the first copy stays; look for the digest, whatever follows it.
    for known in folder.glob(f"{sha256}*"):
        if Source(known, known.name).sha256() == sha256:
            with suppress(OSError):
                os.utime(known)  # in use again: not to be tidied away right now
            return known.relative_to(bench.folder).as_posix()
        known.unlink()  # it was altered; here is the true one
    target = folder / f"{sha256}{ending}"
    handle.flush()
    os.fsync(handle.fileno())
    handle.close()
    part.chmod(stat.S_IMODE(part.stat().st_mode) & ~WRITE)
    part.replace(target)
    _sync_folder(folder)
    return target.relative_to(bench.folder).as_posix()


def _sync_folder(folder: Path) -> None:
    """Make the new name itself last through a power cut, where the system can do that."""
    with suppress(OSError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)
