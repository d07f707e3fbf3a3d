"""Read measured values as columns: a few queries for all, no object per row of the database.

A bench of thousands of takes is read by compare, suit, plan and claims at every call; objects
with their cycles cost many times what their columns do (`benchmarks/grow.py`).
"""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Callable, Collection, Sequence
from functools import cache
from typing import Any

from sqlalchemy import ColumnElement, Select, String, case, cast, or_, select
from sqlalchemy.orm import Session

from seeworthy.bench.curves import KeptCurve, choose, uses_curves
from seeworthy.bench.instruments import shared_parts
from seeworthy.bench.models import (
    CameraRow,
    ConditionRow,
    FirmwareRow,
    OutcomeRow,
    ReadingRow,
    ResultRow,
    TakeFileRow,
    TakeOptionRow,
    TakeRow,
    UnitRow,
)
from seeworthy.bench.records import StoredResult, TakeLine
from seeworthy.bench.state import digest_of, version_now
from seeworthy.ground.budget import CAMERA
from seeworthy.ground.results import Result
from seeworthy.procedures.declare import OECF


def read_results(
    session: Session,
    camera_id: int | None,
    measurand: str | None,
    of_tests_for: Collection[str] | None = None,
) -> list[StoredResult]:
    """Return measured values with their origin, in the order of the takes, stale ones included.

    Args:
        camera_id: Only of this camera.
        measurand: Only this one.
    """
    query = (
        select(
            ResultRow.measurand, ResultRow.value, ResultRow.unit, ResultRow.u, ResultRow.low,
            ResultRow.high, ResultRow.n, cast(ResultRow.conditions, String),
            cast(ResultRow.evidence, String), ResultRow.dof,
            TakeRow.id, TakeRow.procedure, TakeRow.taken, TakeRow.unit_id, UnitRow.serial,
            CameraRow.name, CameraRow.source_uuid, OutcomeRow.procedure_version,
            OutcomeRow.seeworthy, OutcomeRow.method,
            OutcomeRow.measured, OutcomeRow.inputs_key, OutcomeRow.state,
            case((_shares(), cast(ResultRow.budget, String))),
        )
        .join(OutcomeRow, ResultRow.outcome_id == OutcomeRow.id)
        .join(TakeRow, OutcomeRow.take_id == TakeRow.id)
        .join(UnitRow, TakeRow.unit_id == UnitRow.id)
        .join(CameraRow, UnitRow.camera_id == CameraRow.id)
        .order_by(TakeRow.id, ResultRow.position)
    )  # fmt: skip
    if camera_id is not None:
        query = query.where(UnitRow.camera_id == camera_id)
    if measurand is not None:
        query = query.where(ResultRow.measurand == measurand)
    tests = None if of_tests_for is None else _tests_for(session, of_tests_for)
    if tests is not None:
        query = query.where(TakeRow.procedure.in_(tests))
    rows: Sequence[Any] = session.execute(query).all()
    around = _Around(session, camera_id, tests)
    # Evidence, conditions and budgets of many results are alike to the letter.
    read = cache(json.loads)
    return [_record(row, around, read) for row in rows]


def _tests_for(session: Session, measurands: Collection[str]) -> list[str]:
    """Return the procedures that gave any of these, as the takes of the bench have them."""
    query = (
        select(TakeRow.procedure)
        .join(OutcomeRow, OutcomeRow.take_id == TakeRow.id)
        .join(ResultRow, ResultRow.outcome_id == OutcomeRow.id)
        .where(ResultRow.measurand.in_(sorted(measurands)))
        .distinct()
    )
    return list(session.scalars(query))


def take_states(session: Session) -> list[str]:
    """Return where every take stands, in the order of entry."""
    return [line.state for line in read_lines(session)]


