"""What a report of one camera is made from: plain frozen data, no database, no files.

`seeworthy.publish.assemble` fills it from a bench; a test can fill it by hand. Pages,
JSON and PDF are made from this and nothing else.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from seeworthy.bench.records import Take, Unit
from seeworthy.ground.plain import picked, plain
from seeworthy.ground.results import Figure, Outcome, Picture, Result
from seeworthy.judge.claims.decide import Judgement
from seeworthy.judge.claims.tolerance import DEFAULT_TOLERANCE, Tolerance
from seeworthy.judge.glance.air import AirFigure
from seeworthy.judge.glance.fitness import Fitness


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a take gave no figure, and what to do.

    Attributes:
        kind: As in the JSON error shape (``cannot-measure``, ``unreadable-input`` ...).
    """

    kind: str
    message: str
    hint: str = ""
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True, slots=True)
class TakeReport:
    """A take of the bench and what came of it.

    Attributes:
        outcome: With its pictures; None where it was refused or not run yet.
        measured: When the figures were computed.
        method_version: Version of the procedure that computed them.
        seeworthy: Version of the program that computed them.
    """

    take: Take
    outcome: Outcome | None = None
    refusal: Refusal | None = None
    measured: dt.datetime | None = None
    method_version: int | None = None
    seeworthy: str = ""

    @property
    def results(self) -> tuple[Result, ...]:
        """Results, none where it was refused."""
        return () if self.outcome is None else self.outcome.results

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """Evidence pictures, of a refusal too."""
        told = self.outcome or self.refusal
        return () if told is None else told.pictures

    @property
    def figures(self) -> tuple[Figure, ...]:
        """Figures, none where it was refused."""
        return () if self.outcome is None else self.outcome.figures

    @property
    def stale(self) -> bool:
        """True when inputs or method changed since; ``run`` would redo it."""
        return self.take.state == "stale"


@dataclass(frozen=True, slots=True)
class CameraReport:
    """Everything the report of one camera says.

    Attributes:
        camera: Name of the model.
        bench: Name of the bench, as printed in the head.
        judgements: Claims first, then what was measured without a claim.
        takes: In the order of procedures, then of number.
        tolerance: Of claims that have none of their own.
        made: When the report was written; None leaves the line out (same input, same file).
        seeworthy: Version of the program that wrote the report.
        troubles: Evidence that is missing or is not what was entered, in words.
        fitness: Purposes, the best first; none where the first page was not asked for.
        air: Six figures that a flyer asks for, against the other cameras.
        words: The reviewer's own words, Markdown as typed.
    """

    camera: str
    maker: str = ""
    note: str = ""
    bench: str = ""
    units: tuple[Unit, ...] = ()
    judgements: tuple[Judgement, ...] = ()
    takes: tuple[TakeReport, ...] = ()
    tolerance: Tolerance = DEFAULT_TOLERANCE
    made: dt.datetime | None = None
    seeworthy: str = ""
    troubles: tuple[str, ...] = ()
    fitness: tuple[Fitness, ...] = ()
    air: tuple[AirFigure, ...] = ()
    words: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return the report as plain JSON values (pictures by name only)."""
        from seeworthy.publish.verdict import verdict

        return {
            **picked(self, "camera maker bench seeworthy made"),
            "verdict": verdict(self).to_json(),
            "tolerance": str(self.tolerance),
            "purposes": plain(self.fitness),
            "in_the_air": [_air_json(a) for a in self.air],
            "reviewer": self.words,
            "units": [
                {"serial": u.serial, "firmware": [picked(f, "name since") for f in u.firmware]}
                for u in self.units
            ],
            "evidence_troubles": list(self.troubles),
            "claims": [j.to_json() for j in self.judgements],
            "takes": [_take_json(t) for t in self.takes],
        }


def _air_json(item: AirFigure) -> dict[str, Any]:
    return {
        **picked(item, "name title unit"),
        **(picked(item.found, "value u interval") if item.found else _NOTHING),
        **picked(item, "bound words against"),
    }


_NOTHING = {"value": None, "u": None, "interval": None}


def _take_json(told: TakeReport) -> dict[str, Any]:
    """Return a take in the form of ``measure --json``, with what the report adds."""
    take = told.take
    found = {
        **picked(take, "take=id procedure"),
        **picked(told, "method_version seeworthy"),
        **picked(take, "unit firmware taken"),
        **picked(told, "measured stale"),
        "inputs": [
            {"file": f.name, "sha256": f.sha256, **({"role": f.role} if f.role else {})}
            for f in take.files
        ],
        "readings": [picked(r, "name text") for r in take.readings],
        "options": [{"name": name, "text": text} for name, text in take.options],
        **(told.outcome or Outcome()).to_json(),
    }
    if told.refusal is not None:
        found["error"] = picked(told.refusal, "kind message hint")
    return found
