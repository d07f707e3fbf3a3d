"""Contexts of the pages of tests and takes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

from seeworthy.bench.records import Camera, StoredOutcome, Take
from seeworthy.procedures.declare import Procedure, Way
from seeworthy.publish.views import ResultLine
from seeworthy.web.context import ShotRow
from seeworthy.web.words import label


@dataclass(frozen=True, slots=True)
class ProceduresPage:
    """All tests.

    Attributes:
        procedures: sequence of Procedure
        left_out: Add-ons that cannot be used, and why.
        camera: Name of the camera that a take is entered for, ``""`` for none yet.
    """

    template: ClassVar[str] = "procedures.html"
    title: ClassVar[str] = "Tests"
    procedures: Sequence[Procedure]
    left_out: Sequence[str] = ()
    camera: str = ""


@dataclass(frozen=True, slots=True)
class Field:
    """One reading or option in a form.

    Attributes:
        kind: ``reading``, ``option`` or ``condition``.
        name, what, typical: str
        values: As typed so far; at least one, which may be empty.
        required, repeat: bool
        choices: sequence of str
        mark: ``region``, ``edge`` or ``""``: the value can be marked in a frame.
        wrong: Why what was typed is not understood.
    """

    kind: str
    name: str
    what: str
    typical: str
    values: Sequence[str] = ("",)
    required: bool = False
    repeat: bool = False
    choices: Sequence[str] = ()
    mark: str = ""
    wrong: str = ""

    @property
    def label(self) -> str:
        """The name in words."""
        return label(self.name)


@dataclass(frozen=True, slots=True)
class ProcedurePage:
    """One test: question, cautions, steps, and the form of a take.

    Attributes:
        procedure: Procedure
        cautions: sequence of str
        yields: sequence of (title, unit)
        cameras: sequence of Camera
        chosen: Name of the camera that is chosen.
        fields: sequence of Field
        today: str
        arrived: mapping of role to (ticket, name). Files that are here already, from a form that
            came back.
        way: How it is done, None where the form asks for everything.
    """

    template: ClassVar[str] = "procedure.html"
    procedure: Procedure
    cautions: Sequence[str]
    yields: Sequence[tuple[str, str]]
    cameras: Sequence[Camera]
    chosen: str
    fields: Sequence[Field]
    today: str
    arrived: Mapping[str, Sequence[tuple[str, str]]] = field(default_factory=dict)
    way: Way | None = None

    @property
    def title(self) -> str:
        """Title of the test."""
        return self.procedure.title


@dataclass(frozen=True, slots=True)
class Consequence:
    """What readings say while they are being typed.

    Attributes:
        read: sequence of (label, words, wrong). Every reading as it was understood, or why not.
        sentence: What follows, for a flyer.
        results: sequence of (title, value, interval)
        warnings: sequence of str
        missing: What is still needed, or why it cannot be told.
    """

    template: ClassVar[str] = "consequence.html"
    title: ClassVar[str] = ""
    read: Sequence[tuple[str, str, bool]]
    sentence: str = ""
    results: Sequence[tuple[str, str, str]] = ()
    warnings: Sequence[str] = ()
    missing: str = ""


@dataclass(frozen=True, slots=True)
class TakesPage:
    """Takes, a page at a time.

    Attributes:
        takes: sequence of Take
        number, last: Page, and number of pages.
        total: int
        camera, procedure, state: What is asked for, ``""`` for all.
        cameras, procedures: sequence of str
        states: sequence of str
    """

    template: ClassVar[str] = "takes.html"
    title: ClassVar[str] = "Takes"
    takes: Sequence[Take]
    number: int
    last: int
    total: int
    camera: str
    procedure: str
    state: str
    cameras: Sequence[str]
    procedures: Sequence[str]
    states: Sequence[str]


@dataclass(frozen=True, slots=True)
class TakePage:
    """One take: state, result with evidence or refusal, inputs, and the form to change them.

    Attributes:
        take: Take
        procedure: Procedure or None
        outcome: StoredOutcome or None
        rows: sequence of ResultLine
        findings: sequence of (name, value, meaning)
        pictures: sequence of Shot
        figures: sequence of (number, title, sentence)
        fields: sequence of Field
        camera_id: int
        customary: bool
        cautions: sequence of str
        seen: Which of the take's files have pictures to look at.
        queued: It is being measured, or waits for its turn.
    """

    template: ClassVar[str] = "take.html"
    take: Take
    procedure: Procedure | None
    outcome: StoredOutcome | None
    rows: Sequence[ResultLine]
    findings: Sequence[tuple[str, str, str]]
    pictures: Sequence[ShotRow]
    figures: Sequence[tuple[int, str, str]]
    fields: Sequence[Field]
    camera_id: int
    customary: bool
    cautions: Sequence[str]
    seen: Sequence[bool]
    queued: bool = False

    @property
    def title(self) -> str:
        """Which take of what."""
        return f"Take {self.take.id}, {self.take.procedure} of {self.take.camera}"


@dataclass(frozen=True, slots=True)
class Clash:
    """One field that was typed here and is another one in the bench now: both are shown."""

    name: str
    mine: str
    theirs: str


@dataclass(frozen=True, slots=True)
class ConflictPage:
    """Two tabs edited one take: nothing is lost silently.

    Attributes:
        take: As it is now.
        clashes: sequence of Clash
        typed: sequence of (field, value). The whole form as typed, to be sent again.
    """

    template: ClassVar[str] = "conflict.html"
    title: ClassVar[str] = "Changed elsewhere"
    take: Take
    clashes: Sequence[Clash]
    typed: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class FigurePart:
    """One figure as a fragment.

    Attributes:
        anchor: str
        wide, narrow: SVG markup.
        heads: sequence of str
        rows: sequence of sequence of str
        left: Rows that are left out of the table.
        heading: str
    """

    template: ClassVar[str] = "figure.html"
    title: ClassVar[str] = ""
    anchor: str
    wide: str
    narrow: str
    heads: Sequence[str]
    rows: Sequence[Sequence[str]]
    left: int
    heading: str


@dataclass(frozen=True, slots=True)
class FramesPage:
    """The frame viewer.

    Attributes:
        take: Take
        file: Position of the file in the take.
        name: str
        count: Frames.
        rate: Frames per second.
        width, height: Of a frame.
        fields: Options that can be marked.
    """

    template: ClassVar[str] = "frames.html"
    title: ClassVar[str] = "Frames"
    take: Take
    file: int
    name: str
    count: int
    rate: float
    width: int
    height: int
    fields: Sequence[Field] = ()