def read_lines(
    session: Session, camera_id: int | None = None, procedure: str | None = None
) -> list[TakeLine]:
    """Return takes as lines of a list, in the order of entry."""
    query = (
        select(
            TakeRow.id, TakeRow.procedure, TakeRow.taken, TakeRow.unit_id, UnitRow.serial,
            CameraRow.name, OutcomeRow.inputs_key, OutcomeRow.state,
        )
        .join(UnitRow, TakeRow.unit_id == UnitRow.id)
        .join(CameraRow, UnitRow.camera_id == CameraRow.id)
        .outerjoin(OutcomeRow, OutcomeRow.take_id == TakeRow.id)
        .order_by(TakeRow.id)
    )  # fmt: skip
    tests = None
    if camera_id is not None:
        query = query.where(UnitRow.camera_id == camera_id)
    if procedure is not None:
        query, tests = query.where(TakeRow.procedure == procedure), [procedure]
    around = _Around(session, camera_id, tests)
    found = []
    for row in session.execute(query):
        state: Any = "new" if row.state is None else "stale" if around.stale(row) else row.state
        names = tuple(name for _, name in sorted(around.names.get(row.id, ())))
        found.append(TakeLine(row.id, row.procedure, row.name, row.serial, row.taken, state, names))
    return found


class _Around:
    """What belongs to takes and units, by their numbers."""

    def __init__(
        self, session: Session, camera_id: int | None, tests: Collection[str] | None = None
    ) -> None:
        def of_takes(query: Select[Any], table: Any) -> Sequence[Any]:
            if camera_id is not None or tests is not None:
                query = query.join(TakeRow, table.take_id == TakeRow.id)
            if tests is not None:
                query = query.where(TakeRow.procedure.in_(tests))
            if camera_id is not None:
                query = query.join(UnitRow, TakeRow.unit_id == UnitRow.id)
                query = query.where(UnitRow.camera_id == camera_id)
            return session.execute(query.order_by(table.take_id)).all()

        self.files: dict[int, list[tuple[int, str, str]]] = defaultdict(list)
        self.names: dict[int, list[tuple[int, str]]] = defaultdict(list)
        kept: Any = TakeFileRow
        columns = (kept.take_id, kept.position, kept.role, kept.sha256, kept.name)
        files: Any = of_takes(select(*columns), kept)
        for number, position, role, sha, name in files:
            self.files[number].append((position, role, sha))
            self.names[number].append((position, name))
        self.readings = _by_take(of_takes, ReadingRow, "name", "text")
        self.options = _by_take(of_takes, TakeOptionRow, "name", "value")
        self.instruments: dict[int, dict[str, str]] = defaultdict(dict)
        read: Any = ReadingRow
        with_one = select(read.take_id, read.name, read.instrument_uuid)
        for row in of_takes(with_one.where(read.instrument_uuid.is_not(None)), read):
            self.instruments[row.take_id][row.name] = row.instrument_uuid
        self.conditions: dict[int, dict[str, float]] = defaultdict(dict)
        table: Any = ConditionRow
        query = select(table.take_id, table.name, table.value).order_by(table.name)
        for row in of_takes(query, table):
            self.conditions[row.take_id][row.name] = row.value
        self.firmware: dict[int, list[tuple[dt.date, int, str]]] = defaultdict(list)
        for unit, since, number, name in session.execute(
            select(FirmwareRow.unit_id, FirmwareRow.since, FirmwareRow.id, FirmwareRow.name)
        ):
            self.firmware[unit].append((since, number, name))
        self._curves = _curves(session)
        self._stale: dict[int, bool] = {}
        self._of_take: dict[int, tuple[str, tuple[str, ...]]] = {}

    def curve_keys(self, row: Any) -> list[str]:
        """Return the digests of the tone curves that the row's take may use."""
        kept = self._curves.get(row.unit_id)
        if not kept or not uses_curves(row.procedure):
            return []
        return choose(kept, lambda day: self.firmware_on(row.unit_id, day), row.taken).keys

    def files_of(self, take: int) -> list[tuple[int, str, str]]:
        """Return position, role and SHA-256 of the files of a take, in order."""
        return sorted(self.files.get(take, ()))

    def stale(self, row: Any) -> bool:
        """Tell whether inputs or method of the row's take have changed since."""
        take = row.id
        if take not in self._stale:
            version = version_now(row.procedure)
            inputs = {
                "procedure": row.procedure,
                "files": [{"role": role, "sha256": sha} for _, role, sha in self.files_of(take)],
                "readings": [
                    {"name": n, "text": t} for _, n, t in sorted(self.readings.get(take, ()))
                ],
                "options": [
                    {"name": n, "value": v} for _, n, v in sorted(self.options.get(take, ()))
                ],
            }
            keys = self.curve_keys(row)
            if keys:
                inputs["curves"] = keys
            stale = version is not None and row.inputs_key != digest_of(inputs, version)
            self._stale[take] = stale
        return self._stale[take]

    def firmware_on(self, unit: int, day: dt.date) -> str:
        """Return the firmware in force on a day, ``""`` where none is known."""
        found = [f for f in self.firmware.get(unit, ()) if f[0] <= day]
        return max(found)[2] if found else ""

    def of_take(self, row: Any) -> tuple[str, tuple[str, ...]]:
        """Return firmware and SHA-256 of the files of the row's take."""
        found = self._of_take.get(row.id)
        if found is None:
            hashes = tuple(sha for _, _, sha in self.files_of(row.id))
            found = self._of_take[row.id] = (self.firmware_on(row.unit_id, row.taken), hashes)
        return found


