"""What the bench hands out: frozen data, free of the database."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from seeworthy.ground.results import Figure, Outcome, Picture, Result

State = Literal["new", "measured", "refused", "failed", "lost", "stale"]
"""Where a take stands.

``new``: never measured. ``measured``. ``refused``: read, but it does not carry the
figure. ``failed``: a file or reading could not be used. ``lost``: the worker was lost,
or a file was not there; the next run tries again. ``stale``: measured once, but inputs
or method have changed since.
"""


@dataclass(frozen=True, slots=True)
class Firmware:
    """A firmware of a unit, from a date on."""

    id: int
    name: str
    since: dt.date


@dataclass(frozen=True, slots=True)
class Unit:
    """One specimen of a camera; its firmware oldest first."""

    id: int
    camera: str
    serial: str
    note: str
    version: int
    firmware: tuple[Firmware, ...] = ()


@dataclass(frozen=True, slots=True)
class Claim:
    """What the seller says.

    Attributes:
        subject: Id of a measurand, or name of a finding.
        silent: The seller says nothing of it.
        text: As typed.
        value, unit, u: In the unit of the measurand; None where the claim is words.
        source: Where it was read.
    """

    id: int
    camera: str
    subject: str
    silent: bool
    text: str
    value: float | None
    unit: str
    u: float | None
    source: str
    version: int


@dataclass(frozen=True, slots=True)
class Camera:
    """A camera model with its units and the seller's claims.

    `group` names the bench that measured it where that is not ours.
    """

    id: int
    name: str
    maker: str
    note: str
    added: dt.datetime
    version: int
    units: tuple[Unit, ...] = ()
    claims: tuple[Claim, ...] = ()
    group: str = ""


@dataclass(frozen=True, slots=True)
class TakeFile:
    """One file of a take.

    Attributes:
        role: ``""`` for a positional file.
        name: What the user called it.
        path: Where it is read from.
        in_place: Referenced, not kept in the bench.
    """

    role: str
    name: str
    sha256: str
    size: int
    path: Path
    in_place: bool


@dataclass(frozen=True, slots=True)
class TakeReading:
    """One reading: as typed, and in the declared unit (None where it is text)."""

    position: int
    name: str
    text: str
    value: float | None
    unit: str
    u: float | None
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class Condition:
    """What surrounded a take: ``light`` (lx) or ``temperature`` (degC)."""

    name: str
    text: str
    value: float
    unit: str
    u: float


@dataclass(frozen=True, slots=True)
class Take:
    """One execution of a procedure on one unit.

    Attributes:
        firmware: In force on the day of the take, ``""`` where none is known.
        version: Grows with every edit; hand it back with the next one.
        message, hint: Why there is no figure, and what to do; ``""`` when measured.
    """

    id: int
    procedure: str
    camera: str
    unit: str
    firmware: str
    taken: dt.date
    note: str
    version: int
    state: State
    files: tuple[TakeFile, ...] = ()
    readings: tuple[TakeReading, ...] = ()
    options: tuple[tuple[str, str], ...] = ()
    conditions: tuple[Condition, ...] = ()
    message: str = ""
    hint: str = ""


@dataclass(frozen=True, slots=True)
class TakeLine:
    """A take in a list: what it is, whose, and where it stands; `files` are names."""

    id: int
    procedure: str
    camera: str
    unit: str
    taken: dt.date
    state: State
    files: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StoredPicture:
    """A picture of an outcome, as a file."""

    name: str
    caption: str
    sha256: str
    path: Path

    def data(self) -> bytes | None:
        """Read it; None where it is gone, or is not what was drawn (a link to another file)."""
        try:
            found = self.path.read_bytes()
        except OSError:
            return None
        return found if hashlib.sha256(found).hexdigest() == self.sha256 else None


@dataclass(frozen=True)
class StoredOutcome:
    """What the procedure said of a take, and from what.

    Attributes:
        take: As it is now; `Take.state` says whether the outcome still holds.
        seconds: What it took.
        seeworthy: Version of the program that measured.
        inputs: Files with hashes, readings and options that were used; plain JSON values.
        outcome: Its pictures are in `pictures`, as files. Empty when refused.
        error_kind, message, hint: The refusal.
    """

    take: Take
    measured: dt.datetime
    seconds: float
    procedure_version: int
    seeworthy: str
    inputs: Mapping[str, Any]
    outcome: Outcome
    pictures: tuple[StoredPicture, ...] = ()
    error_kind: str = ""
    message: str = ""
    hint: str = ""

    @property
    def results(self) -> tuple[Result, ...]:
        """The measured values, with the conditions of the take."""
        return self.outcome.results

    @property
    def figures(self) -> tuple[Figure, ...]:
        """The figures as data."""
        return self.outcome.figures

    def load_pictures(self) -> tuple[Picture, ...]:
        """Read the pictures from the evidence folder; gone and changed ones are left out."""
        read = ((p, p.data()) for p in self.pictures)
        return tuple(Picture(p.name, p.caption, data) for p, data in read if data is not None)


@dataclass(frozen=True, slots=True)
class StoredResult:
    """One measured value and where it comes from.

    `files` are the SHA-256 of its take's; `theirs`: another group measured it.
    """

    take_id: int
    camera: str
    unit: str
    firmware: str
    procedure: str
    procedure_version: int
    seeworthy: str
    method: str
    taken: dt.date
    measured: dt.datetime
    stale: bool
    result: Result
    files: tuple[str, ...] = ()
    theirs: bool = False


@dataclass(frozen=True, slots=True)
class ToldFindings:
    """Findings of one take by name."""

    take: int
    taken: dt.date
    findings: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something that `check_bench` found wrong.

    ``kind`` is ``missing``, ``changed``, ``unused`` or ``database``.
    """

    kind: Literal["missing", "changed", "unused", "database"]
    message: str
    takes: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Overview:
    """A bench in numbers."""

    folder: Path
    cameras: int
    units: int
    claims: int
    takes: Mapping[str, int] = field(default_factory=dict)
    results: int = 0
    evidence_files: int = 0
    evidence_bytes: int = 0
    read_only: bool = False
