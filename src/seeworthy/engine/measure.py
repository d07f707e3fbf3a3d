"""Measure once, in this process: from what a user named to the JSON contract."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from seeworthy import __version__
from seeworthy.engine.evaluate import Item, Progress, evaluate
from seeworthy.ground.errors import SeeworthyError
from seeworthy.ground.results import Outcome
from seeworthy.media.source import Source
from seeworthy.procedures import all_procedures, procedure
from seeworthy.procedures.declare import Inputs, Procedure, gather


@dataclass(frozen=True)
class Measured:
    """An outcome with what it was measured from."""

    procedure: Procedure
    inputs: Inputs
    outcome: Outcome

    @cached_property
    def hashes(self) -> Mapping[Source, str]:
        """Hex SHA-256 of every input file; reading hours of film again takes its time."""
        return {s: s.sha256() for sources in self.inputs.files.values() for s in sources}

    def to_json(self) -> dict[str, Any]:
        """Return the JSON of ``measure`` (see docs/design.md)."""
        return {
            "procedure": self.procedure.id,
            "seeworthy": __version__,
            **_inputs_json(self.inputs, self.hashes),
            **self.outcome.to_json(),
        }


def _inputs_json(inputs: Inputs, hashes: Mapping[Source, str]) -> dict[str, Any]:
    files = [
        {"file": source.name, "sha256": hashes[source], **({"role": role} if role else {})}
        for role, sources in inputs.files.items()
        for source in sources
    ]
    readings: dict[str, Any] = {}
    for name, values in inputs.readings.items():
        shown = [v.text if v.unit == "text" else v.to_json() for v in values]
        readings[name] = shown[0] if len(shown) == 1 else shown
    return {"inputs": files, "readings": readings}


def measure(
    name: str,
    files: Sequence[str | Path] = (),
    roles: Mapping[str, Sequence[str | Path]] | None = None,
    readings: Mapping[str, Sequence[str]] | None = None,
    options: Mapping[str, Sequence[str]] | None = None,
    *,
    progress: Progress | None = None,
) -> Measured:
    """Run one procedure on named files and typed readings.

    Args:
        name: Id of the procedure.
        files: Positional files.
        roles: mapping of role to paths
        readings: mapping of name to typed quantities
        options: mapping of name to values

    Raises:
        SeeworthyError: Wrong call, unreadable input, or `CannotMeasure`.
    """
    chosen = procedure(name)
    sources = {"": [Source.of(f) for f in files]}
    for role, paths in (roles or {}).items():
        sources.setdefault(role, []).extend(Source.of(p) for p in paths)
    inputs = gather(chosen, {r: s for r, s in sources.items() if s}, readings or {}, options)
    outcome = evaluate([Item(chosen, inputs)], progress=progress)[0]
    if isinstance(outcome, SeeworthyError):
        raise outcome
    return Measured(chosen, inputs, outcome)


@dataclass(frozen=True)
class Looked:
    """Everything one clip tells: an outcome or an error per procedure."""

    source: Source
    answers: Mapping[str, Outcome | SeeworthyError]

    def to_json(self) -> dict[str, Any]:
        """Return the same parts as `Measured.to_json`, by procedure."""
        return {
            "seeworthy": __version__,
            "inputs": [{"file": self.source.name, "sha256": self.source.sha256()}],
            "procedures": {name: a.to_json() for name, a in self.answers.items()},
        }


def look(path: str | Path, *, progress: Progress | None = None) -> Looked:
    """Run every procedure that needs a clip and nothing else, in one decode pass.

    Raises:
        UnreadableInput: Nothing at all could be read.
    """
    source = Source.of(path)
    chosen = [p for p in all_procedures().values() if p.look]
    items = [Item(p, gather(p, {"": [source]}, {}, {})) for p in chosen]
    answers = evaluate(items, progress=progress)
    if answers and all(isinstance(a, SeeworthyError) and a.exit_code == 2 for a in answers):
        first = answers[0]
        assert isinstance(first, SeeworthyError)
        raise first
    return Looked(source, {p.id: a for p, a in zip(chosen, answers, strict=True)})
