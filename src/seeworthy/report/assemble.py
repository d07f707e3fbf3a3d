"""From a bench to the plain data of a report."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from seeworthy import __version__
from seeworthy.bench.cameras import get_camera
from seeworthy.bench.outcomes import list_outcomes
from seeworthy.bench.records import Camera, StoredOutcome, Take
from seeworthy.bench.records import Claim as StoredClaim
from seeworthy.bench.store import Bench
from seeworthy.bench.takes import list_takes
from seeworthy.compare.claims import Claim, Judgement, judge_all
from seeworthy.compare.tolerance import DEFAULT_TOLERANCE, Tolerance
from seeworthy.report.model import (
    CameraReport,
    FileLine,
    ReadingLine,
    Refusal,
    TakeReport,
    UnitLine,
)
from seeworthy.results import Result


def camera_report(
    bench: Bench,
    camera: str,
    *,
    tolerance: Tolerance = DEFAULT_TOLERANCE,
    made: dt.datetime | None = None,
    pictures: bool = True,
) -> CameraReport:
    """Gather everything a bench knows of one camera.

    Parameters
    ----------
    bench : Bench
    camera : str
    tolerance : Tolerance
        Of claims.
    made : datetime, optional
        Printed as the date of the report.
    pictures : bool
        Read the evidence pictures too (a page needs them, JSON does not).

    Raises
    ------
    NotFound
        No camera of that name.
    """
    found = get_camera(bench, camera)
    outcomes = {o.take.id: o for o in list_outcomes(bench, camera=found.name)}
    takes = [_take(t, outcomes.get(t.id), pictures) for t in list_takes(bench, camera=found.name)]
    return CameraReport(
        found.name,
        found.maker,
        found.note,
        bench.folder.name.replace("-", " ").replace("_", " "),
        tuple(_unit(u) for u in found.units),
        judgements(found, takes, tolerance),
        tuple(takes),
        tolerance,
        made,
        __version__,
    )


def judgements(
    camera: Camera, takes: Sequence[TakeReport], tolerance: Tolerance = DEFAULT_TOLERANCE
) -> tuple[Judgement, ...]:
    """Judge the claims of a camera by its takes.

    What is out of date does not count, nor does an older firmware where the same
    procedure was repeated on that unit with a newer one: the claim is about what a
    buyer gets now.
    """
    current = newest_firmware(camera, [t for t in takes if t.outcome and not t.stale])
    several = len({t.unit for t in current}) > 1
    results: list[Result] = []
    findings: dict[str, list[Any]] = {}
    for take in current:
        results.extend(_marked(r, take, several) for r in take.results)
        if take.outcome:
            for name, value in take.outcome.findings.items():
                findings.setdefault(name, []).append(value)
    claims = [_claim(c) for c in camera.claims]
    return judge_all(claims, results, tolerance, findings)


def newest_firmware(camera: Camera, takes: Iterable[TakeReport]) -> list[TakeReport]:
    """Keep, per unit and procedure, the takes with the newest firmware that was tested."""
    since = {(u.serial, f.name): f.since for u in camera.units for f in u.firmware}
    groups: dict[tuple[str, str], list[TakeReport]] = {}
    for take in takes:
        groups.setdefault((take.unit, take.procedure), []).append(take)
    kept = []
    for group in groups.values():
        newest = max(since.get((t.unit, t.firmware), dt.date.min) for t in group)
        kept += [t for t in group if since.get((t.unit, t.firmware), dt.date.min) == newest]
    return sorted(kept, key=lambda t: t.number)


def _marked(found: Result, take: TakeReport, several: bool) -> Result:
    """Note the specimen among the conditions where there is more than one."""
    if not several:
        return found
    return replace(found, conditions={**found.conditions, "unit": take.unit})


def _claim(found: StoredClaim) -> Claim:
    return Claim(found.subject, found.value, found.text, found.source, silent=found.silent)


def _unit(unit: Any) -> UnitLine:
    return UnitLine(unit.serial, unit.note, tuple((f.name, f.since) for f in unit.firmware))


def _take(take: Take, found: StoredOutcome | None, pictures: bool) -> TakeReport:
    base = TakeReport(
        take.id,
        take.procedure,
        unit=take.unit,
        firmware=take.firmware,
        taken=take.taken,
        note=take.note,
        files=tuple(FileLine(f.name, f.sha256, f.size, f.role) for f in take.files),
        readings=tuple(ReadingLine(r.name, r.text) for r in take.readings),
        options=tuple(ReadingLine(name, value) for name, value in take.options),
        conditions={c.name: c.text for c in take.conditions},
        stale=take.state == "stale",
    )
    if found is None:
        return base
    shown = found.load_pictures() if pictures else ()
    made = replace(
        base,
        measured=found.measured,
        method_version=found.procedure_version,
        seeworthy=found.seeworthy,
    )
    if found.error_kind:
        refusal = Refusal(found.error_kind, found.message, found.hint, shown)
        return replace(made, refusal=refusal)
    return replace(made, outcome=replace(found.outcome, pictures=shown))
