"""The first page: what somebody wants to know who has never seen a bench report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from seeworthy.ground.digits import number, spread_of
from seeworthy.ground.results import Picture
from seeworthy.ground.uncertainty import Uncertain
from seeworthy.judge.glance.air import AirFigure
from seeworthy.judge.glance.fitness import Fitness
from seeworthy.judge.purpose.rank import FITS
from seeworthy.procedures import all_procedures
from seeworthy.publish import numbers
from seeworthy.publish.model import CameraReport, TakeReport
from seeworthy.publish.words import Rating, Words, sort_words

# Where a frame as the camera took it is kept, and where one with marks of the measurement.
_FRAMES = (("stamp", "stamp.png"), ("native", "picture.png"), ("colour", "cells_clip.png"))
_EVIDENCE = ("readout", "sharpness", "lens", "native", "timing", "shading")


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture with its words and the take that it comes from."""

    picture: Picture
    caption: str
    take: int


@dataclass(frozen=True, slots=True)
class PurposeRow:
    """A purpose in words.

    Attributes:
        key: Name of its style, as of a badge: ``kept``, ``open``, ``worse`` or ``untested``.
        rating: The reviewer's own.
    """

    key: str
    shape: str
    title: str
    grade: str
    place: str
    why: str
    rests: str
    rating: Rating | None


@dataclass(frozen=True, slots=True)
class AirRow:
    """One of the six figures, in words."""

    title: str
    value: str
    interval: str
    words: str
    against: str


@dataclass(frozen=True, slots=True)
class First:
    """Everything on the first page that is not of claims.

    Attributes:
        answer: One sentence: best and worst purpose.
        tested: Sentences: units, firmware, and what is out of date.
        barely: What ``fits barely`` means; empty where no purpose says so.
        not_done: Tests that nobody did, and what each would answer.
        words: The reviewer's.
    """

    answer: str
    frame: Shown | None
    evidence: Shown | None
    purposes: tuple[PurposeRow, ...]
    air: tuple[AirRow, ...]
    tested: tuple[str, ...]
    not_done: tuple[tuple[str, str], ...]
    words: Words
    barely: str = ""


def first_page(report: CameraReport) -> First:
    """Return the rows of the first page."""
    words = sort_words(report.words)
    return First(
        _answer(report),
        _frame(report.takes),
        _evidence(report.takes),
        _purposes(report.fitness, words),
        tuple(_air(a) for a in report.air),
        _tested(report),
        _not_done(report.takes),
        words,
        _BARELY if any(f.grade == "fits barely" for f in report.fitness) else "",
    )


_BARELY = f"no limit is broken, but less than {100 * FITS:.0f} of 100 is there of what is wished"
_STYLE = {
    "fits well": ("kept", "disc"),
    "fits": ("kept", "up"),
    "fits barely": ("open", "ring"),
    "does not fit": ("worse", "cross"),
    "not known": ("untested", "dash"),
}


def _purposes(found: Sequence[Fitness], words: Words) -> tuple[PurposeRow, ...]:
    own = {r.purpose: r for r in words.ratings}
    rows = [
        PurposeRow(
            *_STYLE[f.grade], f.title, f.grade, f.place, f.why, f.rests, own.pop(f.purpose, None)
        )
        for f in found
    ]
    # A rating for something that the bench has no purpose for is the reviewer's alone.
    rows += [
        PurposeRow("silent", "dot", r.purpose, "not computed", "", "", "rests on no figure here", r)
        for r in own.values()
    ]
    return tuple(rows)


def _answer(report: CameraReport) -> str:
    if not report.fitness:
        return ""
    fits = [f.title.lower() for f in report.fitness if f.grade in ("fits well", "fits")]
    barely = [f.title.lower() for f in report.fitness if f.grade == "fits barely"]
    never = [f.title.lower() for f in report.fitness if f.grade == "does not fit"]
    open_ = [f.title.lower() for f in report.fitness if f.grade == "not known"]
    parts = []
    if fits:
        parts.append(f"Good for: {', '.join(fits)}.")
    if barely:
        parts.append(f"Barely for: {', '.join(barely)}.")
    if never:
        parts.append(f"Not for: {', '.join(never)}.")
    if open_:
        parts.append(f"Not known, as too little is tested: {', '.join(open_)}.")
    return " ".join(parts)


def _air(item: AirFigure) -> AirRow:
    if item.found is None:
        return AirRow(item.title, "not known", "", item.words, item.against)
    found = item.found
    value = numbers.with_unit(number(found.value, _spread(found)), item.unit)
    interval = ""
    if not item.bound:
        ends = " to ".join(number(end, _spread(found)) for end in found.interval)
        interval = numbers.with_unit(ends, item.unit)
    return AirRow(item.title, f"{item.bound} {value}".strip(), interval, item.words, item.against)


def _spread(found: Uncertain) -> float:
    """Return the expanded uncertainty, no finer than a tenth: a flyer reads three digits."""
    return max(spread_of(*found.interval, found.u), abs(found.value) / 10)


def _pictures(told: TakeReport) -> tuple[Picture, ...]:
    return told.outcome.pictures if told.outcome else ()


def _frame(takes: Sequence[TakeReport]) -> Shown | None:
    for procedure, name in _FRAMES:
        for told in takes:
            for picture in _pictures(told):
                if told.take.procedure == procedure and picture.name == name:
                    return Shown(picture, "A frame as this camera recorded it.", told.take.id)
    return None


def _evidence(takes: Sequence[TakeReport]) -> Shown | None:
    for procedure in _EVIDENCE:
        for told in takes:
            pictures = _pictures(told)
            if told.take.procedure == procedure and pictures and pictures[0].name != "picture.png":
                return Shown(pictures[0], pictures[0].caption, told.take.id)
    return None


def _tested(report: CameraReport) -> tuple[str, ...]:
    measured = [t for t in report.takes if t.outcome is not None]
    units = [u.serial for u in report.units]
    tested = [u for u in units if any(t.take.unit == u for t in measured)]
    rest = [u for u in units if u not in tested]
    said = []
    if units:
        word = "One unit was" if len(tested) == 1 else f"{len(tested)} units were"
        named = f" ({', '.join(tested)})" if tested else ""
        said.append(f"{word} tested{named}." if tested else "No unit was tested.")
        if rest:
            said.append(f"Not tested: unit {', '.join(rest)}.")
        if len(tested) == 1:
            said.append("Another specimen may differ.")
    stale = sum(t.stale for t in report.takes)
    if stale:
        said.append(
            f"{stale} of {len(report.takes)} takes are out of date: inputs or method changed "
            "since, and no rank uses them before the bench is run again."
        )
    return tuple(said)


def _not_done(takes: Sequence[TakeReport]) -> tuple[tuple[str, str], ...]:
    done = {t.take.procedure for t in takes if t.outcome is not None}
    tried = {t.take.procedure for t in takes}
    return tuple(
        (p.title, f"{'tried, no figure' if p.id in tried else 'no take'}; it answers: {p.question}")
        for p in all_procedures().values()
        if p.id not in done
    )
