"""A bench at a glance: where every camera stands and what to do next."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field

from sqlalchemy import func, select

from seeworthy.bench.cameras import list_cameras
from seeworthy.bench.models import (
    AboutRow,
    CameraRow,
    ClaimRow,
    FirmwareRow,
    OutcomeRow,
    TakeRow,
    UnitRow,
)
from seeworthy.bench.records import Camera, State, TakeLine
from seeworthy.bench.store import Bench
from seeworthy.bench.takes import list_lines
from seeworthy.ground.measurands import all_measurands
from seeworthy.procedures import all_procedures


@dataclass(frozen=True, slots=True)
class NextStep:
    """What to do next.

    Attributes:
        kind: ``run``, ``again`` (a take gave no figure), ``claim`` (a claim is not tested),
            ``test`` or ``done``.
        procedure: Id, where there is one to do.
        take: Number, where it is about one.
    """

    kind: str
    words: str
    procedure: str = ""
    take: int = 0


@dataclass(frozen=True, slots=True)
class CameraLine:
    """One camera at a glance.

    Attributes:
        tested: Ids of procedures with a figure that holds.
        stale: Takes whose inputs or method have changed since.
        waiting: Takes that were never measured.
        refused: Takes that gave no figure.
    """

    camera: Camera
    tested: tuple[str, ...]
    stale: int
    waiting: int
    refused: int
    takes: int
    next: NextStep


@dataclass(frozen=True, slots=True)
class Latest:
    """One of the last results: which take, when, and what it said."""

    take: int
    camera: str
    procedure: str
    measured: dt.datetime
    state: str
    sentence: str


@dataclass(frozen=True)
class Glance:
    """A bench at a glance.

    Attributes:
        latest: Newest first.
        states: mapping of state to number of takes
    """

    cameras: tuple[CameraLine, ...] = ()
    latest: tuple[Latest, ...] = ()
    states: Mapping[str, int] = field(default_factory=dict)
    takes: int = 0


def fingerprint(bench: Bench) -> Hashable:
    """Return a value that is another one after every change of the bench (a few quick counts)."""
    found: list[object] = []
    with bench.reading() as session:
        for model in (CameraRow, UnitRow, ClaimRow, TakeRow):
            query = select(func.count(), func.max(model.id), func.sum(model.version))
            found.append(tuple(session.execute(query.select_from(model)).one()))
        found += [
            tuple(session.execute(select(func.count(), func.max(row.id))).one())
            for row in (OutcomeRow, FirmwareRow)
        ]
        found.append(tuple(session.execute(select(AboutRow.name, AboutRow.value)).all()))
    return tuple((*part,) for part in found)  # type: ignore[misc]


def glance(bench: Bench, *, last: int = 8) -> Glance:
    """Return where every camera stands, and the last results."""
    takes = list_lines(bench)
    per: dict[str, list[TakeLine]] = {}
    for take in takes:
        per.setdefault(take.camera, []).append(take)
    lines = tuple(_line(c, per.get(c.name, [])) for c in list_cameras(bench))
    states = Counter(str(t.state) for t in takes)
    return Glance(lines, _latest(bench, {t.id: t for t in takes}, last), states, len(takes))


def _latest(bench: Bench, takes: Mapping[int, TakeLine], last: int) -> tuple[Latest, ...]:
    query = select(OutcomeRow.take_id, OutcomeRow.measured, OutcomeRow.sentence, OutcomeRow.message)
    query = query.order_by(OutcomeRow.measured.desc(), OutcomeRow.id.desc()).limit(last)
    with bench.reading() as session:
        rows = session.execute(query).all()
    return tuple(
        Latest(r[0], t.camera, t.procedure, r[1], t.state, r[2] or r[3])
        for r in rows
        if (t := takes.get(r[0])) is not None
    )


def _line(camera: Camera, takes: Sequence[TakeLine]) -> CameraLine:
    count = Counter(t.state for t in takes)
    done = {t.procedure for t in takes if t.state == "measured"}
    tested = tuple(name for name in all_procedures() if name in done)
    refused = count["refused"] + count["failed"] + count["lost"]
    advice = _next(camera, takes, set(tested))
    if camera.group:
        advice = NextStep("done", f"Measured by another group: {camera.group}.")
    return CameraLine(camera, tested, count["stale"], count["new"], refused, len(takes), advice)


def _next(camera: Camera, takes: Sequence[TakeLine], tested: set[str]) -> NextStep:
    due: tuple[State, ...] = ("new", "stale", "lost")
    waiting = [t for t in takes if t.state in due]
    if waiting:
        what = "take" if len(waiting) == 1 else "takes"
        return NextStep("run", f"Measure {len(waiting)} {what} that are new or out of date.")
    for take in takes:
        if take.state in ("refused", "failed") and take.procedure not in tested:
            return NextStep("again", f"Film '{take.procedure}' again.", take.procedure, take.id)
    return _untested(camera, tested)


def _untested(camera: Camera, tested: set[str]) -> NextStep:
    measurands, procedures = all_measurands(), all_procedures()
    for claim in camera.claims:
        entry = measurands.get(claim.subject)
        if entry and entry.procedure in procedures and entry.procedure not in tested:
            words = f"Test the claim on {entry.title}."
            return NextStep("claim", words, entry.procedure)
    for name, procedure in procedures.items():
        if name not in tested:
            return NextStep("test", procedure.question, name)
    return NextStep("done", "Every test has a figure.")
