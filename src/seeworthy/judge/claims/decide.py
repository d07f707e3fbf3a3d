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
8.3.2, from memory: acceptance interval inside the tolerance interval), on both sides.

A claim may also speak of a finding (a codec, a picture width, a date stamp). Findings
have no uncertainty: they are equal or they are not, and words that differ are
**contradicted**.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from seeworthy.ground.measurands import Measurand, all_measurands, measurand
from seeworthy.ground.quantities import format_value
from seeworthy.ground.results import Result
from seeworthy.judge.claims.judgement import (
    STATES,
    Claim,
    Favour,
    Judgement,
    State,
    title_of,
)
from seeworthy.judge.claims.tolerance import DEFAULT_TOLERANCE, Tolerance
from seeworthy.procedures import finding

__all__ = ["STATES", "Claim", "Favour", "Judgement", "State", "judge", "judge_all", "title_of"]


def judge(
    claim: Claim,
    results: Iterable[Result],
    tolerance: Tolerance = DEFAULT_TOLERANCE,
    findings: Mapping[str, Sequence[Any]] | None = None,
) -> Judgement:
    """Judge one claim by all results and findings at hand.

    Parameters
    ----------
    claim : Claim
    results : iterable of Result
        Of any measurands; those of the claim's measurand and conditions count. The
        one with the narrowest interval decides, those at room temperature first where
        the claim names none; where another decided one contradicts it, the sentence
        says so.
    tolerance : Tolerance
        Used where the claim has none of its own.
    findings : mapping of name to values, optional
        What every take found.

    Raises
    ------
    WrongCall
        The claim speaks of nothing that can be measured or found.
    """
    rule = claim.tolerance or tolerance
    if claim.subject not in all_measurands() and claim.subject in (findings or {}):
        return judge_finding(claim, (findings or {})[claim.subject], rule)
    if claim.value is None and not claim.silent:
        return _untested(claim, rule, None)
    entry = measurand(claim.subject)
    found = sorted(
        (r for r in results if r.measurand == claim.subject and _same(claim, r)),
        key=lambda r: (_far_from_room(claim, r), r.interval[1] - r.interval[0]),
    )
    if claim.silent or claim.value is None:
        return _silent(claim.subject, claim, found, rule)
    half = rule.half_width(claim.value, entry)
    band = (claim.value - half, claim.value + half)
    if not found:
        return _untested(claim, rule, band)
    best, *rest = found
    state = decide(best.interval, band, entry)
    others = tuple((decide(r.interval, band, entry), r) for r in rest)
    favour = _favour(state, entry.better)
    remark = _remark(claim.value, best, state) + _dissent(state, best, others)
    told = claim.text or f"{claim.value:g} {entry.unit}".strip()
    sentence = f"{title_of(claim.subject)}: claimed {told}, {_measured(best)}. {remark}"
    return Judgement(
        claim.subject, state, favour, claim, best, band, rule, others, sentence, remark=remark
    )


def judge_finding(claim: Claim, values: Sequence[Any], rule: Tolerance) -> Judgement:
    """Judge a claim on a finding by what every take found (plain JSON values)."""
    seen = [v["count"] if isinstance(v, dict) and "count" in v else v for v in values]
    known = [v for v in seen if v is not None and v != "undecided"]
    title = title_of(claim.subject)

    def made(state: State, words: str, favour: Favour = "") -> Judgement:
        found = known[0] if known else None
        return Judgement(
            claim.subject, state, favour, claim, None, None, rule, (), f"{title}: {words}", found
        )

    if claim.silent:
        return made("claimed nothing", "the seller says nothing.")
    told = claim.text or f"{claim.value:g}"
    if not known:
        return made("cannot tell", f"claimed {told}, the takes did not show it.")
    if len({str(v) for v in known}) > 1:
        shown = ", ".join(dict.fromkeys(str(v) for v in known))
        return made("cannot tell", f"claimed {told}, the takes differ: {shown}.")
    value = known[0]
    number = _number(claim)
    if number is not None and isinstance(value, int | float) and not isinstance(value, bool):
        state: State = "confirmed"
        if value != number:
            state = "overstated" if value < number else "understated"
        better = finding(claim.subject).better
        return made(state, f"claimed {told}, found {value:g}.", _favour(state, better))
    agree = _plain_word(told) == _plain_word(value)
    return made(
        "confirmed" if agree else "contradicted",
        f"claimed {told}, found {_shown(value)}.",
        "as claimed" if agree else "off",
    )


