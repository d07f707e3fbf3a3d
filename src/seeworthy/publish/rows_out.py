"""The rows of a bench in the columns of a data package."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from seeworthy.bench.lookup import firmware_on
from seeworthy.bench.models import CameraRow, OutcomeRow, PictureRow, TakeRow, UnitRow
from seeworthy.bench.state import TAKE_PARTS, state_of
from seeworthy.publish.sheets import CONDITIONS, Sheet, sheets

Rows = list[tuple[Any, ...]]

_PARTS = (
    *TAKE_PARTS,
    selectinload(TakeRow.outcome).options(
        selectinload(OutcomeRow.results),
        selectinload(OutcomeRow.findings),
        selectinload(OutcomeRow.warnings),
        selectinload(OutcomeRow.figures),
        selectinload(OutcomeRow.pictures).joinedload(PictureRow.evidence),
    ),
)


def takes_of(session: Session, cameras: Sequence[CameraRow]) -> list[TakeRow]:
    """Return the takes of cameras in the order of entry, with all that hangs on them."""
    query = select(TakeRow).options(*_PARTS).join(UnitRow).order_by(TakeRow.id)
    return list(session.scalars(query.where(UnitRow.camera_id.in_([c.id for c in cameras]))))


def tables_of(
    cameras: Sequence[CameraRow], takes: Sequence[TakeRow], bench: str
) -> dict[str, Rows]:
    """Return every table of the package.

    Args:
        cameras, takes: sequence of rows. In a session.
        bench: Identity of the bench, for cameras that are its own.
    """
    parents = list(_parents(cameras, takes))
    return {
        of.name: [
            _values(of, row, take, bench)
            for name, rows, take in parents
            if name == of.name
            for row in rows
        ]
        for of in sheets()
    }


def _parents(
    cameras: Sequence[CameraRow], takes: Sequence[TakeRow]
) -> Iterator[tuple[str, Iterable[Any], Any]]:
    units = [u for c in cameras for u in c.units]
    yield "cameras", cameras, None
    yield "units", units, None
    yield "firmware", [f for u in units for f in u.firmware], None
    yield "claims", [c for camera in cameras for c in camera.claims], None
    used = [r.instrument for t in takes for r in t.readings if r.instrument]
    yield "instruments", {i.uuid: i for i in used}.values(), None
    yield "takes", takes, None
    for t in takes:
        yield "files", t.files, t
        yield "readings", t.readings, t
        yield "options", t.options, t
        if t.outcome is not None:
            yield "outcomes", [t.outcome], t
            yield "results", t.outcome.results, t
            yield "findings", t.outcome.findings, t
            yield "warnings", t.outcome.warnings, t


def _values(of: Sheet, row: Any, take: TakeRow | None, bench: str) -> tuple[Any, ...]:
    compute: Callable[..., dict[str, Any]] = _COMPUTED.get(of.name) or _nothing
    made = compute(row, take, bench)
    return tuple(_along(row, c.way) if c.way else made[c.name] for c in of.columns)


def _along(row: Any, way: str) -> Any:
    for part in way.split("."):
        row = getattr(row, part)
    return row


def _nothing(row: Any, take: Any, bench: str) -> dict[str, Any]:
    return {"take": take.uuid} if take is not None else {}


def _camera(row: CameraRow, take: Any, bench: str) -> dict[str, Any]:
    return {"bench": row.source_uuid or bench}


def _take(row: TakeRow, take: Any, bench: str) -> dict[str, Any]:
    found: dict[str, Any] = {"firmware": firmware_on(row.unit, row.taken)}
    around = {c.name: c for c in row.conditions}
    for name in ("light", "temperature"):
        known = around.get(name)
        found[name] = known.value if known else None
        found[f"{name}_u"] = known.u if known else None
        found[f"{name}_typed"] = known.text if known else ""
    return found


def _result(row: Any, take: TakeRow, bench: str) -> dict[str, Any]:
    around = {**{c.name: c.value for c in take.conditions}, **row.conditions}
    found: dict[str, Any] = {}
    for name, (kind, _) in CONDITIONS.items():
        value = around.get(name)
        fits = isinstance(value, str) if kind == "string" else isinstance(value, int | float)
        found[name] = around.pop(name) if fits else ("" if kind == "string" else None)
    return {
        **found,
        "take": take.uuid,
        "other_conditions": as_json(around) if around else "",
        "evidence": as_json(row.evidence) if row.evidence else "",
        "firmware": firmware_on(take.unit, take.taken),
        "stale": state_of(take) == "stale",
        "instruments": " ".join(
            sorted({r.instrument_uuid for r in take.readings if r.instrument_uuid})
        ),
    }


def _finding(row: Any, take: TakeRow, bench: str) -> dict[str, Any]:
    return {"take": take.uuid, "value": as_json(row.value)}


_COMPUTED: dict[str, Callable[..., dict[str, Any]]] = {
    "cameras": _camera,
    "takes": _take,
    "results": _result,
    "findings": _finding,
}


def as_json(value: Any) -> str:
    """Return a value as JSON that does not depend on the order of a mapping."""
    return json.dumps(value, ensure_ascii=False, sort_keys=True)


def details_of(takes: Sequence[TakeRow]) -> dict[str, Any]:
    """Return what does not fit into tables, per identity of the take.

    Figures as data, captions of pictures, what ``correct`` needs, and the inputs from which
    the figures were computed.
    """
    found: dict[str, Any] = {}
    for t in takes:
        o = t.outcome
        if o is None:
            continue
        found[t.uuid] = {
            "inputs": o.inputs,
            "correction": o.correction,
            "figures": [f.body for f in o.figures],
            "pictures": [
                {"name": p.name, "caption": p.caption, "sha256": p.sha256, "bytes": p.evidence.size}
                for p in o.pictures
            ],
        }
    return found


def cameras_of(session: Session, *, theirs: bool) -> list[CameraRow]:
    """Return the rows of our own cameras by name, and of other groups' where asked for."""
    rows = session.scalars(select(CameraRow).order_by(CameraRow.name)).all()
    return [row for row in rows if theirs or row.source_uuid is None]
