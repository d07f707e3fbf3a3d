"""Where a take stands: what it would be measured from, and whether that was done."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from sqlalchemy.orm import Session, selectinload

from seeworthy.bench import evidence
from seeworthy.bench.curves import curves_at_hand
from seeworthy.bench.lookup import firmware_on
from seeworthy.bench.models import ReadingRow, TakeFileRow, TakeRow, UnitRow
from seeworthy.bench.records import Condition, State, Take, TakeFile, TakeReading
from seeworthy.bench.store import Bench
from seeworthy.engine.jobs import FileSpec, Task
from seeworthy.procedures import all_procedures

TAKE_PARTS = (
    selectinload(TakeRow.files).joinedload(TakeFileRow.evidence),
    selectinload(TakeRow.readings).joinedload(ReadingRow.instrument),
    selectinload(TakeRow.options),
    selectinload(TakeRow.conditions),
    selectinload(TakeRow.outcome),
    selectinload(TakeRow.unit).options(
        selectinload(UnitRow.camera),
        selectinload(UnitRow.firmware),
        selectinload(UnitRow.curve_takes).selectinload(TakeRow.outcome),
    ),
)
"""What to load together with takes: a few queries for all, instead of several for each."""

PASSING = ("worker-lost", "evidence-changed", "fault")
"""Kinds of failure that may be gone the next time; the others stay until something changes."""


def inputs_of(row: TakeRow) -> dict[str, Any]:
    """Return what a take is measured from, as plain JSON values.

    ``curves`` is there only where there are some: digests of what the tone curves at hand were
    measured from.
    """
    keys = curves_at_hand(row).keys
    return {
        **({"curves": keys} if keys else {}),
        "procedure": row.procedure,
        "files": [{"role": f.role, "file": f.name, "sha256": f.sha256} for f in row.files],
        "readings": [{"name": r.name, "text": r.text} for r in row.readings],
        "options": [{"name": o.name, "value": o.value} for o in row.options],
    }


def inputs_key(row: TakeRow, procedure_version: int) -> str:
    """Return a digest that changes when the result may: contents, readings, options, method.

    File names are left out; they do not change what is measured.
    """
    inputs = inputs_of(row)
    for file in inputs["files"]:
        del file["file"]
    return digest_of(inputs, procedure_version)


def digest_of(inputs: dict[str, Any], procedure_version: int) -> str:
    """Return the digest of inputs (of `inputs_of`, files without names) and method."""
    text = json.dumps([inputs, procedure_version], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def version_now(procedure: str) -> int | None:
    """Return the version of a procedure that is installed, None when it is not."""
    found = all_procedures().get(procedure)
    return None if found is None else found.version


def state_of(row: TakeRow) -> State:
    """Say where a take stands."""
    outcome = row.outcome
    if outcome is None:
        return "new"
    version = version_now(row.procedure)
    if version is not None and outcome.inputs_key != inputs_key(row, version):
        return "stale"
    return outcome.state  # type: ignore[return-value]


def is_due(row: TakeRow) -> bool:
    """Tell whether the next run has to measure a take."""
    if row.unit.camera.source_uuid is not None:
        return False  # another group's: what they said stays, `verify` computes it again
    return version_now(row.procedure) is not None and state_of(row) in ("new", "stale", "lost")


def task_of(bench: Bench, row: TakeRow) -> Task:
    """Return what a worker needs to measure a take."""
    files: dict[str, list[FileSpec]] = {}
    for file in row.files:
        path = evidence.path_of(bench, file.evidence)
        files.setdefault(file.role, []).append(FileSpec(str(path), file.name, file.sha256))
    readings: dict[str, list[str]] = {}
    for reading in row.readings:
        readings.setdefault(reading.name, []).append(reading.text)
    options: dict[str, list[str]] = {}
    for option in row.options:
        options.setdefault(option.name, []).append(option.value)
    at_hand = curves_at_hand(row)
    return Task(
        str(row.id),
        row.procedure,
        {role: tuple(specs) for role, specs in files.items()},
        {name: tuple(texts) for name, texts in readings.items()},
        {name: tuple(values) for name, values in options.items()},
        tuple((f"take {c.take}", dict(c.data)) for c in at_hand.curves),
        at_hand.missing,
    )


def take_record(bench: Bench, session: Session, row: TakeRow) -> Take:
    """Return a take free of the database."""
    files = tuple(
        TakeFile(
            f.role,
            f.name,
            f.sha256,
            f.evidence.size,
            evidence.path_of(bench, f.evidence),
            f.evidence.kept is None,
        )
        for f in row.files
    )
    outcome = row.outcome
    return Take(
        row.id,
        row.procedure,
        row.unit.camera.name,
        row.unit.serial,
        firmware_on(row.unit, row.taken),
        row.taken,
        row.note,
        row.version,
        state_of(row),
        files,
        tuple(_reading(r) for r in row.readings),
        tuple((o.name, o.value) for o in row.options),
        tuple(Condition(c.name, c.text, c.value, c.unit, c.u) for c in row.conditions),
        outcome.message if outcome else "",
        outcome.hint if outcome else "",
    )


def _reading(row: ReadingRow) -> TakeReading:
    with_ = row.instrument.name if row.instrument else ""
    return TakeReading(row.position, row.name, row.text, row.value, row.unit, row.u, with_)
