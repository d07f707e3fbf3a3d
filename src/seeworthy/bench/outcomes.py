"""Store what procedures say, and read it back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from seeworthy import __version__
from seeworthy.bench import evidence
from seeworthy.bench.instruments import shared_parts
from seeworthy.bench.lookup import find_camera
from seeworthy.bench.models import (
    CameraRow,
    FigureRow,
    FindingRow,
    OutcomeRow,
    PictureRow,
    ReadingRow,
    ResultRow,
    TakeFileRow,
    TakeRow,
    UnitRow,
    WarningRow,
)
from seeworthy.bench.records import StoredOutcome, StoredPicture, StoredResult, ToldFindings
from seeworthy.bench.result_columns import read_results
from seeworthy.bench.state import PASSING, TAKE_PARTS, inputs_of, take_record
from seeworthy.bench.store import Bench
from seeworthy.bench.takes import find_take
from seeworthy.ground.budget import budget_of, budget_rows
from seeworthy.ground.errors import CannotMeasure, SeeworthyError
from seeworthy.ground.plain import plain
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Picture, Result
from seeworthy.procedures import procedure as find_procedure

_OUTCOME_PARTS = (
    selectinload(OutcomeRow.take).options(*TAKE_PARTS),
    selectinload(OutcomeRow.results),
    selectinload(OutcomeRow.findings),
    selectinload(OutcomeRow.warnings),
    selectinload(OutcomeRow.pictures).joinedload(PictureRow.evidence),
    selectinload(OutcomeRow.figures),
)

Kept = list[tuple[Picture, evidence.Kept]]


def keep_pictures(bench: Bench, answer: Outcome | SeeworthyError) -> Kept:
    """Write the pictures of an answer as files, before the answer itself is stored."""
    if isinstance(answer, Outcome):
        pictures = answer.pictures
    else:
        pictures = answer.pictures if isinstance(answer, CannotMeasure) else ()
    return [(p, evidence.keep_bytes(bench, p.data, p.name)) for p in pictures]


def store_answer(
    bench: Bench,
    session: Session,
    row: TakeRow,
    answer: Outcome | SeeworthyError,
    pictures: Kept,
    *,
    key: str,
    version: int,
    run_id: int | None = None,
    seconds: float = 0.0,
) -> str:
    """Put an answer in the place of the take's old one.

    Args:
        session: In a transaction.
        pictures: Of `keep_pictures`.
        key: Digest of the inputs that were measured.
        version: Of the procedure.

    Returns:
        State of the take now.
    """
    if row.outcome is not None:
        session.delete(row.outcome)
        session.flush()
    outcome = OutcomeRow(
        take_id=row.id,
        run_id=run_id,
        seconds=seconds,
        procedure_version=version,
        seeworthy=__version__,
        inputs_key=key,
        inputs=inputs_of(row),
    )
    if isinstance(answer, SeeworthyError):
        outcome.state = _state_of_error(answer)
        outcome.error_kind = answer.kind
        outcome.message, outcome.hint = answer.message, answer.hint
    else:
        outcome.state = "measured"
        outcome.method, outcome.sentence = answer.method, answer.sentence
        if answer.correction:
            outcome.correction = plain(answer.correction)
        _fill(outcome, answer)
    for place, (picture, kept) in enumerate(pictures):
        evidence.record(bench, session, kept)
        outcome.pictures.append(
            PictureRow(
                position=place, name=picture.name, caption=picture.caption, sha256=kept.sha256
            )
        )
    session.add(outcome)
    session.flush()
    session.expire(row, ["outcome"])
    return outcome.state


def _state_of_error(error: SeeworthyError) -> str:
    if isinstance(error, CannotMeasure):
        return "refused"
    return "lost" if error.kind in PASSING else "failed"


def _fill(row: OutcomeRow, outcome: Outcome) -> None:
    for place, found in enumerate(outcome.results):
        row.results.append(
            ResultRow(
                position=place,
                measurand=found.measurand,
                value=found.value,
                unit=found.unit,
                u=found.u,
                low=found.interval[0],
                high=found.interval[1],
                dof=found.dof,
                n=found.n,
                conditions=plain(found.conditions),
                evidence=plain(found.evidence),
                budget=plain(budget_rows(found.budget)) or None,
            )
        )
    for place, (name, value) in enumerate(outcome.findings.items()):
        row.findings.append(FindingRow(position=place, name=name, value=plain(value)))
    for place, text in enumerate(outcome.warnings):
        row.warnings.append(WarningRow(position=place, text=text))
    for place, figure in enumerate(outcome.figures):
        row.figures.append(FigureRow(position=place, name=figure.name, body=plain(figure)))


def get_outcome(bench: Bench, number: int) -> StoredOutcome | None:
    """Return what was said of a take, None when it was never measured.

    Raises:
        NotFound: No take of that number.
    """
    with bench.reading() as session:
        row = find_take(session, number)
        return None if row.outcome is None else _outcome_record(bench, session, row.outcome)


def frame_size(bench: Bench, camera: str) -> tuple[int, int] | None:
    """Return the frame size of a camera's newest take that tells one."""
    told = list_findings(bench, camera, ("width_px", "height_px"))
    whole = [one.findings for one in told if len(one.findings) == 2]
    return (int(whole[-1]["width_px"]), int(whole[-1]["height_px"])) if whole else None


