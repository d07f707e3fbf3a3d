"""Which takes of a bench speak for the claims of a camera."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from seeworthy.bench.cameras import get_camera
from seeworthy.bench.outcomes import list_outcomes
from seeworthy.bench.records import Camera, Claim, StoredOutcome
from seeworthy.bench.store import Bench
from seeworthy.ground.digits import said_result
from seeworthy.ground.results import Result
from seeworthy.judge.claims.decide import Claimed, Judgement, judge_all
from seeworthy.judge.claims.tolerance import DEFAULT_TOLERANCE, Tolerance
from seeworthy.judge.compare.combine import speaking


@dataclass(frozen=True, slots=True)
class _Said:
    """One result and where it comes from (`seeworthy.judge.compare.combine.Origin`)."""

    camera: str
    unit: str
    firmware: str
    procedure: str
    taken: dt.date
    take_id: int
    files: tuple[str, ...]
    result: Result


def judge_camera(
    bench: Bench, camera: str, tolerance: Tolerance = DEFAULT_TOLERANCE
) -> tuple[Judgement, ...]:
    """Judge the claims of a camera of a bench.

    Raises:
        NotFound: No camera of that name.
    """
    found = get_camera(bench, camera)
    return judgements(found, list_outcomes(bench, camera=found.name), tolerance)


def judgements(
    camera: Camera, outcomes: Iterable[StoredOutcome], tolerance: Tolerance = DEFAULT_TOLERANCE
) -> tuple[Judgement, ...]:
    """Judge the claims of a camera by what its takes said.

    What is out of date does not count, nor does an older firmware where the same
    procedure was repeated on that unit with a newer one: the claim is about what a
    buyer gets now. A file that was entered again counts once. Both are said.
    """
    usable = [o for o in outcomes if not o.error_kind and o.take.state != "stale"]
    current = newest_firmware(usable)
    several = len({o.take.unit for o in current}) > 1
    claims = [_claim(c) for c in camera.claims]
    judged = judge_all(claims, *_said(current, several, tolerance))
    older = [o for o in usable if o not in current]
    for firmware in dict.fromkeys(o.take.firmware for o in older):
        before = [o for o in older if o.take.firmware == firmware]
        then = judge_all(claims, *_said(before, several, tolerance))
        judged = tuple(_since(j, then, firmware) for j in judged)
    notes = _notes(usable)
    return tuple(_with(j, notes.get(j.subject, ())) for j in judged)


def newest_firmware(outcomes: Sequence[StoredOutcome]) -> list[StoredOutcome]:
    """Keep, per unit and procedure, the takes with the newest firmware that was tested.

    A firmware is in force from a day on, so that the latest take has the newest one.
    """
    last: dict[tuple[str, str], StoredOutcome] = {}
    for o in sorted(outcomes, key=lambda o: (o.take.taken, o.take.id)):
        last[o.take.unit, o.take.procedure] = o
    return [
        o for o in outcomes if o.take.firmware == last[o.take.unit, o.take.procedure].take.firmware
    ]


def _origins(outcomes: Iterable[StoredOutcome]) -> list[_Said]:
    return [
        _Said(
            o.take.camera, o.take.unit, o.take.firmware, o.take.procedure, o.take.taken, o.take.id,
            tuple(f.sha256 for f in o.take.files), r,
        )
        for o in outcomes
        for r in o.results
    ]  # fmt: skip


def _said(
    outcomes: Sequence[StoredOutcome], several: bool, tolerance: Tolerance
) -> tuple[list[Result], Tolerance, dict[str, list[Any]]]:
    """Return the results and findings of takes, as `judge_all` wants them."""
    speak, _ = speaking(_origins(outcomes), firmware_apart=True)
    findings: dict[str, list[Any]] = {}
    for one in outcomes:
        for name, value in one.outcome.findings.items():
            findings.setdefault(name, []).append(value)
    return [_marked(o, several) for o in speak], tolerance, findings


def _marked(said: _Said, several: bool) -> Result:
    """Note the specimen among the conditions where there is more than one."""
    if not several:
        return said.result
    return replace(said.result, conditions={**said.result.conditions, "unit": said.unit})


def _notes(outcomes: Sequence[StoredOutcome]) -> dict[str, list[str]]:
    """Return what is to be said, by measurand, of takes that do not count."""
    groups: dict[str, list[_Said]] = {}
    for origin in _origins(outcomes):
        groups.setdefault(origin.result.measurand, []).append(origin)
    return {name: speaking(group)[1] for name, group in groups.items()}


def _with(judged: Judgement, notes: Sequence[str]) -> Judgement:
    if judged.claim is None or not notes:
        return judged
    added = " ".join(notes)
    return replace(
        judged, sentence=f"{judged.sentence} {added}", remark=f"{judged.remark} {added}".strip()
    )


def _since(now: Judgement, then: Sequence[Judgement], firmware: str) -> Judgement:
    """Note in a judgement that an older firmware was judged otherwise."""
    old = next((j for j in then if j.subject == now.subject), None)
    if old is None or now.claim is None or old.state in {now.state, "not tested"}:
        return now
    if old.result is not None:
        shown = f" ({said_result(old.result)})"
    else:
        shown = f" (found {old.found})" if old.found is not None else ""
    note = f"With the older firmware {firmware} it was {old.word}{shown}."
    return replace(now, sentence=f"{now.sentence} {note}", remark=f"{now.remark} {note}".strip())


def _claim(found: Claim) -> Claimed:
    return Claimed(found.subject, found.value, found.text, found.source, silent=found.silent)
