"""What one run of a procedure is given: files, readings and options, checked and parsed."""

from __future__ import annotations

import re
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from seeworthy.ground.errors import WrongCall

if TYPE_CHECKING:
    from seeworthy.ground.quantities import Quantity
    from seeworthy.media.frames import Observer, Part, PassSummary, Stage
    from seeworthy.media.light import Light
    from seeworthy.media.source import Source
    from seeworthy.media.tone_curve import ToneCurve
    from seeworthy.optics.tone import Tone
    from seeworthy.procedures.declare import Procedure


OECF = "oecf"
"""The role of files that hold a measured tone curve, and the procedure that measures it."""


@dataclass(frozen=True)
class Inputs:
    """What one run gets, checked against the declaration.

    Attributes:
        files: mapping of role to tuple of Source
        readings: mapping of name to tuple of Quantity. In the declared unit. A ``text`` reading
            keeps its text in `Quantity.text`.
        options: mapping of name to tuple of str
        curves: Measured of this unit and firmware, the one to try first foremost; the role
            ``oecf`` is read into it.
        no_curve: Why there is none, where the bench knows it.
    """

    files: Mapping[str, tuple[Source, ...]] = field(default_factory=dict)
    readings: Mapping[str, tuple[Quantity, ...]] = field(default_factory=dict)
    options: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    curves: tuple[ToneCurve, ...] = ()
    no_curve: str = ""

    def tone(self, stage: Stage, *, still: bool = False) -> Tone:
        """Return how a clip's light is made linear: by a measured curve of its mode, or the tag."""
        from seeworthy.optics.tone import tone_of

        return tone_of(stage, self.curves, self.no_curve, still)

    def light(self, stage: Stage) -> Light:
        """Return the light of a clip, for observers."""
        return self.tone(stage).light(stage)

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

    Attributes:
        parts: What the observer wants to see; empty: the whole clip.
        optional: The procedure answers without it: `Seen.passes` then lacks a clip that cannot be
            decoded.
        alike: Wishes of one clip with the same word get one observer, that of the largest `reach`;
            none of them may change it afterwards.
    """

    source: Source
    observer: Observer
    parts: tuple[Part, ...] = ()
    optional: bool = False
    alike: str = ""
    reach: int = 0

    @property
    def key(self) -> Hashable:
        """The same for wishes that one observer serves."""
        return (self.source, self.parts, self.alike or id(self.observer))


@dataclass(frozen=True)
class Seen:
    """What `conclude` gets besides the inputs.

    Attributes:
        watches: Those that `prepare` returned, their observers now full.
    """

    watches: Sequence[Watch] = ()
    passes: Mapping[Source, PassSummary] = field(default_factory=dict)


def gather(
    procedure: Procedure,
    files: Mapping[str, Sequence[Source]],
    readings: Mapping[str, Sequence[str]],
    options: Mapping[str, Sequence[str]] | None = None,
) -> Inputs:
    """Check what a user gave against the declaration and parse it.

    Raises:
        WrongCall: Unknown role, reading or option; too few or too many.
        BadQuantity: A reading of the wrong dimension or sign.
        UnreadableInput: A file that holds no measured tone curve.
    """
    found = _gather_files(procedure, files)
    return Inputs(
        found,
        _gather_readings(procedure, readings),
        _gather_options(procedure, options or {}),
        _gather_curves(found.get(OECF, ())),
    )


def _gather_curves(files: Sequence[Source]) -> tuple[ToneCurve, ...]:
    if not files:
        return ()
    from seeworthy.media.tone_curve import read_curve

    return tuple(read_curve(source) for source in files)


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
    from seeworthy.ground.plausible import check_plausible
    from seeworthy.ground.quantities import Quantity, parse

    found: dict[str, tuple[Quantity, ...]] = {}
    for name, texts in readings.items():
        need = procedure.need(name)
        if len(texts) > 1 and not need.repeat:
            raise WrongCall(f"The reading '{name}' was given {len(texts)} times.", "Give it once.")
        if need.unit == "text":
            found[name] = tuple(Quantity(0.0, "text", 0.0, True, t) for t in texts)
        else:
            found[name] = tuple(
                check_plausible(name, parse(t, need.unit, positive=need.positive)) for t in texts
            )
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
