"""A whole bench as one zip file, and back again: checked, limited, never over something."""

from __future__ import annotations

import hashlib
import re
import shutil
import stat
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select

from seeworthy.bench.evidence import KEPT, WRITE, digest_of
from seeworthy.bench.models import EvidenceRow
from seeworthy.bench.store import DATABASE, Bench, is_bench, open_bench
from seeworthy.bench.trouble import said_in_words
from seeworthy.bench.upkeep import backup_bench, check_bench
from seeworthy.ground.errors import Conflict, NoSpace, UnreadableInput, WrongCall
from seeworthy.ground.leftovers import beside, part_of

LARGEST = 200 * 1024**3  # bytes: a bench with some hundred hours of clips (a judgement)
MOST_FILES = 200_000  # of a bench of thousands of takes; more is a bomb (a judgement)
_RATIO = 200.0
"""Clips and pictures hardly shrink; a database at most tenfold. More is a bomb."""
_DAMAGE = (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, UnicodeDecodeError)
"""What `zipfile` says of a damaged archive; a name that is no text among it."""

_PIECE = 1 << 20  # bytes at a time: memory
_SPARE = 256 * 1024**2  # bytes of disk that are left free (a judgement)
_EVIDENCE = KEPT
_PURPOSE = re.compile(r"purposes/[a-z0-9][a-z0-9-]{0,59}\.toml")


@dataclass(frozen=True, slots=True)
class Restored:
    """What was unpacked.

    Attributes:
        troubles: What `check_bench` says of it; empty when all is well.
    """

    folder: Path
    files: int
    troubles: tuple[str, ...]


