"""The shoot sheet: chosen tests in the order that needs the fewest set-ups."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from seeworthy.ground.errors import WrongCall
from seeworthy.procedures import all_procedures, procedure
from seeworthy.procedures.cautions import CAUTIONS
from seeworthy.procedures.declare import Files, Procedure

_MOST_CARDS = 200  # sheets of paper; a judgement


@dataclass(frozen=True, slots=True)
class SetUp:
    """One set-up: everything that is filmed before anything is moved.

    Attributes:
        name: As the procedures call it.
        minutes: For every unit together.
        cards: tuple of (procedure id, role). Clips or stills that want a slate.
    """

    name: str
    procedures: tuple[Procedure, ...]
    minutes: float
    cards: tuple[tuple[str, str], ...]
    kit: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ShootSheet:
    """A whole shoot.

    Attributes:
        kit: Everything to bring, each thing once.
        cautions: Each once.
    """

    setups: tuple[SetUp, ...]
    kit: tuple[str, ...]
    cautions: tuple[str, ...]
    minutes: float
    units: int


def shoot_sheet(procedures: Sequence[str], units: int = 1) -> ShootSheet:
    """Plan a shoot.

    Every set-up is built once and all units pass before it, so the number of set-ups is
    the number of different ones, which is the least there can be. What runs unattended for
    long comes first, so that the rest is done meanwhile.

    Raises:
        WrongCall: No test, or one that does not exist.
    """
    if not procedures:
        raise WrongCall("No test is chosen.", "Choose what you want to film.")
    wanted = {procedure(name).id for name in procedures}
    groups: dict[str, list[Procedure]] = {}
    for one in all_procedures().values():
        if one.id in wanted:
            groups.setdefault(one.setup, []).append(one)
    setups = [_setup(name, tuple(ones), max(1, units)) for name, ones in groups.items()]
    setups.sort(key=lambda s: -s.minutes if _unattended(s) else 0.0)
    return ShootSheet(
        tuple(setups),
        _once(thing for s in setups for thing in s.kit),
        _once(words for s in setups for words in s.cautions),
        sum(s.minutes for s in setups),
        max(1, units),
    )


def _setup(name: str, ones: tuple[Procedure, ...], units: int) -> SetUp:
    cards = tuple((p.id, f.role) for p in ones for f in p.files if wants_card(f))
    return SetUp(
        name,
        ones,
        units * sum(p.minutes for p in ones),
        cards,
        _once(thing for p in ones for thing in p.kit),
        _once(CAUTIONS.get(c, c) for p in ones for c in p.cautions),
    )


def wants_card(files: Files) -> bool:
    """Tell whether files of a role are filmed, so that a slate can stand before them."""
    return "clip" in files.kinds or "still" in files.kinds


def slates_wanted(tests: Sequence[str], units: Sequence[int]) -> list[tuple[int, str, str]]:
    """Return (unit, test, role) of every slate of a shoot.

    Raises:
        WrongCall: There is none, or more than fit a print.
    """
    wanted = [
        (unit, name, files.role)
        for name, one in all_procedures().items()
        if name in tests
        for files in one.files
        if wants_card(files)
        for unit in units
    ]
    if not wanted:
        raise WrongCall("There is no slate to print.", "Choose cameras, and tests with clips.")
    if len(wanted) > _MOST_CARDS:
        raise WrongCall(f"That is more than {_MOST_CARDS} slates.", "Choose fewer tests.")
    return wanted


def _unattended(setup: SetUp) -> bool:
    return any(p.minutes >= 60 for p in setup.procedures)


def _once(words: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(words))