def _number(claim: Claim) -> float | None:
    """Return the claimed number; claims on findings are kept as words (``1920 px``)."""
    if claim.value is not None:
        return claim.value
    try:
        return float(claim.text.split()[0])
    except (IndexError, ValueError):
        return None


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def _plain_word(value: Any) -> str:
    word = "".join(c for c in _shown(value).lower() if c.isalnum())
    return {"true": "yes", "false": "no"}.get(word, word)


def judge_all(
    claims: Sequence[Claim],
    results: Sequence[Result],
    tolerance: Tolerance = DEFAULT_TOLERANCE,
    findings: Mapping[str, Sequence[Any]] | None = None,
) -> tuple[Judgement, ...]:
    """Judge every claim, then name what was measured without a claim.

    Returns
    -------
    tuple of Judgement
        Claims in the order given; then one ``claimed nothing`` for each measurand that
        has results but no claim, with its most certain result.
    """
    judged = [judge(c, results, tolerance, findings) for c in claims]
    claimed = {c.subject for c in claims}
    silent: dict[str, list[Result]] = {}
    for item in results:
        if item.measurand not in claimed:
            silent.setdefault(item.measurand, []).append(item)
    for name, found in silent.items():
        found.sort(key=lambda r: r.interval[1] - r.interval[0])
        judged.append(_silent(name, None, found, tolerance))
    return tuple(judged)


def _untested(claim: Claim, rule: Tolerance, band: tuple[float, float] | None) -> Judgement:
    sentence = f"{title_of(claim.subject)}: claimed, but not tested on this bench."
    return Judgement(claim.subject, "not tested", "", claim, None, band, rule, sentence=sentence)


def _silent(
    subject: str, claim: Claim | None, found: Sequence[Result], rule: Tolerance
) -> Judgement:
    state: State = "claimed nothing"
    best = found[0] if found else None
    told = _measured(best) if best else "not measured"
    sentence = f"{title_of(subject)}: {told}; the seller gives no figure."
    others = tuple((state, r) for r in found[1:])
    return Judgement(subject, state, "", claim, best, None, rule, others, sentence)


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


def _far_from_room(claim: Claim, found: Result) -> bool:
    """Tell whether a result was got in the cold or heat that the claim does not speak of."""
    temperature = found.conditions.get("temperature")
    if "temperature" in claim.conditions or not isinstance(temperature, int | float):
        return False
    return not 15 <= temperature <= 30


def _favour(state: State, better: str) -> Favour:
    if state == "confirmed":
        return "as claimed"
    if state not in {"overstated", "understated"}:
        return ""
    if better == "more":
        return "worse than claimed" if state == "overstated" else "better than claimed"
    if better == "less":
        return "better than claimed" if state == "overstated" else "worse than claimed"
    return "off"


def _measured(found: Result) -> str:
    low, high = found.interval
    if math.isinf(high):
        return f"measured at least {low:.4g} {found.unit}".rstrip()
    if math.isinf(low):
        return f"measured at most {high:.4g} {found.unit}".rstrip()
    return f"measured {format_value(found.value, found.u, found.unit)}"


def _remark(claimed: float, best: Result, state: State) -> str:
    if state == "confirmed":
        return "The claim holds."
    if state == "cannot tell":
        return "That is not sharp enough to tell; measure it again."
    # Of the measured value: a claim of twice the truth is 100 % too high.
    off = abs(claimed / best.value - 1) if best.value and math.isfinite(best.value) else 0.0
    share = f" by {off * 100:.2g} %" if 0 < off < 0.995 else f" {off + 1:.2g}-fold" if off else ""
    return f"The seller's number is too {'high' if state == 'overstated' else 'low'}{share}."


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