def _curves(session: Session) -> dict[int, list[KeptCurve]]:
    """Return the measured tone curves by the number of their unit."""
    found: dict[int, list[KeptCurve]] = defaultdict(list)
    query = (
        select(
            TakeRow.unit_id, TakeRow.id, TakeRow.taken, OutcomeRow.inputs_key, OutcomeRow.correction
        )
        .join(OutcomeRow, OutcomeRow.take_id == TakeRow.id)
        .where(TakeRow.procedure == OECF, OutcomeRow.state == "measured")
    )
    for unit, take, taken, key, data in session.execute(query):
        if (data or {}).get("kind") == OECF:
            found[unit].append(KeptCurve(take, taken, key, data))
    return found


def _shares() -> ColumnElement[bool]:
    """Tell which results share an influence with others.

    Only of those the budget is read: all budgets of a big bench cost more than all its values.
    """
    read: Any = ReadingRow
    with_one = select(read.take_id).where(read.instrument_uuid.is_not(None))
    return or_(
        TakeRow.id.in_(with_one), cast(ResultRow.budget, String).contains(f'"common": "{CAMERA}"')
    )


def _by_take(
    of_takes: Any, table: Any, name: str, value: str
) -> dict[int, list[tuple[int, str, str]]]:
    found: dict[int, list[tuple[int, str, str]]] = defaultdict(list)
    columns = table.take_id, table.position, getattr(table, name), getattr(table, value)
    for take, position, key, text in of_takes(select(*columns), table):
        found[take].append((position, key, text))
    return found


def _record(row: Any, around: _Around, read: Callable[[str], Any]) -> StoredResult:
    (
        measurand, value, unit, u, low, high, n, conditions, evidence, dof, take, procedure, taken,
        unit_id, serial, camera, source, version, seeworthy, method, measured, _, _, budget,
    ) = row  # fmt: skip
    firmware, hashes = around.of_take(row)
    result = Result(
        measurand,
        value,
        unit,
        u,
        (low, high),
        n,
        {**around.conditions.get(take, {}), **read(conditions)},
        tuple(read(evidence)),
        dof,
        shared=shared_parts(
            around.instruments.get(take, {}), unit_id, u, None if budget is None else read(budget)
        ),
    )
    return StoredResult(
        take,
        camera,
        serial,
        firmware,
        procedure,
        version,
        seeworthy,
        method,
        taken,
        measured,
        around.stale(row),
        result,
        hashes,
        source is not None,
    )
