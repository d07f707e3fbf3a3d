"""How a procedure is declared: one frozen object that every face reads.

A procedure is one module in this package with a module-level ``PROCEDURE``.
Command line, pages, shoot sheet, store, report and comparison read the
declaration; nothing else needs to change. Keep declaration modules light:
import NumPy, OpenCV and measures inside the functions.
"""

from __future__ import annotations

import importlib
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

from seeworthy.ground.errors import UnreadableInput, WrongCall
from seeworthy.ground.measurands import Measurand
from seeworthy.ground.results import Outcome

if TYPE_CHECKING:
    from seeworthy.ground.quantities import Quantity
    from seeworthy.media.frames import Observer, Part, PassSummary
    from seeworthy.media.source import Source

FileKind = Literal["clip", "still", "table"]


@dataclass(frozen=True, slots=True)
class Files:
    """One role of input files.

    Attributes
    ----------
    role : str
        ``""`` for the positional files, else the name in ``--with ROLE=FILE``.
    kinds : tuple of str
        What it may be.
    what : str
        What the user films or brings, one sentence.
    least, most : int
        How many; `most` 0 means any number.
    """

    role: str
    kinds: tuple[FileKind, ...]
    what: str
    least: int = 1
    most: int = 1


@dataclass(frozen=True, slots=True)
class Reading:
    """One value that a person reads off an instrument.

    Attributes
    ----------
    name : str
        As in ``--reading NAME="60.0 in ± 0.1 in"``.
    unit : str
        SI or usual unit in which `run` receives it; fixes the dimension. An empty
        unit is a plain number, ``"text"`` is handed over as typed (``run``).
    what : str
        What to read, one sentence.
    typical : str
        An example as typed.
    required : bool
    repeat : bool
        May be given more than once.
    positive : bool
        Zero and below are refused.
    """

    name: str
    unit: str
    what: str
    typical: str
    required: bool = False
    repeat: bool = False
    positive: bool = True


@dataclass(frozen=True, slots=True)
class Option:
    """One ``--option NAME=VALUE``: how to evaluate, not a measured value."""

    name: str
    what: str
    typical: str
    choices: tuple[str, ...] = ()
    repeat: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the method; `drawing` names a set-up drawing of the pages."""

    text: str
    drawing: str = ""


@dataclass(frozen=True)
class Inputs:
    """What one run gets, checked against the declaration.

    Attributes
    ----------
    files : mapping of role to tuple of Source
    readings : mapping of name to tuple of Quantity
        In the declared unit. A ``text`` reading keeps its text in `Quantity.text`.
    options : mapping of name to tuple of str
    """

    files: Mapping[str, tuple[Source, ...]] = field(default_factory=dict)
    readings: Mapping[str, tuple[Quantity, ...]] = field(default_factory=dict)
    options: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def file(self, role: str = "") -> Source:
        """Return the one file of a role."""
        return self.files[role][0]

    def all_files(self, role: str = "") -> tuple[Source, ...]:
        """Return all files of a role, in the order given."""
        return self.files.get(role, ())

    def reading(self, name: str) -> Quantity | None:
        """Return the (first) reading of a name, or None."""
        found = self.readings.get(name, ())
        return found[0] if found else None

    def all_readings(self, name: str) -> tuple[Quantity, ...]:
        """Return all readings of a name, in the order given."""
        return self.readings.get(name, ())

    def taken_for_granted(self) -> list[str]:
        """Say which readings were typed without a unit, and which unit they were given."""
        return [
            f"{name}={one.text!r} has no unit and was taken as {one.unit}."
            for name, found in self.readings.items()
            for one in found
            if one.unit not in ("", "text") and re.fullmatch(r"[-+±/\d\s.,eE]+", one.text)
        ]

    def option(self, name: str, default: str = "") -> str:
        """Return the (last) option of a name."""
        found = self.options.get(name, ())
        return found[-1] if found else default


@dataclass(frozen=True)
class Watch:
    """A wish to see the frames of a clip: the engine merges all wishes into one pass.

    Attributes
    ----------
    source : Source
    observer : Observer
    parts : tuple of Part
        What the observer wants to see; empty: the whole clip.
    optional : bool
        The procedure answers without it: `Seen.passes` then lacks a clip that cannot be decoded.
    """

    source: Source
    observer: Observer
    parts: tuple[Part, ...] = ()
    optional: bool = False


@dataclass(frozen=True)
class Seen:
    """What `conclude` gets besides the inputs.

    Attributes
    ----------
    watches : sequence of Watch
        Those that `prepare` returned, their observers now full.
    passes : mapping of Source to PassSummary
    """

    watches: Sequence[Watch] = ()
    passes: Mapping[Source, PassSummary] = field(default_factory=dict)


def later(package: str, name: str) -> Callable[..., Any]:
    """Return a function of the module `run` beside a declaration, loaded when it is called.

    Declarations stay light: what computes comes with NumPy and OpenCV, and lists,
    help and start-up need none of it.

    Parameters
    ----------
    package : str
        The declaration's ``__name__``.
    name : str
        The function's name in ``package.run``.
    """

    def call(*args: Any) -> Any:
        return getattr(importlib.import_module(f"{package}.run"), name)(*args)

    return call


def _no_watches(inputs: Inputs) -> Sequence[Watch]:
    return ()


@dataclass(frozen=True)
class Procedure:
    """One repeatable test method.

    Attributes
    ----------
    id, title, question : str
        `question` is what a flyer asks ("Do uprights lean?").
    version : int
        Raised when results of the same input change; stored results become stale.
    yields : tuple of Measurand or str
        What it brings, and ids of what others bring and it answers too, in the order in
        which results are listed.
    findings : mapping of str to str
        Name to explanation.
    files, readings, options, steps, cautions, kit
        See the classes; `cautions` are ids of :mod:`seeworthy.procedures.cautions`.
    setup : str
        Procedures with the same set-up stand together on the shoot sheet.
    minutes : float
        Typical time at the bench.
    prepare : callable
        ``Inputs -> sequence of Watch``; must not decode.
    conclude : callable
        ``(Inputs, Seen) -> Outcome``; raises `CannotMeasure` when it cannot answer.
    look : bool
        True when a clip alone is enough, so that ``look CLIP`` runs it.
    order : float
        Place on every list, small first; what names none stands last, by id.
    whole_pictures : bool
        All rows of a picture must be of one moment: clips of two fields are refused.
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
    findings: Mapping[str, str] = field(default_factory=dict)
    files: tuple[Files, ...] = ()
    readings: tuple[Reading, ...] = ()
    options: tuple[Option, ...] = ()
    setup: str = "bench"
    minutes: float = 5.0
    look: bool = False
    order: float = math.inf
    whole_pictures: bool = False

    def __post_init__(self) -> None:
        filled = (
            replace(m, procedure=m.procedure or self.id) if isinstance(m, Measurand) else m
            for m in self.yields
        )
        object.__setattr__(self, "yields", tuple(filled))

    @property
    def brings(self) -> tuple[Measurand, ...]:
        """Measurands that are its own."""
        return tuple(m for m in self.yields if isinstance(m, Measurand))

    @property
    def measurand_ids(self) -> tuple[str, ...]:
        """Ids of all that it yields."""
        return tuple(m.id if isinstance(m, Measurand) else m for m in self.yields)

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

        Raises
        ------
        CannotMeasure
            Two fields in a picture where `whole_pictures` is declared, or what `conclude` says.
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


