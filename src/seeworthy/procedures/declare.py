"""How a procedure is declared: one frozen object that every face reads.

A procedure is one folder in this package (its smallest form is one file) with a
module-level ``PROCEDURE``. Command line, pages, shoot sheet, store, report, comparison,
self-check and reference read the declaration; nothing else needs to change. Keep the
declaring module light: what computes stands beside it and is loaded by `later`.
"""

from __future__ import annotations

import importlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from seeworthy.ground.errors import UnreadableInput, WrongCall
from seeworthy.ground.measurands import Better, Measurand
from seeworthy.ground.results import Outcome
from seeworthy.procedures.given import OECF, Inputs, Seen, Watch, gather

if TYPE_CHECKING:
    from seeworthy.media.frames import PassSummary
    from seeworthy.media.source import Source
    from seeworthy.procedures.study import Study

__all__ = [
    "OECF", "TONE_CURVE", "FileKind", "Files", "Finding", "Inputs", "Measurand", "Option",
    "Procedure", "Reading", "Seen", "Step", "Watch", "gather", "later",
]  # fmt: skip

FileKind = Literal["clip", "still", "table"]


@dataclass(frozen=True, slots=True)
class Files:
    """One role of input files.

    Attributes:
        role: ``""`` for the positional files, else the name in ``--with ROLE=FILE``.
        kinds: What it may be.
        what: What the user films or brings, one sentence.
        least, most: How many; `most` 0 means any number.
    """

    role: str
    kinds: tuple[FileKind, ...]
    what: str
    least: int = 1
    most: int = 1


TONE_CURVE = Files(
    OECF,
    ("table",),
    "A tone curve measured in this mode, as `measure oecf --json` prints it; on a bench the "
    "unit's newest is used by itself.",
    0,
)
"""Role of a procedure that makes light linear with `Inputs.tone`."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One value that a person reads off an instrument.

    Attributes:
        name: As in ``--reading NAME="60.0 in ± 0.1 in"``.
        unit: SI or usual unit in which `run` receives it; fixes the dimension. An empty unit is a
            plain number, ``"text"`` is handed over as typed (``run``).
        what: What to read, one sentence.
        typical: An example as typed.
        repeat: May be given more than once.
        positive: Zero and below are refused.
        measurand: What this is of the camera itself: on a bench the newest result of the unit
            answers it where nothing is typed.
    """

    name: str
    unit: str
    what: str
    typical: str
    required: bool = False
    repeat: bool = False
    positive: bool = True
    measurand: str = ""


@dataclass(frozen=True, slots=True)
class Option:
    """One ``--option NAME=VALUE``: how to evaluate, not a measured value."""

    name: str
    what: str
    typical: str
    choices: tuple[str, ...] = ()
    repeat: bool = False


