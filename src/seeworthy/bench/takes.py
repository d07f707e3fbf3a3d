"""Takes: enter what was filmed and read, change it, take it back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import select
from sqlalchemy.orm import Session

from seeworthy.bench import evidence
from seeworthy.bench.instruments import set_instruments
from seeworthy.bench.known import known_readings
from seeworthy.bench.lookup import check_version, find_camera, find_unit
from seeworthy.bench.models import (
    CameraRow,
    ConditionRow,
    ReadingRow,
    TakeFileRow,
    TakeOptionRow,
    TakeRow,
    UnitRow,
)
from seeworthy.bench.records import Take, TakeLine
from seeworthy.bench.result_columns import read_lines
from seeworthy.bench.state import TAKE_PARTS, take_record
from seeworthy.bench.store import Bench
from seeworthy.ground.errors import NotFound, WrongCall
from seeworthy.ground.plausible import check_plausible
from seeworthy.ground.quantities import parse
from seeworthy.media.source import Source
from seeworthy.procedures import procedure as find_procedure
from seeworthy.procedures.declare import Procedure, gather

if TYPE_CHECKING:
    from seeworthy.ground.quantities import Quantity

CONDITIONS = {"light": "lx", "temperature": "degC"}
"""What can be said of a take's surroundings, and the unit that it is kept in."""

Files = Mapping[str, Sequence[str | Path]]
Typed = Mapping[str, Sequence[str]]


def add_take(
    bench: Bench,
    procedure: str,
    camera: str,
    files: Files | None = None,
    *,
    readings: Typed | None = None,
    options: Typed | None = None,
    conditions: Mapping[str, str] | None = None,
    unit: str | None = None,
    taken: dt.date | None = None,
    note: str = "",
    in_place: bool = False,
    instruments: Mapping[str, str] | None = None,
) -> Take:
    """Enter one execution of a procedure.

    Everything is checked against the declaration before a file is copied. Readings that are
    results of the unit itself are entered from the bench where nothing is typed; the reading's
    instrument is then "result of take N".

    Args:
        files: mapping of role to paths. ``""`` for the positional files.
        conditions: ``light`` and ``temperature``, as typed.
        unit: Needed when the camera has several.
        taken: Day of the take; today when it is not given.
        in_place: Reference the files where they are instead of copying them.
        instruments: mapping of reading to name of the instrument

    Returns:
        Its state is ``new``; `run_bench` measures it.

    Raises:
        WrongCall, BadQuantity, UnreadableInput: As `seeworthy.procedures.declare.gather` and the
            files have it.
        NotFound, Conflict, BenchReadOnly, NoSpace
    """
    bench.require_writable()
    chosen = find_procedure(procedure)
    sources, day = _sources(files or {}), taken or dt.date.today()
    with bench.reading() as session:
        known = known_readings(session, chosen, camera, unit, day, readings or {})
    readings = {**(readings or {}), **{name: [text] for name, (text, _) in known.items()}}
    took = {name: f"result of take {number}" for name, (_, number) in known.items()}
    _check(chosen, sources, readings, options or {})
    around = {name: _condition(name, text) for name, text in (conditions or {}).items()}
    with bench.reading() as session:
        find_unit(session, camera, unit)
    kept = _kept(bench, sources, in_place)
    with bench.changing() as session:
        row = TakeRow(unit=find_unit(session, camera, unit), procedure=chosen.id, taken=day)
        row.note = note.strip()
        session.add(row)
        _add_files(bench, session, row, kept)
        _set_readings(row, chosen, readings)
        _set_options(row, options or {})
        row.conditions.extend(_condition_row(name, found) for name, found in around.items())
        set_instruments(session, row, {**took, **(instruments or {})})
        session.flush()
        return take_record(bench, session, row)


def _check(
    procedure: Procedure, sources: Mapping[str, Sequence[Source]], readings: Typed, options: Typed
) -> None:
    gather(procedure, sources, readings, options)
    if not (any(sources.values()) or readings or options):
        raise WrongCall(
            f"'{procedure.id}' has nothing to go by: neither a file nor a reading was given.",
            f"See `seeworthy procedures {procedure.id}`.",
        )


