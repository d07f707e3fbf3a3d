"""What the seller says against what was measured.

A claim is judged with the 95 % interval of the measured value, never with the bare value. Around
the claim lies a band of tolerance that every face shows and a user can set (`Tolerance`). Then

* the whole interval lies inside the band: **confirmed**;
* it lies above the band: **more than claimed**, in the words of the measurand (heavier,
  wider, longer);
* it lies below the band: **less than claimed** (lighter, narrower, shorter);
* it crosses an edge of the band: **cannot tell**.

Whether more is good or bad is another matter and said apart (`Judgement.favour`).

Takes under like conditions are combined before they are judged; of several sets (light,
temperature, unit) the one nearest to ordinary use decides: a bright scene at room temperature,
measured and not predicted, then most takes. The others are named where they say otherwise.

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

from seeworthy.ground.digits import bound_of, interval_text, said_result
from seeworthy.ground.measurands import all_measurands, measurand
from seeworthy.ground.results import Result
from seeworthy.judge.claims.judgement import (
    STATES,
    Claimed,
    Favour,
    Judgement,
    State,
    title_of,
    word_of,
)
from seeworthy.judge.claims.tolerance import DEFAULT_TOLERANCE, Tolerance
from seeworthy.judge.compare.combine import like_sets
from seeworthy.procedures import finding

__all__ = ["STATES", "Claimed", "Favour", "Judgement", "State", "judge", "judge_all", "title_of"]


def judge(
    claim: Claimed,
    results: Iterable[Result],
    tolerance: Tolerance = DEFAULT_TOLERANCE,
    findings: Mapping[str, Sequence[Any]] | None = None,
) -> Judgement:
    """Judge one claim by all results and findings at hand.

    Args:
        results: Of any measurands, one per take; those of the claim's measurand and conditions
            count. Where another set of conditions contradicts the one that decides, the sentence
            says so.
        tolerance: Used where the claim has none of its own.
        findings: mapping of name to values. What every take found.

    Raises:
        WrongCall: The claim speaks of nothing that can be measured or found.
    """
    rule = claim.tolerance or tolerance
    if claim.subject not in all_measurands() and claim.subject in (findings or {}):
        return judge_finding(claim, (findings or {})[claim.subject], rule)
    if claim.value is None and not claim.silent:
        return _untested(claim, rule, None)
    entry = measurand(claim.subject)
    told_of = [r for r in results if _same(claim, r)]
    own = [r for r in told_of if r.measurand == claim.subject]
    if claim.silent or claim.value is None:
        return _silent(claim.subject, claim, like_sets(own, claim.conditions), rule)
    speaking = [r for r in told_of if r.measurand == entry.stricter] or own
    sets = like_sets(speaking, claim.conditions)
    half = rule.half_width(claim.value, entry)
    band = (claim.value - half, claim.value + half)
    if not sets:
        return _untested(claim, rule, band)
    (best, takes), *rest = sets
    state = decide(best.interval, band)
    others = tuple((decide(r.interval, band), r) for r, _ in rest)
    favour = _favour(state, entry.better)
    remark = _remark(claim.value, best, state) + _dissent(state, best, others)
    told = claim.text or f"{claim.value:g} {entry.unit}".strip()
    unit = str(best.conditions.get("unit", ""))
    on = f", unit {unit}" if unit else ""
    if best.measurand != claim.subject:
        on += f", {title_of(best.measurand)}"
    sentence = f"{title_of(claim.subject)}: claimed {told}, {_measured(best)}{on}. {remark}"
    return Judgement(
        claim.subject, state, favour, claim, best, band, rule, others, sentence, remark=remark,
        takes=takes, specimen=unit,
    )  # fmt: skip


def judge_finding(claim: Claimed, values: Sequence[Any], rule: Tolerance) -> Judgement:
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
            state = "less than claimed" if value < number else "more than claimed"
        better = finding(claim.subject).better
        return made(state, f"claimed {told}, found {value:g}.", _favour(state, better))
    agree = _plain_word(told) == _plain_word(value)
    return made(
        "confirmed" if agree else "contradicted",
        f"claimed {told}, found {_shown(value)}.",
        "as claimed" if agree else "off",
    )


def _number(claim: Claimed) -> float | None:
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
    claims: Sequence[Claimed],
    results: Sequence[Result],
    tolerance: Tolerance = DEFAULT_TOLERANCE,
    findings: Mapping[str, Sequence[Any]] | None = None,
) -> tuple[Judgement, ...]:
    """Judge every claim, then name what was measured without a claim.

    Returns:
        Claims in the order given; then one ``claimed nothing`` for each measurand that
        has results but no claim.
    """
    judged = [judge(c, results, tolerance, findings) for c in claims]
    claimed = {c.subject for c in claims}
    silent: dict[str, list[Result]] = {}
    for item in results:
        if item.measurand not in claimed:
            silent.setdefault(item.measurand, []).append(item)
    for name, found in silent.items():
        judged.append(_silent(name, None, like_sets(found), tolerance))
    return tuple(judged)


def _untested(claim: Claimed, rule: Tolerance, band: tuple[float, float] | None) -> Judgement:
    sentence = f"{title_of(claim.subject)}: claimed, but not tested on this bench."
    return Judgement(claim.subject, "not tested", "", claim, None, band, rule, sentence=sentence)


def _silent(
    subject: str, claim: Claimed | None, sets: Sequence[tuple[Result, int]], rule: Tolerance
) -> Judgement:
    state: State = "claimed nothing"
    best, takes = sets[0] if sets else (None, 0)
    told = _measured(best) if best else "not measured"
    # Nothing entered is our silence, not the seller's.
    why = "no claim entered" if claim is None else "the seller gives no figure"
    sentence = f"{title_of(subject)}: {told}; {why}."
    others = tuple((state, r) for r, _ in sets[1:])
    return Judgement(
        subject, state, "", claim, best, None, rule, others, sentence, takes=takes,
        specimen=str(best.conditions.get("unit", "")) if best else "",
    )  # fmt: skip


def decide(interval: tuple[float, float], band: tuple[float, float]) -> State:
    """Compare a 95 % interval with the band of a claim.

    Args:
        interval, band: (low, high). In the unit of the measurand.
    """
    low, high = interval
    if high < band[0]:
        return "less than claimed"
    if low > band[1]:
        return "more than claimed"
    return "confirmed" if band[0] <= low and high <= band[1] else "cannot tell"


def _same(claim: Claimed, found: Result) -> bool:
    return all(found.conditions.get(k) == v for k, v in claim.conditions.items())


def _favour(state: State, better: str) -> Favour:
    if state == "confirmed":
        return "as claimed"
    if state not in {"more than claimed", "less than claimed"}:
        return ""
    if better not in {"more", "less"}:
        return "off"
    more_is_good = better == "more"
    return (
        "better than claimed"
        if (state == "more than claimed") == more_is_good
        else "worse than claimed"
    )


def _measured(found: Result) -> str:
    """Say a value with the interval that decides."""
    if bound_of(found):
        return f"measured {said_result(found)}"
    ends = interval_text(*found.interval, found.u, found.unit)
    return f"measured {said_result(found)} (95 %: {ends})"


def _remark(claimed: float, best: Result, state: State) -> str:
    if state == "confirmed":
        return "The claim holds."
    if state == "cannot tell":
        return "The interval crosses the edge of the tolerance; measure it again."
    # Of the measured value: a claim of twice the truth is 100 % too high.
    off = abs(claimed / best.value - 1) if best.value and math.isfinite(best.value) else 0.0
    share = f" by {off * 100:.2g} %" if 0 < off < 0.995 else f" {off + 1:.2g}-fold" if off else ""
    way = "high" if state == "less than claimed" else "low"
    word = word_of(best.measurand, state)
    return f"{word[:1].upper()}{word[1:]}: the seller's number is too {way}{share}."


def _dissent(state: State, best: Result, others: Sequence[tuple[State, Result]]) -> str:
    """Say which decided results differ, and under which conditions."""
    against = [(s, r) for s, r in others if s not in {state, "cannot tell"}]
    if not against:
        return ""
    words = []
    for other, found in against[:3]:
        differing = {k: v for k, v in found.conditions.items() if best.conditions.get(k) != v}
        where = ", ".join(f"{k} {v}" for k, v in differing.items()) or "another take"
        word = word_of(found.measurand, other)
        words.append(f"{where}: {word} ({said_result(found)})")
    return " Not everywhere: " + "; ".join(words) + "."
