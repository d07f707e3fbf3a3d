"""What a camera is good and bad for, in sentences: every purpose, its rank, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from seeworthy.ground.digits import number, spread_of, with_unit
from seeworthy.judge.purpose.rank import LimitState, Measure, Ranking, Suited, WishState


@dataclass(frozen=True, slots=True)
class Fitness:
    """How well one camera suits one purpose.

    Attributes:
        purpose, title: Name and title of the purpose.
        grade: As in `seeworthy.judge.purpose.rank.Suited`.
        score: 0 to 1, mean over the draws.
        place: Its rank among the cameras of the bench, in words.
        why: One sentence: what decides.
        rests: How much of what the purpose asks for was tested.
    """

    purpose: str
    title: str
    grade: str
    score: float
    place: str
    why: str
    rests: str


def fitness(rankings: Mapping[str, Ranking], camera: str) -> tuple[Fitness, ...]:
    """Return the purposes that cameras were ranked for, held against one camera; the best first."""
    found = [
        _fitness(ranking, one)
        for ranking in rankings.values()
        for one in ranking.cameras
        if one.camera == camera
    ]
    order = ("fits well", "fits", "fits barely", "not known", "does not fit")
    return tuple(sorted(found, key=lambda f: (order.index(f.grade), -f.score, f.title)))


def _fitness(ranking: Ranking, one: Suited) -> Fitness:
    asked = len(one.limits) + len(one.wishes)
    found = [s.found for s in one.limits] + [s.found for s in one.wishes]
    tested = sum(f is not None for f in found)
    return Fitness(
        ranking.purpose.name,
        ranking.purpose.title,
        one.grade,
        one.score,
        _place(ranking, one),
        _why(one),
        f"rests on {tested} of {asked} figures that it asks for",
    )


def _place(ranking: Ranking, one: Suited) -> str:
    count = len(ranking.cameras)
    if count < 2:
        return "the only camera on the bench"
    first = max(ranking.cameras, key=lambda c: c.ranks[0])
    if one.grade in ("does not fit", "not known"):
        fits = first.grade in ("fits well", "fits")
        return f"not ranked; {first.camera} {first.grade}" if fits else "not ranked"
    likely = max(range(count), key=lambda k: one.ranks[k])
    place = "first" if likely == 0 else "last" if likely == count - 1 else f"number {likely + 1}"
    chance = one.ranks[likely]
    # The words of a probability: nine in ten and even odds are a judgement.
    sure = "" if chance >= 0.9 else "probably " if chance >= 0.5 else "perhaps "
    said = f"{sure}{place} of {count} cameras"
    return said if first is one else f"{said}; {first.camera} comes first"


def _why(one: Suited) -> str:
    broken = [s for s in one.limits if s.word == "broken"]
    if broken:
        return f"It breaks a limit: {_limit(broken[0])}."
    unknown = [s for s in one.limits if s.word == "not tested"]
    if unknown:
        return f"Nobody can say before {unknown[0].limit.measurand.title} is tested."
    open_ = [s for s in one.limits if s.word == "cannot tell"]
    if open_:
        return f"It may break a limit: {_limit(open_[0])}."
    if one.grade == "not known":
        missing = [w.wish.measurand.title for w in one.wishes if w.found is None]
        return f"Too little is tested: {_listed(missing)}."
    return _wishes([w for w in one.wishes if w.found is not None])


def _wishes(known: Sequence[WishState]) -> str:
    if not known:
        return "Every limit is kept."
    best = max(known, key=lambda w: (w.desirability, w.wish.weight))
    worst = max(known, key=lambda w: w.share)
    # Two thirds and a third of what is wished for: a judgement.
    good = f"{best.wish.measurand.title} {_value(best)}" if best.desirability >= 0.67 else ""
    bad = f"{worst.wish.measurand.title} {_value(worst)}" if worst.desirability < 0.67 else ""
    if bad:
        bad = f"Weakest: {bad} ({worst.wish.asked}). {worst.wish.why}"
        return f"Good: {good}. {bad}" if good else bad
    return f"Good: {good}. {best.wish.why}" if good else "It does middling on all that is asked."


def _limit(state: LimitState) -> str:
    limit = state.limit
    have = "" if state.found is None else f" {_shown(state.found, limit.measurand.unit)}"
    told = f"{limit.measurand.title}{have} where {limit.bounds} is asked. {limit.why}"
    return told.rstrip(".")


def _value(state: WishState) -> str:
    assert state.found is not None
    return _shown(state.found, state.wish.measurand.unit)


def _shown(found: Measure, unit: str) -> str:
    return with_unit(number(found.value, spread_of(*found.interval, found.u)), unit)


def _listed(words: Sequence[str]) -> str:
    shown = list(dict.fromkeys(words))
    return ", ".join(shown[:3]) + (f" and {len(shown) - 3} more" if len(shown) > 3 else "")