def pack_bench(bench: Bench, target: Path) -> Path:
    """Write database, evidence and purposes into one zip file, also while others use them.

    Raises:
        Conflict: The target is there already.
        NoSpace
    """
    if target.exists():
        raise Conflict(f"'{target}' is there already.", "Name a new file.")
    if not target.parent.is_dir():
        raise WrongCall(f"There is no folder '{target.parent}'.", "Make it, or name another.")
    need = sum(p.stat().st_size for p in _parts(bench))
    if shutil.disk_usage(target.parent).free < need + _SPARE:
        raise NoSpace("The disk has no room for a backup.", "Free some space first.")
    with (
        said_in_words(target.parent),
        part_of(target.parent, "backup", folder=True) as place,
        beside(target, "backup") as part,
    ):
        copy = backup_bench(bench, place / DATABASE)
        # Clips do not shrink; storing them is as small and many times faster.
        with zipfile.ZipFile(part, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
            archive.write(copy, DATABASE, zipfile.ZIP_DEFLATED)
            for path in _parts(bench):
                archive.write(path, path.relative_to(bench.folder).as_posix())
    return target


def _parts(bench: Bench) -> Iterator[Path]:
    yield from sorted(p for p in bench.evidence_folder.glob("*/*") if p.is_file())
    yield from sorted((bench.folder / "purposes").glob("*.toml"))


def unpack_bench(archive: Path, folder: Path) -> Restored:
    """Unpack a backup into a new folder.

    Nothing is written outside the folder whatever the archive says, and no more than it
    announces; the folder is removed again when anything is wrong.

    Raises:
        Conflict: The folder holds something.
        UnreadableInput: Not a backup of a bench, damaged, or made to do harm.
        NoSpace
    """
    if folder.exists() and any(folder.iterdir()):
        raise Conflict(f"'{folder}' is not empty.", "Name a new folder.")
    try:
        with zipfile.ZipFile(archive) as opened:
            entries = _checked(opened)
            place = next(p for p in (folder.parent, *folder.parents) if p.exists())
            _room(place, sum(e.file_size for e in entries))
            with said_in_words(folder):
                folder.parent.mkdir(parents=True, exist_ok=True)
                # Beside its name: killed half way, it is no bench that opens and lacks clips.
                with beside(folder, "restore", folder=True) as part:
                    found = _restored(opened, entries, part)
    except _DAMAGE as error:
        raise UnreadableInput(
            f"'{archive.name}' is damaged, or no backup of a bench ({error}).",
            "Choose the zip file that Seeworthy wrote.",
        ) from None
    there = tuple(said.replace(str(part.resolve()), str(folder)) for said in found)
    return Restored(folder, len(entries), there)


def _restored(
    opened: zipfile.ZipFile, entries: list[zipfile.ZipInfo], folder: Path
) -> tuple[str, ...]:
    """Unpack into a folder, and return what `check_bench` says of it."""
    for entry in entries:
        _unpack(opened, entry, folder)
    for name in ("exports", "evidence"):
        (folder / name).mkdir(exist_ok=True)
    with open_bench(folder) as bench:
        drop_false_references(bench)
        return tuple(t.message for t in check_bench(bench) if t.kind != "unused")


def drop_false_references(bench: Bench) -> int:
    """Forget references of a restored bench to files that are not what was entered.

    A backup from elsewhere could name any file of this machine. One whose SHA-256 it knows
    holds nothing that it does not know already; every other reference is taken out.
    """
    count = 0
    with bench.changing() as session:
        for row in session.scalars(select(EvidenceRow).where(EvidenceRow.place.is_not(None))):
            place = bench.folder / (row.place or "")
            try:
                right = place.stat().st_size == row.size and digest_of(place) == row.sha256
            except OSError:
                right = False
            if not right:
                row.place = None
                count += 1
    return count


def _checked(opened: zipfile.ZipFile) -> list[zipfile.ZipInfo]:
    entries = [e for e in opened.infolist() if not e.filename.endswith("/")]
    if len(entries) > MOST_FILES:
        raise _bad("it holds too many files")
    names = [e.filename for e in entries]
    if DATABASE not in names:
        raise _bad("there is no bench in it")
    if len(set(names)) != len(names):
        raise _bad("a file is in it twice")
    for entry in entries:
        known = entry.filename == DATABASE or _PURPOSE.fullmatch(entry.filename)
        if not (known or _EVIDENCE.fullmatch(entry.filename)):
            raise _bad(f"'{entry.filename[:80]}' does not belong into a bench")
        if stat.S_ISLNK(entry.external_attr >> 16):
            raise _bad("it holds a link")
        if entry.file_size > _RATIO * max(entry.compress_size, 1024):
            raise _bad("a file in it is packed so tightly that it can only do harm")
    if sum(e.file_size for e in entries) > LARGEST:
        raise _bad("it is larger than a bench")
    return entries


def _bad(reason: str) -> UnreadableInput:
    return UnreadableInput(
        f"This zip file is not a backup of a bench: {reason}.",
        "Choose the zip file that Seeworthy wrote; nothing was unpacked.",
    )


def _room(place: Path, size: int) -> None:
    if shutil.disk_usage(place).free < size + _SPARE:
        raise NoSpace("The disk has no room for what the backup holds.", "Free some space first.")


def _unpack(opened: zipfile.ZipFile, entry: zipfile.ZipInfo, folder: Path) -> None:
    path = folder / entry.filename
    path.parent.mkdir(parents=True, exist_ok=True)
    digest, count = hashlib.sha256(), 0
    with opened.open(entry) as source, path.open("xb") as target:
        while piece := source.read(_PIECE):
            count += len(piece)
            if count > entry.file_size:  # it unpacks to more than it announced
                raise _bad("it holds more than it announces")
            digest.update(piece)
            target.write(piece)
    evidence = _EVIDENCE.fullmatch(entry.filename)
    if evidence and (digest.hexdigest() != evidence[2] or not evidence[2].startswith(evidence[1])):
        raise _bad(f"'{entry.filename}' is not what it was when it was kept")
    if evidence:
        path.chmod(stat.S_IMODE(path.stat().st_mode) & ~WRITE)


def free_folder(beside: Path, name: str) -> Path:
    """Return a folder beside a bench that does not exist yet: ``dunes-restored``, ``…-2``.

    Raises:
        WrongCall: The name is not a plain one.
    """
    clean = re.sub(r"[^\w-]+", "-", name.strip()).strip("-_")[:60]
    if not clean:
        raise WrongCall("The new folder needs a name.", "Use letters, digits and hyphens.")
    for tail in ("", *(f"-{i}" for i in range(2, 100))):
        place = beside.parent / f"{clean}{tail}"
        if not place.exists() and not is_bench(place):
            return place
    raise Conflict(f"There are too many folders '{clean}'.", "Choose another name.")
