"""What the seller says against what was measured.

A claim is judged with the 95 % interval of the measured value, never with the bare
value. Around the claim lies a band of tolerance that every face shows and a user can
set (`Tolerance`). Then

* the interval lies inside the band: **confirmed**;
* it lies below the band: the figure is **overstated** (the seller's number is too high);
* it lies above the band: the figure is **understated** (the number is too low);
* it crosses an edge of the band: **cannot tell**, unless it crosses only the edge that
  a flyer is glad about (a battery that lasts at least as long as claimed): the promise
  is kept, so confirmed.

``overstated`` and ``understated`` speak of the number alone. Whether that is bad is
another matter (`Judgement.favour`): an understated mass is worse than claimed, an
understated running time is better.

The rule is that of conformity with guard bands as wide as the interval (JCGM 106:2012,
8.3.2: acceptance interval inside the tolerance interval), applied on both sides.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from seeworthy.errors import BadQuantity
from seeworthy.measurands import Measurand, measurand
from seeworthy.quantities import convert, format_value, parse
from seeworthy.results import Result

State = Literal[
    "confirmed", "overstated", "understated", "cannot tell", "not tested", "claimed nothing"
]
Favour = Literal["", "as claimed", "worse than claimed", "better than claimed", "off"]

STATES: dict[State, str] = {
    "confirmed": "The measured interval lies within the tolerance of the claim.",
    "overstated": "The seller's number is higher than anything the measurement allows.",
    "understated": "The seller's number is lower than anything the measurement allows.",
    "cannot tell": "The measurement is not sharp enough to decide; repeat it.",
    "not tested": "Nothing on this bench has measured it yet.",
    "claimed nothing": "Measured, but the seller gives no figure.",
}


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far off a claim may be and still count as kept.

    Attributes
    ----------
    share : float
        Part of the claimed value, 0.05 for 5 %.
    absolute : float
        In `unit`; the wider of the two holds.
    unit : str
        Unit of `absolute`; ``""`` for a plain number or none.
    """

    share: float = 0.05
    absolute: float = 0.0
    unit: str = ""

    @classmethod
    def parse(cls, text: str) -> Tolerance:
        """Read ``5 %``, ``2 deg`` or ``0.1``.

        Raises
        ------
        BadQuantity
            Negative, or not a quantity.
        """
        shown = text.strip()
        if shown.endswith("%"):
            value = parse(shown[:-1].strip(), "").value
            made = cls(share=value / 100)
        else:
            quantity = parse(shown)
            made = cls(share=0.0, absolute=quantity.value, unit=quantity.unit)
        if made.share < 0 or made.absolute < 0:
            raise BadQuantity(f"The tolerance '{shown}' is negative.", "Write it like '5 %'.")
        return made

    def half_width(self, value: float, entry: Measurand) -> float:
        """Return half the width of the band around a claimed `value` (unit of `entry`).

        Raises
        ------
        BadQuantity
            The absolute tolerance has another dimension than the measurand.
        """
        absolute = self.absolute
        if absolute and self.unit:
            zero = convert(0.0, self.unit, entry.pint_unit)
            absolute = abs(convert(absolute, self.unit, entry.pint_unit) - zero)
        return max(self.share * abs(value), absolute)

    def __str__(self) -> str:
        parts = []
        if self.share or not self.absolute:
            parts.append(f"±{self.share * 100:g} %")
        if self.absolute:
            parts.append(f"±{self.absolute:g} {self.unit}".rstrip())
        return " or ".join(parts)


DEFAULT_TOLERANCE = Tolerance()


@dataclass(frozen=True, slots=True)
class Claim:
    """One figure that the seller gives.

    Attributes
    ----------
    measurand : str
        Registered id.
    value : float
        In the unit of the measurand.
    text : str
        As the seller writes it.
    source : str
        Where it is written (box, leaflet, listing).
    tolerance : Tolerance or None
        Own tolerance; None takes that of the report.
    conditions : mapping
        Conditions the claim speaks of (``{"light": 10}``); only results under the
        same ones are compared.
    """

    measurand: str
    value: float
    text: str = ""
    source: str = ""
    tolerance: Tolerance | None = None
    conditions: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Judgement:
    """What became of one claim.

    Attributes
    ----------
    measurand : str
    state : str
        One of `STATES`.
    favour : str
        What it means for the buyer: ``as claimed``, ``worse than claimed``, ``better
        than claimed``, ``off`` (neither is better), ``""`` where nothing is decided.
    claim : Claim or None
        None for ``claimed nothing``.
    result : Result or None
        The most certain comparable result; None for ``not tested``.
    band : (float, float) or None
        Claim less and plus tolerance, unit of the measurand.
    tolerance : Tolerance
    others : tuple of (State, Result)
        Further comparable results and what each alone would say.
    sentence : str
        Plain words.
    """

    measurand: str
    state: State
    favour: Favour
    claim: Claim | None
    result: Result | None
    band: tuple[float, float] | None
    tolerance: Tolerance
    others: tuple[tuple[State, Result], ...] = ()
    sentence: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        claim = self.claim
        return {
            "measurand": self.measurand,
            "state": self.state,
            "favour": self.favour,
            "claimed": None
            if claim is None
            else {"value": claim.value, "text": claim.text, "source": claim.source},
            "unit": measurand(self.measurand).unit,
            "tolerance": str(self.tolerance),
            "band": None if self.band is None else list(self.band),
            "measured": None if self.result is None else self.result.to_json(),
            "others": [{"state": s, "measured": r.to_json()} for s, r in self.others],
            "sentence": self.sentence,
        }