def twins(bench: Bench, take: Take) -> dict[str, list[int]]:
    """Return which of a take's files stand in other takes of its test and camera, and in which.

    Results of one file count once.
    """
    found: dict[str, list[int]] = {}
    others = list_takes(bench, camera=take.camera, procedure=take.procedure)
    for file in take.files:
        same = [o.id for o in others if file.sha256 in {f.sha256 for f in o.files}]
        found[file.name] = [number for number in same if number != take.id]
    return {name: numbers for name, numbers in found.items() if numbers}


def list_takes(
    bench: Bench,
    *,
    camera: str | None = None,
    procedure: str | None = None,
    numbers: Sequence[int] | None = None,
) -> list[Take]:
    """Return takes in the order of entry, of one camera, procedure or some numbers if asked for."""
    with bench.reading() as session:
        query = select(TakeRow).options(*TAKE_PARTS).order_by(TakeRow.id)
        if numbers is not None:
            query = query.where(TakeRow.id.in_(numbers))
        if camera is not None:
            query = query.join(UnitRow).where(UnitRow.camera_id == find_camera(session, camera).id)
        if procedure is not None:
            query = query.where(TakeRow.procedure == find_procedure(procedure).id)
        return [take_record(bench, session, row) for row in session.scalars(query)]


def list_lines(
    bench: Bench, *, camera: str | None = None, procedure: str | None = None
) -> list[TakeLine]:
    """Return takes as lines of a list: a hundredth of what `list_takes` costs."""
    with bench.reading() as session:
        number = None if camera is None else find_camera(session, camera).id
        test = None if procedure is None else find_procedure(procedure).id
        return read_lines(session, number, test)


def list_places(bench: Bench) -> list[tuple[int, str, str]]:
    """Return number, camera and procedure of every take, in the order of entry."""
    query = (
        select(TakeRow.id, CameraRow.name, TakeRow.procedure)
        .join(UnitRow, TakeRow.unit_id == UnitRow.id)
        .join(CameraRow, UnitRow.camera_id == CameraRow.id)
        .order_by(TakeRow.id)
    )
    with bench.reading() as session:
        return [(row[0], row[1], row[2]) for row in session.execute(query)]


def get_take(bench: Bench, number: int) -> Take:
    """Return one take.

    Raises:
        NotFound: No take of that number.
    """
    with bench.reading() as session:
        return take_record(bench, session, find_take(session, number))


def edit_take(
    bench: Bench,
    number: int,
    *,
    version: int | None = None,
    readings: Typed | None = None,
    options: Typed | None = None,
    conditions: Mapping[str, str | None] | None = None,
    taken: dt.date | None = None,
    note: str | None = None,
) -> Take:
    """Change a take; what is not given stays.

    Args:
        version: `Take.version` that the change was based on; an older one is refused.
        readings, options: mapping of name to values. They replace those of the same name; an empty
            sequence removes them.
        conditions: None removes one.

    Raises:
        Conflict: Changed elsewhere in the meantime; nothing is overwritten.
    """
    with bench.changing() as session:
        row = find_take(session, number)
        check_version(row, version, f"take {number}")
        chosen = find_procedure(row.procedure)
        new_readings = _merged(_typed(row.readings), readings)
        new_options = _merged(_chosen(row.options), options)
        gather(chosen, _stored_sources(bench, row), new_readings, new_options)
        if readings is not None:
            with_ = {r.name: r.instrument for r in row.readings}
            row.readings.clear()
            session.flush()
            _set_readings(row, chosen, new_readings)
            for reading in row.readings:
                reading.instrument = with_.get(reading.name)
        if options is not None:
            row.options.clear()
            session.flush()
            _set_options(row, new_options)
        for name, text in (conditions or {}).items():
            _replace_condition(session, row, name, text)
        row.taken = taken or row.taken
        row.note = row.note if note is None else note.strip()
        # Readings are rows of their own; the take's version has to grow with them.
        row.version = row.version + 1
        session.flush()
        return take_record(bench, session, row)