def gather(
    procedure: Procedure,
    files: Mapping[str, Sequence[Source]],
    readings: Mapping[str, Sequence[str]],
    options: Mapping[str, Sequence[str]] | None = None,
) -> Inputs:
    """Check what a user gave against the declaration and parse it.

    Raises
    ------
    WrongCall
        Unknown role, reading or option; too few or too many.
    BadQuantity
        A reading of the wrong dimension or sign.
    """
    return Inputs(
        _gather_files(procedure, files),
        _gather_readings(procedure, readings),
        _gather_options(procedure, options or {}),
    )


def _gather_files(
    procedure: Procedure, files: Mapping[str, Sequence[Source]]
) -> dict[str, tuple[Source, ...]]:
    declared = {f.role: f for f in procedure.files}
    for role, given in files.items():
        if role not in declared and given:
            if role:
                roles = ", ".join(f"{r}=" for r in declared if r) or "none"
                raise WrongCall(
                    f"'{procedure.id}' has no file role '{role}'.", f"Its roles: {roles}."
                )
            raise WrongCall(
                f"'{procedure.id}' takes no file without a role.",
                f"See `seeworthy procedures {procedure.id}`.",
            )
    found: dict[str, tuple[Source, ...]] = {}
    for role, need in declared.items():
        given = tuple(files.get(role, ()))
        name = f"{role}=" if role else "a file"
        if len(given) < need.least:
            raise WrongCall(
                f"'{procedure.id}' needs {name} ({need.what.rstrip('.')}).",
                f"See `seeworthy procedures {procedure.id}`.",
            )
        if need.most and len(given) > need.most:
            raise WrongCall(
                f"'{procedure.id}' takes {_files(need.most)}{f' as {name}' if role else ''}; "
                f"{len(given)} were given.",
                "Run it once per file." if need.most == 1 else "Leave some out.",
            )
        if given:
            found[role] = given
    return found


def _files(count: int) -> str:
    return "one file" if count == 1 else f"{count} files at most"


def _gather_readings(
    procedure: Procedure, readings: Mapping[str, Sequence[str]]
) -> dict[str, tuple[Quantity, ...]]:
    from seeworthy.ground.quantities import Quantity, parse

    found: dict[str, tuple[Quantity, ...]] = {}
    for name, texts in readings.items():
        need = procedure.need(name)
        if len(texts) > 1 and not need.repeat:
            raise WrongCall(f"The reading '{name}' was given {len(texts)} times.", "Give it once.")
        if need.unit == "text":
            found[name] = tuple(Quantity(0.0, "text", 0.0, True, t) for t in texts)
        else:
            found[name] = tuple(parse(t, need.unit, positive=need.positive) for t in texts)
    for need in procedure.readings:
        if need.required and not found.get(need.name):
            raise WrongCall(
                f"'{procedure.id}' needs the reading '{need.name}': {need.what}",
                f'Add --reading {need.name}="{need.typical}".',
            )
    return found


def _gather_options(
    procedure: Procedure, options: Mapping[str, Sequence[str]]
) -> dict[str, tuple[str, ...]]:
    declared = {o.name: o for o in procedure.options}
    for name, values in options.items():
        if name not in declared:
            known = ", ".join(declared) or "none"
            raise WrongCall(f"'{procedure.id}' has no option '{name}'.", f"Its options: {known}.")
        choices = declared[name].choices
        for value in values:
            if choices and value not in choices:
                raise WrongCall(
                    f"The option '{name}' cannot be '{value}'.",
                    f"It is one of: {', '.join(choices)}.",
                )
    return {name: tuple(values) for name, values in options.items()}
