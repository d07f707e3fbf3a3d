"""Contexts of the pages that mend clips and bring broken ones back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from seeworthy.web.workshop import Work


@dataclass(frozen=True, slots=True)
class CorrectionLine:
    """One correction that a camera's takes give.

    Attributes:
        kind, words: Which, and what it mends.
        take, sentence: The take that found it, and what it found.
        taken: When and with which unit.
    """

    kind: str
    words: str
    take: int
    sentence: str
    taken: str


@dataclass(frozen=True, slots=True)
class MendPage:
    """Where a clip and its corrections are chosen.

    Attributes:
        cameras, camera: Their names, and the one chosen.
        lines: Its corrections.
        clips: (value, words) of clips of the bench.
        proofs: (value, words) of a correction and the clip on which it can be shown.
        arrived: (ticket, name) of files that came already.
        works: Begun or done.
    """

    template: ClassVar[str] = "mend.html"
    title: ClassVar[str] = "Mend a clip"
    cameras: Sequence[str]
    camera: str
    lines: Sequence[CorrectionLine]
    clips: Sequence[tuple[str, str]]
    proofs: Sequence[tuple[str, str]]
    arrived: Sequence[tuple[str, str]] = ()
    works: Sequence[Work] = ()


@dataclass(frozen=True, slots=True)
class RecoverPage:
    """Where a broken clip and a good one are chosen.

    Attributes:
        clips: (value, words) of clips of the bench, for the good one.
        arrived: (ticket, name) of files that came already, by field.
        works: Begun or done.
    """

    template: ClassVar[str] = "recover.html"
    title: ClassVar[str] = "Bring a broken clip back"
    clips: Sequence[tuple[str, str]]
    arrived: Mapping[str, Sequence[tuple[str, str]]]
    works: Sequence[Work] = ()


@dataclass(frozen=True, slots=True)
class WorkPage:
    """One piece of work: how far it is, or what came of it.

    Attributes:
        work, title: What is done, and its name.
        back, trail: Address of the form, and its name.
        ended: What became of it, in a word.
        lines: What was done.
        minds: What to mind.
        size: Of the new file.
        proofs: (heading, fitted, rows), rows of figure, before, after, each with its interval.
    """

    template: ClassVar[str] = "work.html"
    work: Work
    title: str
    back: str
    trail: str
    ended: str
    lines: Sequence[str] = ()
    minds: Sequence[str] = ()
    size: str = ""
    proofs: Sequence[tuple[str, bool, Sequence[Any]]] = ()
