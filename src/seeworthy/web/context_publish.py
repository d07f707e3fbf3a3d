"""Contexts of the pages that give cards and data away, and take another bench's data in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

if TYPE_CHECKING:
    from seeworthy.bench.identity import Identity
    from seeworthy.publish.card_drawing import Card
    from seeworthy.publish.package_checks import PackageTaken
    from seeworthy.web.workshop import Work


@dataclass(frozen=True, slots=True)
class CardsPage:
    """The cards of a camera.

    Attributes:
        number, camera: Of the camera.
        groups: (heading, cards) in the order of the report.
        sizes: (name, words, width, height).
        size: Name of the one that is shown.
        alpha: Without paper.
        works: Sets that are drawn, or were.
    """

    template: ClassVar[str] = "cards.html"
    title: ClassVar[str] = "Cards"
    number: int
    camera: str
    groups: Sequence[tuple[str, Sequence[Card]]]
    sizes: Sequence[tuple[str, str, int, int]]
    size: str
    alpha: bool
    works: Sequence[Work] = ()


@dataclass(frozen=True, slots=True)
class DataPage:
    """The bench as open data, and packages of other benches.

    Attributes:
        identity: What packages say of this bench.
        licences: (name, what others may do).
        cameras: How many of our own.
        size: Of the evidence, in words.
        saved: What was typed was kept.
    """

    template: ClassVar[str] = "data.html"
    title: ClassVar[str] = "Open data"
    identity: Identity
    licences: Sequence[tuple[str, str]]
    cameras: int
    size: str
    saved: bool = False


@dataclass(frozen=True, slots=True)
class PackagePage:
    """What a package of another bench holds, before or after it is taken in.

    Attributes:
        ticket: Of the upload; ``""`` once it is in.
        name: Of the file.
        holds: What is in it, or what came of it.
    """

    template: ClassVar[str] = "package.html"
    title: ClassVar[str] = "Another bench's data"
    ticket: str
    name: str
    holds: PackageTaken