def list_findings(
    bench: Bench, camera: str, names: Collection[str], *, procedure: str | None = None
) -> list[ToldFindings]:
    """Return these findings of a camera's takes that told any, in the order of the takes."""
    query = (
        select(TakeRow.id, TakeRow.taken, FindingRow.name, FindingRow.value)
        .join(OutcomeRow, FindingRow.outcome_id == OutcomeRow.id)
        .join(TakeRow, OutcomeRow.take_id == TakeRow.id)
        .join(UnitRow, TakeRow.unit_id == UnitRow.id)
        .where(FindingRow.name.in_(names))
        .order_by(TakeRow.id)
    )
    if procedure is not None:
        query = query.where(TakeRow.procedure == procedure)
    found: dict[int, ToldFindings] = {}
    with bench.reading() as session:
        query = query.where(UnitRow.camera_id == find_camera(session, camera).id)
        for take, taken, name, value in session.execute(query):
            found.setdefault(take, ToldFindings(take, taken, {})).findings[name] = value
    return list(found.values())


def list_outcomes(
    bench: Bench, *, camera: str | None = None, procedure: str | Sequence[str] | None = None
) -> list[StoredOutcome]:
    """Return what was said of all takes, of one camera or of procedures where asked for."""
    with bench.reading() as session:
        query = select(OutcomeRow).options(*_OUTCOME_PARTS).join(TakeRow).order_by(TakeRow.id)
        if camera is not None:
            query = query.join(UnitRow).where(UnitRow.camera_id == find_camera(session, camera).id)
        if procedure is not None:
            names = [procedure] if isinstance(procedure, str) else procedure
            query = query.where(TakeRow.procedure.in_([find_procedure(n).id for n in names]))
        return [_outcome_record(bench, session, row) for row in session.scalars(query)]


def list_results(
    bench: Bench,
    *,
    camera: str | None = None,
    measurand: str | None = None,
    of_tests_for: Collection[str] | None = None,
    with_stale: bool = False,
) -> list[StoredResult]:
    """Return measured values with their origin, in the order of the takes.

    Args:
        of_tests_for: Only of tests that gave any of these measurands; all that such a test gave,
            so that what speaks for a camera is chosen from the same takes as among everything.
        with_stale: Also those whose inputs or method have changed since.
    """
    with bench.reading() as session:
        number = None if camera is None else find_camera(session, camera).id
        found = read_results(session, number, measurand, of_tests_for)
    return [r for r in found if with_stale or not r.stale]


def list_measured(bench: Bench, procedure: str) -> list[tuple[int, str, dt.date]]:
    """Return number, camera and day of the takes of a test that gave an outcome."""
    query = (
        select(TakeRow.id, CameraRow.name, TakeRow.taken)
        .join(OutcomeRow, OutcomeRow.take_id == TakeRow.id)
        .join(UnitRow, TakeRow.unit_id == UnitRow.id)
        .join(CameraRow, UnitRow.camera_id == CameraRow.id)
        .where(TakeRow.procedure == procedure, OutcomeRow.error_kind == "")
        .order_by(TakeRow.id)
    )
    with bench.reading() as session:
        return [(take, camera, taken) for take, camera, taken in session.execute(query)]


def instruments_of(bench: Bench) -> dict[int, frozenset[str]]:
    """Return, per number of a take, the identities of the instruments of its readings."""
    query = select(ReadingRow.take_id, ReadingRow.instrument_uuid).distinct()
    query = query.where(ReadingRow.instrument_uuid.is_not(None))
    found: dict[int, set[str]] = {}
    with bench.reading() as session:
        for take, instrument in session.execute(query):
            found.setdefault(take, set()).add(str(instrument))
    return {take: frozenset(ones) for take, ones in found.items()}


def files_of(bench: Bench) -> dict[int, frozenset[str]]:
    """Return, per number of a take, the SHA-256 of its files."""
    found: dict[int, set[str]] = {}
    with bench.reading() as session:
        for take, sha256 in session.execute(select(TakeFileRow.take_id, TakeFileRow.sha256)):
            found.setdefault(take, set()).add(str(sha256))
    return {take: frozenset(ones) for take, ones in found.items()}


def _conditions(row: TakeRow) -> dict[str, float]:
    return {c.name: c.value for c in row.conditions}


def _result(
    row: ResultRow, around: Mapping[str, Any], named: Mapping[str, str], unit: int
) -> Result:
    """Return a result; what it says of its conditions goes before what the take says."""
    return Result(
        row.measurand,
        row.value,
        row.unit,
        row.u,
        (row.low, row.high),
        row.n,
        {**around, **row.conditions},
        tuple(row.evidence),
        row.dof,
        budget_of(row.budget or ()),
        shared_parts(named, unit, row.u, row.budget),
    )


def figure_of(body: Mapping[str, Any]) -> Figure:
    """Build a figure from what is stored of it."""
    parts = dict(body)
    parts["x"], parts["y"] = Axis(**parts["x"]), Axis(**parts["y"])
    parts["marks"] = tuple(Mark(**mark) for mark in parts["marks"])
    return Figure(**parts)


def _outcome_record(bench: Bench, session: Session, row: OutcomeRow) -> StoredOutcome:
    around = _conditions(row.take)
    named = {r.name: r.instrument_uuid for r in row.take.readings if r.instrument_uuid}
    outcome = Outcome(
        tuple(_result(r, around, named, row.take.unit_id) for r in row.results),
        {f.name: f.value for f in row.findings},
        tuple(w.text for w in row.warnings),
        (),
        tuple(figure_of(f.body) for f in row.figures),
        row.method,
        row.sentence,
        row.correction or {},
    )
    pictures = tuple(
        StoredPicture(p.name, p.caption, p.sha256, evidence.picture_path(bench, p.evidence))
        for p in row.pictures
    )
    return StoredOutcome(
        replace(take_record(bench, session, row.take)),
        row.measured,
        row.seconds,
        row.procedure_version,
        row.seeworthy,
        row.inputs,
        outcome,
        pictures,
        row.error_kind,
        row.message,
        row.hint,
    )
