"""Records of the bench as plain JSON values: one form for command line and API."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

from seeworthy.bench.outcomes import plain
from seeworthy.bench.records import StoredOutcome


def as_plain(record: Any) -> Any:
    """Return a record, or a list of them, as plain JSON values."""
    if is_dataclass(record) and not isinstance(record, type):
        return {f.name: as_plain(getattr(record, f.name)) for f in fields(record)}
    if isinstance(record, Mapping):
        return {str(k): as_plain(v) for k, v in record.items()}
    if isinstance(record, list | tuple):
        return [as_plain(item) for item in record]
    if isinstance(record, dt.date):  # a datetime is one, too
        return record.isoformat()
    return str(record) if isinstance(record, Path) else plain(record)


def outcome_plain(stored: StoredOutcome) -> dict[str, Any]:
    """Return a stored outcome in the form of ``measure --json``, with what the bench adds.

    A take that gave no figure has ``error`` in the one shape that all errors have.
    """
    take = stored.take
    found: dict[str, Any] = {
        "take": take.id,
        "camera": take.camera,
        "unit": take.unit,
        "firmware": take.firmware,
        "taken": take.taken.isoformat(),
        "state": take.state,
        "procedure": take.procedure,
        "procedure_version": stored.procedure_version,
        "method": stored.outcome.method,
        "seeworthy": stored.seeworthy,
        "measured": stored.measured.isoformat(),
        "inputs": [_file(entry) for entry in stored.inputs["files"]],
        "readings": _readings(stored),
        "results": [plain(r.to_json()) for r in stored.results],
        "findings": dict(stored.outcome.findings),
        "warnings": list(stored.outcome.warnings),
        "sentence": stored.outcome.sentence,
        "pictures": [
            {"name": p.name, "caption": p.caption, "sha256": p.sha256, "file": str(p.path)}
            for p in stored.pictures
        ],
    }
    if stored.outcome.correction:
        found["correction"] = dict(stored.outcome.correction)
    if stored.error_kind:
        found["error"] = {
            "kind": stored.error_kind,
            "message": stored.message,
            "hint": stored.hint,
        }
    return found


def _file(entry: Mapping[str, Any]) -> dict[str, Any]:
    return {k: v for k, v in entry.items() if v or k != "role"}


def _readings(stored: StoredOutcome) -> dict[str, Any]:
    found: dict[str, list[Any]] = {}
    for reading in stored.take.readings:
        value: Any = reading.text
        if reading.value is not None:
            value = {"value": reading.value, "unit": reading.unit, "u": reading.u}
        found.setdefault(reading.name, []).append(value)
    return {name: ones[0] if len(ones) == 1 else ones for name, ones in found.items()}