def remove_take(bench: Bench, number: int) -> None:
    """Take a take back, with what was measured from it.

    Its kept files stay in ``evidence/`` until `tidy_bench` removes what nobody uses.
    """
    with bench.changing() as session:
        session.delete(find_take(session, number))


def find_take(session: Session, number: int) -> TakeRow:
    """Return the row of a take.

    Raises:
        NotFound
    """
    row = session.get(TakeRow, number)
    if row is None:
        raise NotFound(
            f"There is no take {number} in this bench.", "`seeworthy take list` lists them."
        )
    return row


def _kept(
    bench: Bench, sources: Mapping[str, Sequence[Source]], in_place: bool
) -> list[tuple[str, evidence.Kept]]:
    keep = evidence.reference if in_place else evidence.keep_copy
    return [(role, keep(bench, s.path)) for role, ones in sources.items() for s in ones]


def _add_files(
    bench: Bench, session: Session, row: TakeRow, kept: Sequence[tuple[str, evidence.Kept]]
) -> None:
    for position, (role, one) in enumerate(kept):
        evidence.record(bench, session, one)
        file = TakeFileRow(position=position, role=role, name=one.name, sha256=one.sha256)
        row.files.append(file)


def _sources(files: Files) -> dict[str, list[Source]]:
    return {role: [Source.of(path) for path in paths] for role, paths in files.items() if paths}


def _stored_sources(bench: Bench, row: TakeRow) -> dict[str, list[Source]]:
    found: dict[str, list[Source]] = {}
    for file in row.files:
        path = evidence.path_of(bench, file.evidence)
        found.setdefault(file.role, []).append(Source(path, file.name))
    return found


def _typed(rows: Sequence[ReadingRow]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for row in rows:
        found.setdefault(row.name, []).append(row.text)
    return found


def _chosen(rows: Sequence[TakeOptionRow]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for row in rows:
        found.setdefault(row.name, []).append(row.value)
    return found


def _merged(old: dict[str, list[str]], new: Typed | None) -> dict[str, list[str]]:
    merged = {**old, **{name: list(values) for name, values in (new or {}).items()}}
    return {name: values for name, values in merged.items() if values}


def _set_readings(row: TakeRow, procedure: Procedure, readings: Typed) -> None:
    pairs = [(name, text) for name, texts in readings.items() for text in texts]
    for position, (name, text) in enumerate(pairs):
        need = procedure.need(name)
        if need.unit == "text":
            value = u = None
        else:
            found = parse(text, need.unit, bare=False)
            value, u = found.value, found.u
        row.readings.append(
            ReadingRow(position=position, name=name, text=text, value=value, unit=need.unit, u=u)
        )


def _set_options(row: TakeRow, options: Typed) -> None:
    pairs = [(name, value) for name, values in options.items() for value in values]
    for position, (name, value) in enumerate(pairs):
        row.options.append(TakeOptionRow(position=position, name=name, value=value))


def _condition(name: str, text: str) -> Quantity:
    unit = CONDITIONS.get(name)
    if unit is None:
        raise WrongCall(f"A take has no condition '{name}'.", f"It has: {', '.join(CONDITIONS)}.")
    return check_plausible(name, parse(text, unit, positive=name == "light", bare=False))


def _condition_row(name: str, found: Quantity) -> ConditionRow:
    return ConditionRow(name=name, text=found.text, value=found.value, unit=found.unit, u=found.u)


def _replace_condition(session: Session, row: TakeRow, name: str, text: str | None) -> None:
    found = None if text is None else _condition(name, text)
    for old in [c for c in row.conditions if c.name == name]:
        row.conditions.remove(old)
    session.flush()
    if found is not None:
        row.conditions.append(_condition_row(name, found))
