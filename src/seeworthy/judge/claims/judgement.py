"""A claim, what became of it, and the words for both."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from seeworthy.ground.measurands import all_measurands
from seeworthy.ground.plain import picked, plain
from seeworthy.ground.results import Result
from seeworthy.judge.claims.tolerance import Tolerance
from seeworthy.procedures import finding


def title_of(subject: str) -> str:
    """Return the title of a measurand, or the name of a finding in words."""
    entry = all_measurands().get(subject)
    if entry is not None:
        return entry.title[:1].upper() + entry.title[1:]
    told = finding(subject)
    words = told.title or (f"{told.words} ({told.unit})" if told.unit else told.words)
    return words[:1].upper() + words[1:]


State = Literal[
    "confirmed",
    "more than claimed",
    "less than claimed",
    "contradicted",
    "cannot tell",
    "not tested",
    "claimed nothing",
]
Favour = Literal["", "as claimed", "worse than claimed", "better than claimed", "off"]

STATES: dict[State, str] = {
    "confirmed": "The whole measured interval lies within the tolerance of the claim.",
    "more than claimed": "The whole measured interval lies above the tolerance of the claim.",
    "less than claimed": "The whole measured interval lies below the tolerance of the claim.",
    "contradicted": "What was found is something else than the seller says.",
    "cannot tell": "The measurement is not sharp enough to decide; repeat it.",
    "not tested": "Nothing on this bench has measured it yet.",
    "claimed nothing": "Measured; no claim is entered, or the seller gives no figure.",
}


def word_of(subject: str, state: State) -> str:
    """Return a state in the words of its subject: ``heavier than claimed``."""
    entry = all_measurands().get(subject)
    if entry is None or state not in {"more than claimed", "less than claimed"}:
        return state
    more, less = entry.more_and_less
    return f"{more if state == 'more than claimed' else less} than claimed"


@dataclass(frozen=True, slots=True)
class Claimed:
    """One figure that the seller gives.

    Attributes:
        subject: Id of a measurand, or name of a finding.
        value: In the unit of the measurand; None for words.
        text: As the seller writes it.
        source: Where it is written (box, leaflet, listing).
        tolerance: Own tolerance; None takes that of the report.
        conditions: Conditions the claim speaks of (``{"light": 10}``); only results under the same
            ones are compared.
        silent: True when someone looked and the seller says nothing of it.
    """

    subject: str
    value: float | None
    text: str = ""
    source: str = ""
    tolerance: Tolerance | None = None
    conditions: Mapping[str, Any] = field(default_factory=dict)
    silent: bool = False


@dataclass(frozen=True, slots=True)
class Judgement:
    """What became of one claim.

    Attributes:
        subject: Id of a measurand, or name of a finding.
        state: One of `STATES`.
        favour: What it means for the buyer: ``as claimed``, ``worse than claimed``, ``better than
            claimed``, ``off`` (neither is better), ``""`` where nothing is decided.
        claim: None where the bench holds no claim at all.
        result: What decided: takes under like conditions together, of the set that is nearest to
            ordinary use; None for ``not tested`` and for findings.
        band: Claim less and plus tolerance, unit of the measurand.
        others: What was measured under other conditions or on another unit, and what each would
            say.
        sentence: Plain words.
        found: plain JSON value. What was found, for claims on findings.
        remark: The last part of `sentence`: what follows, without the two figures again.
        takes: How many takes stand behind `result`.
        specimen: Serial of the unit that it was judged on, where the bench holds several.
    """

    subject: str
    state: State
    favour: Favour
    claim: Claimed | None
    result: Result | None
    band: tuple[float, float] | None
    tolerance: Tolerance
    others: tuple[tuple[State, Result], ...] = ()
    sentence: str = ""
    found: Any = None
    remark: str = ""
    takes: int = 0
    specimen: str = ""

    @property
    def word(self) -> str:
        """The state as a person says it of this thing: ``heavier than claimed``."""
        return word_of(self.subject, self.state)

    @property
    def title(self) -> str:
        """What it is about, as a person says it."""
        return title_of(self.subject)

    @property
    def unit(self) -> str:
        """Unit of claim and result, ``""`` for findings."""
        entry = all_measurands().get(self.subject)
        return "" if entry is None else entry.unit

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            **picked(self, "subject title state word favour"),
            "claimed": picked(self.claim, "value text source") if self.claim else None,
            "unit": self.unit,
            "tolerance": str(self.tolerance),
            "band": plain(self.band),
            "measured": self.result.to_json() if self.result else None,
            **picked(self, "takes unit_judged=specimen found"),
            "others": [{"state": s, "measured": r.to_json()} for s, r in self.others],
            "sentence": self.sentence,
        }
