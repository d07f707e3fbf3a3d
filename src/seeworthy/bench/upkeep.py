"""Look after a bench: count, check, tidy, back up."""

from __future__ import annotations

import hashlib
import shutil
import time
from collections import Counter
from pathlib import Path

from sqlalchemy import func, select, text
from sqlalchemy.orm import Session

from seeworthy.bench import evidence
from seeworthy.bench.models import (
    CameraRow,
    ClaimRow,
    EvidenceRow,
    PictureRow,
    ResultRow,
    TakeFileRow,
    UnitRow,
)
from seeworthy.bench.records import Overview, Trouble
from seeworthy.bench.result_columns import take_states
from seeworthy.bench.schema import copy_database
from seeworthy.bench.store import Bench
from seeworthy.bench.trouble import no_space_error, said_in_words
from seeworthy.ground.errors import Conflict, WrongCall
from seeworthy.ground.leftovers import sweep

YOUNG_SECONDS = 3600.0  # s: longer than anything takes from writing a file to its row (a judgement)


def show_bench(bench: Bench) -> Overview:
    """Return a bench in numbers."""
    with bench.reading() as session:
        takes = Counter(take_states(session))
        size = session.scalar(select(func.coalesce(func.sum(EvidenceRow.size), 0)))
        return Overview(
            bench.folder,
            _count(session, CameraRow),
            _count(session, UnitRow),
            _count(session, ClaimRow),
            {str(state): number for state, number in sorted(takes.items())},
            _count(session, ResultRow),
            _count(session, EvidenceRow),
            int(size or 0),
            bench.read_only,
        )


def _count(session: Session, model: type) -> int:
    return session.scalar(select(func.count()).select_from(model)) or 0


def check_bench(bench: Bench) -> list[Trouble]:
    """Read every file of evidence again and compare it with what was entered.

    Returns:
        Empty when all is well. ``unused`` is no fault: `tidy_bench` removes it.
    """
    found: list[Trouble] = []
    with bench.reading() as session:
        found += _check_database(bench, session)
        users = _users(session)
        for row in session.scalars(select(EvidenceRow).order_by(EvidenceRow.sha256)):
            found += _check_file(bench, row, users.get(row.sha256, ()))
        known = {row for row in session.scalars(select(EvidenceRow.kept)) if row}
    for path in _files(bench):
        if path.relative_to(bench.folder).as_posix() not in known:
            young = time.time() - path.stat().st_mtime < YOUNG_SECONDS
            when = " (kept less than an hour ago: --tidy leaves it until then)" if young else ""
            found.append(Trouble("unused", f"{path} belongs to nothing in the bench{when}."))
    return found


def _users(session: Session) -> dict[str, tuple[int, ...]]:
    """Return, per content, the takes that use it (0 stands for a picture of an outcome)."""
    users: dict[str, set[int]] = {}
    for sha256, take in session.execute(select(TakeFileRow.sha256, TakeFileRow.take_id)):
        users.setdefault(sha256, set()).add(take)
    for sha256 in session.scalars(select(PictureRow.sha256)):
        users.setdefault(sha256, set())
    return {sha256: tuple(sorted(takes)) for sha256, takes in users.items()}


def _check_database(bench: Bench, session: Session) -> list[Trouble]:
    if bench.database is None:
        return []
    said = [row[0] for row in session.execute(text("PRAGMA integrity_check(5)"))]
    broken = session.execute(text("PRAGMA foreign_key_check")).fetchall()
    found = [Trouble("database", f"The database says: {line}.") for line in said if line != "ok"]
    if broken:
        found.append(Trouble("database", f"{len(broken)} rows lack the row that they belong to."))
    return found


def _check_file(bench: Bench, row: EvidenceRow, takes: tuple[int, ...]) -> list[Trouble]:
    if not (row.kept or row.place):
        return []  # another group's, known by its hash alone
    path = evidence.path_of(bench, row)
    where = f"{path} (take {', '.join(map(str, takes))})" if takes else str(path)
    if not path.is_file():
        return [Trouble("missing", f"{where} is missing.", takes)]
    with path.open("rb") as handle:
        digest = hashlib.file_digest(handle, "sha256").hexdigest()
    if digest != row.sha256:
        return [Trouble("changed", f"{where} is not what was entered.", takes)]
    return []


def _files(bench: Bench) -> list[Path]:
    return sorted(p for p in bench.evidence_folder.glob("*/*") if p.is_file())


def tidy_bench(bench: Bench, *, older_than: float = YOUNG_SECONDS) -> tuple[int, int]:
    """Remove kept files that no take and no outcome uses any more.

    Args:
        older_than: Seconds since the file was kept or met again. A younger one may be just being
            entered by another process, which keeps a file before it says so.

    Returns:
        How many files, how many bytes. Referenced files are never touched.
    """
    count = size = 0
    sweep(bench.evidence_folder, ".part-")
    with bench.changing() as session:
        used = _users(session)
        for row in list(session.scalars(select(EvidenceRow))):
            if row.sha256 not in used:
                session.delete(row)
        session.flush()
        known = {row for row in session.scalars(select(EvidenceRow.kept)) if row}
        for path in _files(bench):
            if path.relative_to(bench.folder).as_posix() in known:
                continue
            stat = path.stat()
            if time.time() - stat.st_mtime < older_than:
                continue
            size += stat.st_size
            count += 1
            path.chmod(0o644)
            path.unlink()
    return count, size


def backup_bench(bench: Bench, target: str | Path) -> Path:
    """Copy the database of a bench into one file, also while others use it.

    The files in ``evidence/`` are plain files; copy the folder for those.

    Raises:
        Conflict: The target is there already.
        WrongCall: A database server holds the bench, or the folder of the target is missing.
        NoSpace
    """
    path = Path(target)
    if bench.database is None:
        raise WrongCall(
            "This bench is kept by a database server.", "Use the server's own backup (pg_dump)."
        )
    if path.exists():
        raise Conflict(f"'{path}' is there already.", "Name a new file.")
    if not path.parent.is_dir():
        raise WrongCall(f"There is no folder '{path.parent}'.", "Make it, or name another.")
    if bench.database.stat().st_size > shutil.disk_usage(path.parent).free:
        raise no_space_error(path.parent)
    with said_in_words(path.parent):
        copy_database(bench.database, path.absolute())
    return path
