"""Repeat a take of somebody's package: what they filmed, read and set, as a sheet to follow."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from seeworthy.ground.digits import said_u
from seeworthy.ground.errors import NotFound
from seeworthy.procedures import procedure as find_procedure
from seeworthy.publish.package import Package, Row, split_address


@dataclass(frozen=True, slots=True)
class Example:
    """A take of another group, to be repeated.

    Attributes:
        procedure: Id.
        version: Of the procedure that they measured with; 0 where they did not.
        readings: tuple of (name, as typed, instrument)
        files: tuple of (role, name)
        options: tuple of (name, value)
        light, temperature: As typed; ``""`` where nothing was said.
        results: Their figures in words.
    """

    procedure: str
    version: int
    camera: str
    group: str
    readings: tuple[tuple[str, str, str], ...]
    files: tuple[tuple[str, str], ...]
    options: tuple[tuple[str, str], ...]
    light: str
    temperature: str
    results: tuple[str, ...]

    def options_typed(self) -> dict[str, list[str]]:
        """Return the options as `seeworthy.bench.takes.add_take` wants them."""
        found: dict[str, list[str]] = {}
        for name, value in self.options:
            found.setdefault(name, []).append(value)
        return found


def example_of(address: str) -> Example:
    """Return the take that ``PACKAGE#TAKE`` names, by its number or its identity.

    Raises:
        WrongCall: No take is named.
        NotFound: No such take in the package, or the procedure is not installed here.
        UnreadableInput: Not a package.
    """
    path, wanted = split_address(address)
    with Package(Path(path)) as package:
        for fault in package.wrong_files():
            raise package.bad(fault)
        tables, head = package.tables(), package.head
    take = next((t for t in tables["takes"] if wanted in (t["id"], str(t["number"]))), None)
    if take is None:
        numbers = ", ".join(str(t["number"]) for t in tables["takes"][:20])
        raise NotFound(f"The package has no take '{wanted}'.", f"It has: {numbers}.")
    chosen = find_procedure(take["procedure"])

    def mine(name: str) -> list[Row]:
        return [r for r in tables[name] if r["take"] == take["id"]]

    units = {u["id"]: u["camera"] for u in tables["units"]}
    cameras = {c["id"]: c["camera"] for c in tables["cameras"]}
    instruments = {i["id"]: i["instrument"] for i in tables["instruments"]}
    outcome = next(iter(mine("outcomes")), None)
    return Example(
        chosen.id,
        outcome["procedure_version"] if outcome else 0,
        cameras[units[take["unit"]]],
        head.title or f"bench {head.id[:8]}",
        tuple(
            (r["reading"], r["typed"], instruments.get(r["instrument"], ""))
            for r in mine("readings")
        ),
        tuple((f["role"], f["file"]) for f in mine("files")),
        tuple((o["option"], o["value"]) for o in mine("options")),
        take["light_typed"],
        take["temperature_typed"],
        tuple(_said(r) for r in mine("results")),
    )


def _said(row: Row) -> str:
    return f"{row['measurand']} {said_u(row['value'], row['u'], row['unit'])} (95 %)"
