"""What the page template is given: rows of finished words, in the order they are read.

Documented dataclasses, so that a template never digs in results and a test can read the
page's content without HTML.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from seeworthy.bench.records import Take
from seeworthy.ground.measurands import measurand
from seeworthy.ground.results import Result
from seeworthy.judge.claims.decide import Judgement
from seeworthy.procedures import all_procedures
from seeworthy.procedures.cautions import CAUTIONS
from seeworthy.procedures.declare import Procedure
from seeworthy.publish import numbers
from seeworthy.publish.model import CameraReport, TakeReport
from seeworthy.publish.palette import Badge, badge


@dataclass(frozen=True, slots=True)
class Strip:
    """A claim and a measured interval on one scale, in percent of its width.

    Attributes:
        band_left, band_width: Claim and tolerance.
        low, width: The 95 % interval.
    """

    band_left: float
    band_width: float
    claim: float
    low: float
    width: float


@dataclass(frozen=True, slots=True)
class ClaimLine:
    """One row of the table of claims, in words."""

    title: str
    claimed: str
    source: str
    measured: str
    interval: str
    tolerance: str
    badge: Badge
    favour: str
    remark: str
    strip: Strip | None


@dataclass(frozen=True, slots=True)
class ResultLine:
    """One measured value, in words.

    Attributes:
        value, interval, u: With units; `u` is the standard uncertainty.
        customary: Value and interval in US customary units, ``""`` where they are the same.
        take: Anchor of the take; `label` is its name, `specimen` says of which unit.
        evidence: tuple of (anchor, name)
        measurand: Its id.
        budget: tuple of (component, u, distribution, sensitivity, share, source). What the
            uncertainty is made of, the largest share first; empty where it is not told.
    """

    title: str
    meaning: str
    value: str
    interval: str
    u: str
    customary: str
    n: int
    conditions: str
    take: str
    label: str
    specimen: str
    evidence: tuple[tuple[str, str], ...] = ()
    measurand: str = ""
    budget: tuple[tuple[str, str, str, str, str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class MapCell:
    """One part of the picture: where, and value with interval a direction."""

    where: str
    lines: tuple[tuple[str, str, str], ...]
    share: float


@dataclass(frozen=True, slots=True)
class TakeView:
    """One take with the rows of its results.

    Attributes:
        findings: tuple of (name, value, meaning)
        earlier: A newer firmware of the same unit was tested the same way.
        sharpness: Nine parts of the picture, row by row, where sharpness was measured all over;
            their results stand in `rows` too.
    """

    anchor: str
    label: str
    context: str
    told: TakeReport
    rows: tuple[ResultLine, ...]
    findings: tuple[tuple[str, str, str], ...]
    method: str
    earlier: bool = False
    sharpness: tuple[MapCell, ...] = ()


@dataclass(frozen=True, slots=True)
class Chapter:
    """One procedure: what is asked, the takes, and how it is done.

    Attributes:
        version: Of the method as it is now.
    """

    anchor: str
    title: str
    question: str
    cautions: tuple[str, ...]
    kit: tuple[str, ...]
    steps: tuple[str, ...]
    version: int
    takes: tuple[TakeView, ...]

    @property
    def now(self) -> tuple[TakeView, ...]:
        """Takes that gave figures with the newest firmware."""
        return tuple(t for t in self.takes if not t.earlier and t.told.refusal is None)

    @property
    def before(self) -> tuple[TakeView, ...]:
        """Takes with an earlier firmware, and those that gave no figure."""
        return tuple(t for t in self.takes if t.earlier or t.told.refusal is not None)


@dataclass(frozen=True, slots=True)
class _Several:
    """Whether takes need to say of which unit and firmware they are."""

    units: bool
    firmware: bool


def claim_rows(judgements: Iterable[Judgement]) -> list[ClaimLine]:
    """Return the rows of every claim that was entered."""
    return [_claim_row(j) for j in judgements if j.state != "claimed nothing"]


def silent_titles(judgements: Iterable[Judgement]) -> list[str]:
    """Return what was measured without a claim that is entered."""
    return [j.title for j in judgements if j.state == "claimed nothing" and j.result is not None]


def _claim_row(item: Judgement) -> ClaimLine:
    claim, found = item.claim, item.result
    claimed = ""
    if claim is not None:
        value = "" if claim.value is None else f"{claim.value:g}"
        claimed = numbers.typed(claim.text) or numbers.with_unit(value, item.unit)
    measured = interval = ""
    if found is not None:
        measured = numbers.value_text(found)
        interval = numbers.interval_text(*found.interval, found.u, found.unit)
        if item.specimen:
            interval += f", unit {item.specimen}"
    elif item.found is not None:
        measured = numbers.finding_text(item.found)
        if item.subject.endswith("_px"):
            measured = numbers.with_unit(measured, "px")
    return ClaimLine(
        item.title,
        claimed,
        claim.source if claim else "",
        measured,
        interval,
        str(item.tolerance) if item.band else "",
        badge(item.state, item.favour, item.word),
        item.favour if item.favour not in {"", "as claimed", "off"} else "",
        numbers.typed(item.remark),
        _strip(item),
    )


def _strip(item: Judgement) -> Strip | None:
    if item.band is None or item.result is None or item.claim is None:
        return None
    marks = [*item.band, *(x for x in item.result.interval if math.isfinite(x))]
    low, high = min(marks), max(marks)
    pad = 0.06 * (high - low) or 1.0
    low, high = low - pad, high + pad

    def at(x: float) -> float:
        return round(100 * (min(max(x, low), high) - low) / (high - low), 2)

    left, right = (at(x) for x in item.result.interval)
    start, end = (at(x) for x in item.band)
    return Strip(start, end - start, at(item.claim.value or 0.0), left, max(0.0, right - left))


def chapters(report: CameraReport) -> list[Chapter]:
    """Return one chapter per procedure that has takes, in the order of the design."""
    known = all_procedures()
    names = dict.fromkeys(t.take.procedure for t in report.takes)
    order = [n for n in known if n in names] + [n for n in names if n not in known]
    several = _Several(
        len({t.take.unit for t in report.takes}) > 1,
        len({t.take.firmware for t in report.takes if t.take.firmware}) > 1,
    )
    made = []
    for name in order:
        takes = [t for t in report.takes if t.take.procedure == name]
        made.append(_chapter(name, known.get(name), takes, several))
    return made


def take_view(told: TakeReport) -> TakeView:
    """Return one take by itself as rows in words."""
    return _take(told, all_procedures().get(told.take.procedure), _Several(False, False))


def _chapter(
    name: str, found: Procedure | None, takes: Sequence[TakeReport], several: _Several
) -> Chapter:
    older = _earlier(takes)
    views = tuple(_take(t, found, several, t.take.id in older) for t in takes)
    if found is None:  # an add-on that is not installed here; its figures stay readable
        return Chapter(f"p-{name}", name.title(), "", (), (), (), 0, views)
    return Chapter(
        f"p-{name}",
        found.title,
        found.question,
        tuple(CAUTIONS.get(c, c) for c in found.cautions),
        found.kit,
        tuple(s.text for s in found.steps),
        found.version,
        views,
    )


def _earlier(takes: Sequence[TakeReport]) -> set[int]:
    """Return the takes of a test that a newer firmware of the same unit was tested after."""
    newest: dict[str, Take] = {}
    measured = [t.take for t in takes if t.outcome is not None and t.take.firmware]
    for take in measured:
        held = newest.get(take.unit)
        if held is None or (take.taken, take.id) > (held.taken, held.id):
            newest[take.unit] = take
    return {t.id for t in measured if t.firmware != newest[t.unit].firmware}


def _take(
    told: TakeReport, found: Procedure | None, several: _Several, earlier: bool = False
) -> TakeView:
    take, outcome = told.take, told.outcome
    anchor = f"take-{take.id}"
    label = f"Take {take.id}"
    words = []
    if take.unit:
        words.append(f"unit {take.unit}")
    if take.firmware:
        words.append(f"firmware {take.firmware}")
    words.extend(f"{c.name} {numbers.typed(c.text)}" for c in take.conditions)
    words.append(f"filmed {long_date(take.taken)}")
    pictures = {p.name for p in outcome.pictures} if outcome else set()
    rows = tuple(_row(r, take, several, pictures) for r in told.results)
    finds = found.finds if found else {}
    findings: tuple[tuple[str, str, str], ...] = ()
    if outcome:
        findings = tuple(
            (
                numbers.finding_name(name, take.procedure),
                numbers.finding_text(value),
                finds[name].what if name in finds else "",
            )
            for name, value in outcome.findings.items()
        )
    method = outcome.method if outcome else ""
    cells = _map(told.results)
    return TakeView(anchor, label, " · ".join(words), told, rows, findings, method, earlier, cells)


_PLACES = (
    "top_left", "top", "top_right", "left", "centre", "right",
    "bottom_left", "bottom", "bottom_right",
)  # fmt: skip
_WAYS = {"horizontal": "level edges", "vertical": "upright edges"}


def in_map(measurand_id: str) -> bool:
    """Tell whether a result stands in the map of sharpness.

    Lines per picture height are the same figures times a constant: of those the middle is kept.
    """
    place = measurand_id.removeprefix("mtf50_")
    again = place.removeprefix("ph_") in _PLACES and place != "ph_centre"
    return measurand_id.startswith("mtf50_") and (place in _PLACES or again)


def _map(results: Sequence[Result]) -> tuple[MapCell, ...]:
    per: dict[str, list[Result]] = {
        p: [r for r in results if r.measurand == f"mtf50_{p}"] for p in _PLACES
    }
    if sum(bool(found) for found in per.values()) < len(_PLACES):
        return ()
    best = max(r.value for found in per.values() for r in found) or 1.0
    cells = []
    for place, found in per.items():
        lines = tuple(
            (
                _WAYS.get(str(r.conditions.get("orientation", "")), ""),
                numbers.value_text(r),
                numbers.interval_text(*r.interval, r.u, ""),
            )
            for r in found
        )
        share = sum(r.value for r in found) / len(found) / best
        cells.append(MapCell(place.replace("_", " "), lines, round(share, 3)))
    return tuple(cells)


def _row(found: Result, take: Take, several: _Several, pictures: set[str]) -> ResultLine:
    entry = measurand(found.measurand)
    conditions = {k: v for k, v in found.conditions.items() if k not in {"unit", "firmware"}}
    words = numbers.conditions_text(conditions)
    where = []
    if several.units and take.unit:
        where.append(f"unit {take.unit}")
    if several.firmware and take.firmware:
        where.append(f"firmware {take.firmware}")
    label = f"Take {take.id}"
    return ResultLine(
        entry.title[:1].upper() + entry.title[1:],
        entry.meaning,
        numbers.value_text(found),
        numbers.interval_text(*found.interval, found.u, found.unit),
        numbers.u_text(found),
        numbers.customary(found),
        found.n,
        words,
        f"take-{take.id}",
        label,
        ", ".join(where),
        tuple((picture_anchor(take, e), e) for e in found.evidence if e in pictures),
        found.measurand,
        numbers.budget_texts(found),
    )


def picture_anchor(take: Take, name: str) -> str:
    """Return the anchor of an evidence picture."""
    safe = "".join(c if c.isalnum() else "-" for c in name)
    return f"picture-{take.id}-{safe}"


def long_date(day: object) -> str:
    """Write a date so that nobody swaps day and month: ``12 Nov 2026``."""
    if isinstance(day, dt.date):
        return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"
    return str(day)


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
