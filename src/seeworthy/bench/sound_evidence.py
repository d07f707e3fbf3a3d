"""Is the evidence still what was entered? By size at every run, by SHA-256 for a report."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from pathlib import Path

from sqlalchemy import select

from seeworthy.bench import evidence
from seeworthy.bench.models import EvidenceRow, TakeFileRow, TakeRow, UnitRow
from seeworthy.bench.records import Trouble
from seeworthy.bench.store import Bench

_Seen = tuple[str, int, int, int]
_digests: dict[_Seen, str] = {}
_lock = threading.Lock()
_MOST_DIGESTS = 20_000


def evidence_troubles(
    bench: Bench, *, camera: int | None = None, takes: Iterable[int] | None = None, deep: bool
) -> list[Trouble]:
    """Return what of the clips and other files of takes is missing or changed.

    Args:
        camera: Number of a camera; all by default.
        takes: Only these takes.
        deep: Hash every file that this process has not hashed in its present state; otherwise only
            the size is compared, which no reading of the file is needed for.

    Returns:
        One a file, ``missing`` or ``changed``, in the order of the takes.
    """
    query = (
        select(TakeFileRow.take_id, TakeFileRow.name, EvidenceRow)
        .join(EvidenceRow, EvidenceRow.sha256 == TakeFileRow.sha256)
        .order_by(TakeFileRow.take_id)
    )
    if camera is not None:
        query = query.join(TakeRow, TakeRow.id == TakeFileRow.take_id)
        query = query.join(UnitRow).where(UnitRow.camera_id == camera)
    wanted = None if takes is None else set(takes)
    found: list[Trouble] = []
    with bench.reading() as session:
        for take, name, row in session.execute(query):
            if wanted is None or take in wanted:
                kind = _state(evidence.path_of(bench, row), row, deep)
                words = {"missing": "is missing", "changed": "is not what was entered"}
                if kind:
                    message = f"Take {take}: its file '{name}' {words[kind]}."
                    found.append(Trouble("missing" if kind == "missing" else "changed", message,
                                         (take,)))  # fmt: skip
    return found


def _state(path: Path, row: EvidenceRow, deep: bool) -> str:
    """Return ``missing``, ``changed`` or ``""``."""
    try:
        there = path.stat()
    except OSError:
        return "missing"
    if there.st_size != row.size:
        return "changed"
    if not deep:
        return ""
    seen = (str(path), there.st_size, there.st_mtime_ns, there.st_ctime_ns)
    with _lock:
        digest = _digests.get(seen, "")
    if not digest:
        try:
            digest = evidence.digest_of(path)
        except OSError:
            return "missing"
        with _lock:
            if len(_digests) >= _MOST_DIGESTS:
                _digests.clear()
            _digests[seen] = digest
    return "" if digest == row.sha256 else "changed"
