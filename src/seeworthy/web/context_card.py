"""Contexts of the shoot sheet, the slates and the card import."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from seeworthy.bench.card_sort import PlannedTake
from seeworthy.bench.importing import Import
from seeworthy.bench.records import Take
from seeworthy.bench.shoot import ShootSheet


@dataclass(frozen=True, slots=True)
class ShootPage:
    """The shoot sheet with its choices.

    Attributes:
        procedures: sequence of (id, title, setup, minutes, chosen)
        units: sequence of (number, words, chosen)
        sheet: ShootSheet or None
        query: The choices as they stand in an address.
    """

    template: ClassVar[str] = "shoot.html"
    title: ClassVar[str] = "Shoot sheet"
    procedures: Sequence[tuple[str, str, str, float, bool]]
    units: Sequence[tuple[int, str, bool]]
    sheet: ShootSheet | None = None
    query: str = ""


@dataclass(frozen=True, slots=True)
class SlatePage:
    """One slate on a screen.

    Attributes:
        drawing: SVG markup.
        words: sequence of str
        title: str
    """

    template: ClassVar[str] = "slate.html"
    drawing: Any
    words: Sequence[str]
    title: str


@dataclass(frozen=True, slots=True)
class ImportStart:
    """Where a card folder is named.

    Attributes:
        open: Not done yet.
        local: The visitor sits at the machine that keeps the bench and may name a folder.
        scanning: What is being looked at, ``""`` for nothing.
        done, total: int
        failed: str
    """

    template: ClassVar[str] = "import.html"
    title: ClassVar[str] = "Card in"
    open: Sequence[Import] = ()
    local: bool = True
    scanning: str = ""
    done: int = 0
    total: int = 0
    failed: str = ""


@dataclass(frozen=True, slots=True)
class FileCard:
    """One file of a card as the page shows it.

    Attributes:
        index: int
        name, kind, size: str
        picture: Address, ``""`` where there is none.
        where: Camera, unit and test in words, ``""`` where it is not known.
        state: ``sure``, ``unsure``, ``left out`` or ``taken in``.
        how: str
        take: int
        chosen: ``unit|procedure|role`` for the form.
        unit: int
    """

    index: int
    name: str
    kind: str
    size: str
    picture: str
    where: str
    state: str
    how: str
    take: int
    chosen: str
    unit: int


@dataclass(frozen=True, slots=True)
class TakeCard:
    """A take that the sorted files make.

    Attributes:
        plan: PlannedTake
        where: str
        files: sequence of str
        sure: bool
        trouble: Why it could not be taken in.
    """

    plan: PlannedTake
    where: str
    files: Sequence[str]
    sure: bool
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class ImportPage:
    """A card folder, sorted, to be corrected and taken in.

    Attributes:
        one: Import
        unsure, left, done: To be looked at; left out; in the bench.
        sure: sequence of FileCard
        takes: sequence of TakeCard
        units: sequence of (number, words)
        tests: sequence of (value, words). ``procedure|role``.
        entered: Taken in just now.
        typed: mapping of field to text. What was typed and could not be entered.
        more: mapping of list name to number of files that are not shown
    """

    template: ClassVar[str] = "sorted.html"
    title: ClassVar[str] = "Card in"
    one: Import
    unsure: Sequence[FileCard]
    sure: Sequence[FileCard]
    left: Sequence[FileCard]
    done: Sequence[FileCard]
    takes: Sequence[TakeCard]
    units: Sequence[tuple[int, str]]
    tests: Sequence[tuple[str, str]]
    entered: Sequence[Take]
    typed: Mapping[str, str]
    more: Mapping[str, int]
