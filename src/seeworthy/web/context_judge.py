"""Contexts of the pages that judge: compare, suit, plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar

from seeworthy.judge.plan.bench_plan import Plan
from seeworthy.judge.plan.form import FormEntry
from seeworthy.judge.purpose.rank import Ranking, Suited
from seeworthy.judge.purpose.written import WrittenRow


@dataclass(frozen=True, slots=True)
class ComparedRow:
    """One measurand under like conditions.

    Attributes:
        id, heading: str
        unit: As it is printed.
        like: The conditions, in words.
        drawing: Address of its figure.
        values: sequence of (subject, value, interval, takes, mark)
        groups: Subjects that cannot be told apart, joined.
        pairs: sequence of (pair, difference, interval, words)
        sort: Values to sort by, in the order of `values`.
        first: It is asked for, so it stands at once; the rest is folded.
    """

    id: str
    heading: str
    unit: str
    like: str
    drawing: str
    values: Sequence[tuple[str, str, str, int, str]]
    groups: Sequence[str]
    pairs: Sequence[tuple[str, str, str, str]]
    sort: Sequence[float]
    first: bool = True

    @property
    def cells(self) -> Mapping[str, tuple[str, str, int, str]]:
        """Value, interval, takes and mark by subject."""
        return {subject: rest for subject, *rest in self.values}  # type: ignore[misc]

    @property
    def differ(self) -> bool:
        """True when any two are told apart."""
        return any(words == "told apart" for *_, words in self.pairs)


@dataclass(frozen=True, slots=True)
class ComparePage:
    """Cameras, units or firmware side by side.

    Attributes:
        cameras: sequence of (name, chosen)
        by: ``camera``, ``unit`` or ``firmware``.
        measurands: sequence of (id, title, chosen)
        rows: sequence of ComparedRow
        apart: What could not be compared, and why.
        refused, hint: Why there is nothing to show.
        asked: The form was sent.
        subjects: What stands side by side.
    """

    template: ClassVar[str] = "compare.html"
    title: ClassVar[str] = "Compare"
    cameras: Sequence[tuple[str, bool]]
    by: str
    measurands: Sequence[tuple[str, str, bool]]
    rows: Sequence[ComparedRow] = ()
    apart: Sequence[str] = ()
    refused: str = ""
    hint: str = ""
    asked: bool = False
    subjects: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class SuitPage:
    """Cameras ranked for a purpose.

    Attributes:
        purposes: sequence of (name, title, about, own)
        chosen: str
        ranking: Ranking or None
        worth: sequence of (camera, title, procedure). Tests that are missing and worth doing.
        figures: sequence of (address, heading, sentence)
        cameras: sequence of str
        overview: mapping of purpose to mapping of camera to Suited. All cameras for all purposes,
            where none is chosen.
        refused, hint: str
    """

    template: ClassVar[str] = "suit.html"
    title: ClassVar[str] = "Suit"
    purposes: Sequence[tuple[str, str, str, bool]]
    chosen: str = ""
    ranking: Ranking | None = None
    worth: Sequence[tuple[str, str, str]] = ()
    figures: Sequence[tuple[str, str, str]] = ()
    refused: str = ""
    hint: str = ""
    cameras: Sequence[str] = ()
    overview: Mapping[str, Mapping[str, Suited]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PurposePage:
    """A purpose, to be written or changed: a form, and its text for experts.

    Attributes:
        own: It is a file of the user's, which can be removed.
        heading, about: Title, and what it is for in a sentence.
        rows: Limits and wishes as typed, with empty ones to fill in.
        groups: (test, measurands), the measurands as (id, title, unit).
        name, text: As they are kept.
        wrong, hint: What is wrong as a whole.
        line: The line of the text that is wrong, 0 for none.
        expert: The text was sent, not the form.
    """

    template: ClassVar[str] = "purpose.html"
    title: ClassVar[str] = "A purpose of your own"
    name: str
    own: bool
    heading: str
    about: str
    rows: Sequence[WrittenRow]
    groups: Sequence[tuple[str, Sequence[tuple[str, str, str]]]]
    text: str
    wrong: str = ""
    hint: str = ""
    line: int = 0
    expert: bool = False


@dataclass(frozen=True, slots=True)
class PlanPage:
    """A planned flight through cameras.

    Attributes:
        entries: mapping of section to entries
        typed: mapping of entry name to text
        heading: Title of the flight.
        cameras: sequence of (name, chosen)
        flown: sequence of (take, words, chosen). Flights whose log can be the plan.
        plans: sequence of (Plan, address). With the fields of the plan as they stand in an address.
        cautions: sequence of str
        text: The plan as TOML.
        refused, hint: str
    """

    template: ClassVar[str] = "plan.html"
    title: ClassVar[str] = "Plan"
    entries: Mapping[str, Sequence[FormEntry]]
    typed: Mapping[str, str]
    heading: str
    cameras: Sequence[tuple[str, bool]]
    flown: Sequence[tuple[int, str, bool]]
    plans: Sequence[tuple[Plan, str]] = ()
    cautions: Sequence[str] = ()
    text: str = ""
    refused: str = ""
    hint: str = ""

    def refuse(self, message: str, hint: str) -> PlanPage:
        """Return the page with why there is no plan."""
        return replace(self, refused=message, hint=hint)

    def answer(self, plans: Sequence[tuple[Plan, str]]) -> PlanPage:
        """Return the page with plans."""
        return replace(self, plans=plans)


@dataclass(frozen=True, slots=True)
class PreviewPart:
    """What a flight would look like through one camera: part of the plan page.

    Attributes:
        camera: str
        address: Fields of the plan as they stand in an address.
        said: What had to be assumed.
        refused, hint: Why there is no picture.
    """

    template: ClassVar[str] = "preview.html"
    title: ClassVar[str] = "Preview"
    camera: str
    address: str
    said: Sequence[str] = ()
    refused: str = ""
    hint: str = ""


@dataclass(frozen=True, slots=True)
class LastingPage:
    """What changes with time, and how far units of one camera differ.

    Attributes:
        cameras: sequence of str
        chosen: str
        trends: sequence of (unit, figure, conditions, change, interval, from what, verdict)
        spreads: sequence of (camera, figure, conditions, mean, between units, units, verdict)
    """

    template: ClassVar[str] = "lasting.html"
    title: ClassVar[str] = "Over time"
    cameras: Sequence[str]
    chosen: str
    trends: Sequence[tuple[str, str, str, str, str, str, str]]
    spreads: Sequence[tuple[str, str, str, str, str, int, str]]
