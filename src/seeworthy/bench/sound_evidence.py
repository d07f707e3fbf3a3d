"""Is the evidence still what was entered? By size at every run, by SHA-256 for a report."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from pathlib import Path

from sqlalchemy import select

from seeworthy.bench import evidence
from seeworthy.bench.models import (
    EvidenceRow,
    OutcomeRow,
    PictureRow,
    TakeFileRow,
    TakeRow,
    UnitRow,
)
from seeworthy.bench.records import Trouble
from seeworthy.bench.store import Bench

_Seen = tuple[str, int, int, int]
_digests: dict[_Seen, str] = {}
_lock = threading.Lock()
_FILES = (
    select(TakeRow.id, TakeFileRow.name, EvidenceRow)
    .join(TakeFileRow, TakeFileRow.take_id == TakeRow.id)
    .join(EvidenceRow, EvidenceRow.sha256 == TakeFileRow.sha256)
    .join(UnitRow, UnitRow.id == TakeRow.unit_id)
    .order_by(TakeRow.id)
)
_PICTURES = (
    select(TakeRow.id, PictureRow.name, EvidenceRow)
    .join(OutcomeRow, OutcomeRow.take_id == TakeRow.id)
    .join(PictureRow, PictureRow.outcome_id == OutcomeRow.id)
    .join(EvidenceRow, EvidenceRow.sha256 == PictureRow.sha256)
    .join(UnitRow, UnitRow.id == TakeRow.unit_id)
    .order_by(TakeRow.id)
)
_MOST_DIGESTS = 20_000  # some megabytes of names and digests: memory


def evidence_troubles(
    bench: Bench, *, camera: int | None = None, takes: Iterable[int] | None = None, deep: bool
) -> list[Trouble]:
    """Return what of the clips and other files of takes is missing or changed.

    Args:
        camera: Number of a camera; all by default.
        takes: Only these takes.
        deep: Hash every file that this process has not hashed in its present state, pictures of
            outcomes too; otherwise only the size of the takes' files is compared, which no reading
            of the file is needed for.

    Returns:
        One a file, ``missing`` or ``changed``, in the order of the takes.
    """
    wanted = None if takes is None else set(takes)
    found: list[Trouble] = []
    with bench.reading() as session:
        for query, what in ((_FILES, "file"), (_PICTURES, "picture"))[: 1 + deep]:
            if camera is not None:
                query = query.where(UnitRow.camera_id == camera)
            for take, name, row in session.execute(query):
                if wanted is None or take in wanted:
                    kind = _state(evidence.path_of(bench, row), row, deep)
                    words = {"missing": "is missing", "changed": "is not what was entered"}
                    if kind:
                        message = f"Take {take}: its {what} '{name}' {words[kind]}."
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
