"""From a bench to the plain data of a report."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from seeworthy import __version__
from seeworthy.bench.cameras import get_camera
from seeworthy.bench.models import AboutRow
from seeworthy.bench.outcomes import list_outcomes
from seeworthy.bench.records import Camera, StoredOutcome, Take
from seeworthy.bench.records import Claim as StoredClaim
from seeworthy.bench.store import Bench
from seeworthy.bench.takes import list_takes
from seeworthy.ground.quantities import format_value
from seeworthy.ground.results import Result
from seeworthy.judge.claims.decide import Claim, Judgement, judge_all
from seeworthy.judge.claims.tolerance import DEFAULT_TOLERANCE, Tolerance
from seeworthy.publish.model import (
    CameraReport,
    FileLine,
    ReadingLine,
    Refusal,
    TakeReport,
    UnitLine,
)


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
        _title(bench),
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
    usable = [t for t in takes if t.outcome and not t.stale]
    current = newest_firmware(camera, usable)
    several = len({t.unit for t in current}) > 1
    claims = [_claim(c) for c in camera.claims]
    judged = judge_all(claims, *_said(current, several, tolerance))
    older = [t for t in usable if t not in current]
    for firmware in dict.fromkeys(t.firmware for t in older):
        before = [t for t in older if t.firmware == firmware]
        then = judge_all(claims, *_said(before, several, tolerance))
        judged = tuple(_since(j, then, firmware) for j in judged)
    return judged


def _said(
    takes: Sequence[TakeReport], several: bool, tolerance: Tolerance
) -> tuple[list[Result], Tolerance, dict[str, list[Any]]]:
    """Return the results and findings of takes, as `judge_all` wants them."""
    results: list[Result] = []
    findings: dict[str, list[Any]] = {}
    for take in takes:
        results.extend(_marked(r, take, several) for r in take.results)
        if take.outcome:
            for name, value in take.outcome.findings.items():
                findings.setdefault(name, []).append(value)
    return results, tolerance, findings


def _since(now: Judgement, then: Sequence[Judgement], firmware: str) -> Judgement:
    """Note in a judgement that an older firmware was judged otherwise."""
    old = next((j for j in then if j.subject == now.subject), None)
    if old is None or now.claim is None or old.state in {now.state, "not tested"}:
        return now
    if old.result is not None:
        shown = f" ({format_value(old.result.value, old.result.u, old.result.unit)})"
    else:
        shown = f" (found {old.found})" if old.found is not None else ""
    note = f"With the older firmware {firmware} the claim was {old.state}{shown}."
    return replace(now, sentence=f"{now.sentence} {note}", remark=f"{now.remark} {note}".strip())


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


def _title(bench: Bench) -> str:
    """Return what the bench calls itself, else the name of its folder."""
    with bench.reading() as session:
        row = session.get(AboutRow, "title")
        return row.value if row else bench.folder.name.replace("-", " ").replace("_", " ")


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