@dataclass(frozen=True, slots=True)
class Way:
    """One of the ways to do a test, for a form that asks only what this way uses.

    Attributes:
        name, words: For addresses, and for people.
        uses: Readings and options; those that no way names are asked in every way.
        sets: Options that this way decides, and to what.
    """

    name: str
    words: str
    uses: tuple[str, ...]
    sets: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the method."""

    text: str


# Units by the tail that names of findings carry for readers of the JSON.
_TAILS = {"%": "percent", "µs": "us", "lx": "lux"}
_JOINS = str.maketrans("/ ", "__")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is true or false or counted, or a figure without an interval of its own.

    Attributes:
        name: Key in the JSON; stable.
        unit: As the trade writes it, ``""`` where it has none.
        what: One sentence.
        title: As a person says it; left out: the name, without a unit at its end.
        better: {"more", "less", "none"}
        claimed: Sellers speak of it, so that it is offered where claims are entered.
        also: Other words that people type for it.
    """

    name: str
    unit: str
    what: str
    title: str = ""
    better: Better = "none"
    claimed: bool = False
    also: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The title, or the name as words."""
        tail = "_" + _TAILS.get(self.unit, self.unit).casefold().translate(_JOINS)
        name = self.name.removesuffix(tail) if self.unit else self.name
        return self.title or name.replace("_", " ")


def later(package: str, name: str) -> Callable[..., Any]:
    """Return a function of the module `run` beside a declaration, loaded when it is called.

    Declarations stay light: what computes comes with NumPy and OpenCV, and lists,
    help and start-up need none of it.

    Args:
        package: The declaration's ``__name__``.
        name: The function's name in ``package.run``.
    """

    def call(*args: Any) -> Any:
        return getattr(importlib.import_module(f"{package}.run"), name)(*args)

    return call


def _no_watches(inputs: Inputs) -> Sequence[Watch]:
    return ()


@dataclass(frozen=True)
class Procedure:
    """One repeatable test method.

    Attributes:
        id, title, question: `question` is what a flyer asks ("Do uprights lean?").
        version: Raised when results of the same input change; stored results become stale.
        yields: What it brings, and ids of what others bring and it answers too, in the order in
            which results are listed.
        findings: A mapping of name to explanation will do where none has a unit.
        files, readings, options, steps, cautions, kit: See the classes; `cautions` are ids of
            :mod:`seeworthy.procedures.cautions`.
        ways: Where a test can be done in several ways: which readings and options each uses.
        setup: Procedures with the same set-up stand together on the shoot sheet.
        minutes: Typical time at the bench.
        prepare: ``Inputs -> sequence of Watch``; must not decode.
        conclude: ``(Inputs, Seen) -> Outcome``; raises `CannotMeasure` when it cannot answer.
        look: True when a clip alone is enough, so that ``look CLIP`` runs it.
        drawing: The set-up in a small SVG: the name of a file beside the declaration, or of one in
            `procedures/drawings`, or the markup itself; left out: the drawing that is named as the
            set-up, else a camera on its stand.
        study: ``() -> Study`` where no module `study` beside the declaration brings it.
        order: Place on every list, small first; what names none stands last, by id.
        whole_pictures: All rows of a picture must be of one moment: clips of two fields are
            refused.
    """

    id: str
    title: str
    question: str
    version: int
    yields: tuple[Measurand | str, ...]
    steps: tuple[Step, ...]
    conclude: Callable[[Inputs, Seen], Outcome]
    prepare: Callable[[Inputs], Sequence[Watch]] = _no_watches
    cautions: tuple[str, ...] = ()
    kit: tuple[str, ...] = ()
    findings: tuple[Finding, ...] | Mapping[str, str] = ()
    files: tuple[Files, ...] = ()
    readings: tuple[Reading, ...] = ()
    options: tuple[Option, ...] = ()
    ways: tuple[Way, ...] = ()
    setup: str = "bench"
    minutes: float = 5.0
    look: bool = False
    drawing: str = ""
    study: Callable[[], Study] | None = None
    order: float = math.inf
    whole_pictures: bool = False

    def __post_init__(self) -> None:
        filled = (
            replace(m, procedure=m.procedure or self.id) if isinstance(m, Measurand) else m
            for m in self.yields
        )
        object.__setattr__(self, "yields", tuple(filled))
        if isinstance(self.findings, Mapping):
            told = tuple(Finding(name, "", what) for name, what in self.findings.items())
            object.__setattr__(self, "findings", told)

    def asks(self, way: str) -> set[str] | None:
        """Return the readings and options that one way asks for; None: all.

        Raises:
            WrongCall: It cannot be done that way.
        """
        if not way:
            return None
        one = next((w for w in self.ways if w.name == way), None)
        if one is None:
            known = ", ".join(w.name for w in self.ways) or "one way only"
            raise WrongCall(f"'{self.id}' is not done by '{way}'.", f"Known: {known}.")
        named = {name for w in self.ways for name in (*w.uses, *(k for k, _ in w.sets))}
        every = {n.name for n in self.readings} | {n.name for n in self.options}
        return set(one.uses) | (every - named)

    @property
    def brings(self) -> tuple[Measurand, ...]:
        """Measurands that are its own."""
        return tuple(m for m in self.yields if isinstance(m, Measurand))

    @property
    def measurand_ids(self) -> tuple[str, ...]:
        """Ids of all that it yields."""
        return tuple(m.id if isinstance(m, Measurand) else m for m in self.yields)

    @property
    def takes_curves(self) -> bool:
        """Whether it makes light linear by a measured tone curve where there is one."""
        return any(f.role == OECF for f in self.files)

    @property
    def finds(self) -> dict[str, Finding]:
        """Its findings by name."""
        return {one.name: one for one in self.findings if isinstance(one, Finding)}

    def run(self, inputs: Inputs) -> Outcome:
        """Run alone: one pass per clip, then conclude."""
        from seeworthy.media.frames import watch

        watches = tuple(self.prepare(inputs))
        by_source: dict[Source, list[Watch]] = {}
        for item in watches:
            by_source.setdefault(item.source, []).append(item)
        passes: dict[Source, PassSummary] = {}
        for source, mine in by_source.items():
            try:
                passes[source] = watch(
                    source, [w.observer for w in mine], parts=[w.parts for w in mine]
                )
            except UnreadableInput:
                if not all(w.optional for w in mine):
                    raise
        return self.judge(inputs, Seen(watches, passes))

    def judge(self, inputs: Inputs, seen: Seen) -> Outcome:
        """Conclude, unless the clip's pictures are of a kind that the measure cannot use.

        Raises:
            CannotMeasure: Two fields in a picture where `whole_pictures` is declared, or what
                `conclude` says.
        """
        for source, summary in seen.passes.items():
            if self.whole_pictures and summary.scan is not None and not summary.scan.whole:
                raise summary.scan.refusal(source.name)
        return self.conclude(inputs, seen)

    def need(self, name: str) -> Reading:
        """Return the declaration of a reading."""
        for reading in self.readings:
            if reading.name == name:
                return reading
        known = ", ".join(r.name for r in self.readings) or "none"
        raise WrongCall(f"'{self.id}' has no reading '{name}'.", f"Its readings: {known}.")