def judge(
    claim: Claim, results: Iterable[Result], tolerance: Tolerance = DEFAULT_TOLERANCE
) -> Judgement:
    """Judge one claim by all results at hand.

    Parameters
    ----------
    claim : Claim
    results : iterable of Result
        Of any measurands; those of the claim's measurand and conditions count. The
        one with the narrowest interval decides; where another one that is decided
        contradicts it, the sentence says so.
    tolerance : Tolerance
        Used where the claim has none of its own.
    """
    entry = measurand(claim.measurand)
    rule = claim.tolerance or tolerance
    half = rule.half_width(claim.value, entry)
    band = (claim.value - half, claim.value + half)
    found = sorted(
        (r for r in results if r.measurand == claim.measurand and _same(claim, r)),
        key=lambda r: r.interval[1] - r.interval[0],
    )
    if not found:
        sentence = f"{_title(entry)}: claimed, but not tested on this bench."
        return Judgement(
            claim.measurand, "not tested", "", claim, None, band, rule, sentence=sentence
        )
    best, *rest = found
    state = decide(best.interval, band, entry)
    others = tuple((decide(r.interval, band, entry), r) for r in rest)
    favour = _favour(state, entry)
    sentence = _sentence(entry, claim, best, state, favour) + _dissent(state, best, others)
    return Judgement(claim.measurand, state, favour, claim, best, band, rule, others, sentence)


def judge_all(
    claims: Sequence[Claim],
    results: Sequence[Result],
    tolerance: Tolerance = DEFAULT_TOLERANCE,
) -> tuple[Judgement, ...]:
    """Judge every claim, then name what was measured without a claim.

    Returns
    -------
    tuple of Judgement
        Claims in the order given; then one ``claimed nothing`` for each measurand that
        has results but no claim, with its most certain result.
    """
    judged = [judge(c, results, tolerance) for c in claims]
    claimed = {c.measurand for c in claims}
    silent: dict[str, list[Result]] = {}
    for item in results:
        if item.measurand not in claimed:
            silent.setdefault(item.measurand, []).append(item)
    for name, found in silent.items():
        entry = measurand(name)
        best = min(found, key=lambda r: r.interval[1] - r.interval[0])
        silence: State = "claimed nothing"
        rest = tuple((silence, r) for r in found if r is not best)
        sentence = f"{_title(entry)}: {_measured(best)}; the seller gives no figure."
        judged.append(Judgement(name, silence, "", None, best, None, tolerance, rest, sentence))
    return tuple(judged)


def decide(interval: tuple[float, float], band: tuple[float, float], entry: Measurand) -> State:
    """Compare a 95 % interval with the band of a claim.

    Parameters
    ----------
    interval, band : (low, high)
        In the unit of the measurand.
    entry : Measurand
        Its direction tells which edge a flyer is glad to see crossed.
    """
    low, high = interval
    if high < band[0]:
        return "overstated"
    if low > band[1]:
        return "understated"
    kept_low, kept_high = low >= band[0], high <= band[1]
    if kept_low and kept_high:
        return "confirmed"
    if (kept_low and entry.better == "more") or (kept_high and entry.better == "less"):
        return "confirmed"
    return "cannot tell"


def _same(claim: Claim, found: Result) -> bool:
    return all(found.conditions.get(k) == v for k, v in claim.conditions.items())


def _favour(state: State, entry: Measurand) -> Favour:
    if state == "confirmed":
        return "as claimed"
    if state not in {"overstated", "understated"}:
        return ""
    if entry.better == "more":
        return "worse than claimed" if state == "overstated" else "better than claimed"
    if entry.better == "less":
        return "better than claimed" if state == "overstated" else "worse than claimed"
    return "off"


def _title(entry: Measurand) -> str:
    return entry.title[:1].upper() + entry.title[1:]


def _measured(found: Result) -> str:
    low, high = found.interval
    if math.isinf(high):
        return f"measured at least {low:.4g} {found.unit}".rstrip()
    if math.isinf(low):
        return f"measured at most {high:.4g} {found.unit}".rstrip()
    return f"measured {format_value(found.value, found.u, found.unit)}"


def _sentence(entry: Measurand, claim: Claim, best: Result, state: State, favour: Favour) -> str:
    claimed = claim.text or f"{claim.value:g} {entry.unit}".strip()
    head = f"{_title(entry)}: claimed {claimed}, {_measured(best)}"
    if state == "confirmed":
        return f"{head}. The claim holds."
    if state == "cannot tell":
        return f"{head}. That is not sharp enough to tell; measure it again."
    off = abs(best.value - claim.value)
    share = f" by {off / abs(claim.value):.0%}" if claim.value else ""
    word = "too high" if state == "overstated" else "too low"
    tail = "" if favour == "off" else f", {favour}"
    return f"{head}. The seller's number is {word}{share}{tail}."


def _dissent(state: State, best: Result, others: Sequence[tuple[State, Result]]) -> str:
    """Say which decided results differ, and under which conditions."""
    against = [(s, r) for s, r in others if s not in {state, "cannot tell"}]
    if not against:
        return ""
    words = []
    for other, found in against[:3]:
        differing = {k: v for k, v in found.conditions.items() if best.conditions.get(k) != v}
        where = ", ".join(f"{k} {v}" for k, v in differing.items()) or "another take"
        words.append(f"{where}: {other} ({format_value(found.value, found.u, found.unit)})")
    return " Not everywhere: " + "; ".join(words) + "."
