"""How well cameras suit a purpose: score, probability of every rank, what drives it.

The rule, whole (docs/suit.md tells it with an example): every measured figure is drawn by
its uncertainty (JCGM 101:2008) and turned into a desirability of 0 to 1 (Derringer and Suich,
1980); a draw's score is the weighted geometric mean of them, 0 where a hard limit is broken;
the camera's score is the mean over the draws. A wish that was not tested is drawn evenly
between 0 and one half, so that a missing test widens a score and never flatters it. A hard
limit that was not tested counts as kept for the score's own camera in half of the draws, and
as broken where cameras are set against each other: what nobody tested comes first nowhere.
Draws of a camera are its own, so that its score does not change with the company it is in.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.uncertainty import Uncertain, coverage_factor
from seeworthy.judge.purpose.desirability import one_sided, overall, two_sided
from seeworthy.judge.purpose.model import Limit, Purpose, Wish

Floats = npt.NDArray[np.float64]
DRAWS = 10_000  # shares to half a percent (derived)
# More cameras than this get fewer draws each, so that hundreds are ranked in the time and memory
# of these; with the least a probability is still within 2.2 points (95 %). A judgement.
_FULL_DRAWS, _LEAST_DRAWS = 64, 2_000
_UNTESTED_KEPT = 0.5  # nothing is known of it: a judgement
_UNTESTED_BEST = 0.5  # at best the middle of what was asked for: a judgement


Measure = Uncertain
"""A camera's figure for one measurand."""


@dataclass(frozen=True, slots=True)
class LimitState:
    """A hard limit held against one camera: `kept` is the probability, None untested."""

    limit: Limit
    found: Measure | None
    kept: float | None

    @property
    def word(self) -> str:
        """``kept``, ``broken``, ``cannot tell`` or ``not tested``."""
        if self.kept is None:
            return "not tested"
        if self.kept >= 0.95:
            return "kept"
        return "broken" if self.kept <= 0.05 else "cannot tell"


@dataclass(frozen=True, slots=True)
class WishState:
    """A wish held against one camera.

    Attributes:
        desirability: Mean over the draws, 0 to 1.
        interval: 95 % of the draws.
        share: Part of what the camera loses against a perfect one that is due to this wish.
    """

    wish: Wish
    found: Measure | None
    desirability: float
    interval: tuple[float, float]
    share: float


@dataclass(frozen=True, slots=True)
class Suited:
    """One camera's fitness.

    Attributes:
        score: Mean overall desirability over the draws, 0 to 1; a broken limit makes it 0.
        interval: 95 % of the draws.
        ranks: Probability of being first, second, ...
        grade: ``fits well``, ``fits``, ``fits barely``, ``does not fit``, ``not known``.
    """

    camera: str
    score: float
    interval: tuple[float, float]
    ranks: tuple[float, ...]
    grade: str
    limits: tuple[LimitState, ...]
    wishes: tuple[WishState, ...]


@dataclass(frozen=True, slots=True)
class NextTest:
    """A missing test and what it is worth: expected gain in the score of the camera chosen."""

    camera: str
    measurand: str
    worth: float


@dataclass(frozen=True, slots=True)
class Ranking:
    """Cameras in order of their ranks' probabilities, and which tests are worth doing.

    `notes`: what a reader must know, figures that could not be ranked by.
    """

    purpose: Purpose
    cameras: tuple[Suited, ...]
    next_tests: tuple[NextTest, ...]
    draws: int
    notes: tuple[str, ...] = ()

    @property
    def said(self) -> tuple[str, ...]:
        """The notes, and how many draws it rests on where they are fewer than usual."""
        if self.draws >= DRAWS or not self.cameras:
            return self.notes
        # Half the 95 % interval of a share of one half, the widest (binomial).
        off = 100 * coverage_factor() * (0.25 / self.draws) ** 0.5
        fewer = (
            f"Every figure was drawn {self.draws:,} times, not {DRAWS:,}: "
            f"probabilities are within {off:.1f} points (95 %)."
        )
        return (*self.notes, fewer)

    @property
    def worth_doing(self) -> tuple[NextTest, ...]:
        """The few tests that gain half a point of a hundred or more (a judgement)."""
        return tuple(t for t in self.next_tests if t.worth >= 0.005)[:5]


def draws_for(cameras: int) -> int:
    """Return how many draws each of so many cameras gets."""
    return max(_LEAST_DRAWS, min(DRAWS, DRAWS * _FULL_DRAWS // max(cameras, 1)))


def key_of(item: Limit | Wish) -> str:
    """Return the key under which a camera's figure for a limit or wish is looked up."""
    where = ",".join(f"{k}={item.where[k]}" for k in sorted(item.where))
    return f"{item.measurand.id}@{where}" if where else item.measurand.id


def rank(
    purpose: Purpose,
    cameras: Mapping[str, Mapping[str, Measure]],
    *,
    draws: int | None = None,
    seed: int = 1,
) -> Ranking:
    """Rank cameras for a purpose.

    Args:
        cameras: mapping of camera to mapping of `key_of` to Measure. A missing key is a missing
            test.
    """
    names = list(cameras)
    draws = draws or draws_for(len(names))
    if not names:
        return Ranking(purpose, (), (), draws)
    desires = _desires(purpose.wishes, cameras, draws, seed)  # (cameras, wishes, draws)
    kept = _kept(purpose.limits, cameras, draws, seed)  # (cameras, limits, draws)
    weights = np.array([w.weight for w in purpose.wishes])
    base = (
        overall(np.moveaxis(desires, 1, 2), weights)
        if purpose.wishes
        else np.ones((len(names), draws))
    )
    scores = base * kept.all(axis=1)
    tested = [all(key_of(item) in cameras[name] for item in purpose.limits) for name in names]
    ranks = _rank_shares(scores * np.array(tested)[:, None], np.random.default_rng(seed))
    # All quantiles in one call: a call each costs more than the sorting.
    ends = np.quantile(scores, (0.025, 0.975), axis=1)
    wish_ends = np.quantile(desires, (0.025, 0.975), axis=2)
    found = [
        _suited(
            name,
            purpose,
            cameras[name],
            scores[i],
            (ends[:, i], wish_ends[:, i]),
            ranks[i],
            desires[i],
            weights,
        )
        for i, name in enumerate(names)
    ]
    before = dict(zip(names, (-ranks).tolist(), strict=True))
    found.sort(key=lambda s: (before[s.camera], -s.score, s.camera))
    tests = _worth(purpose, cameras, names, scores, desires, kept)
    return Ranking(purpose, tuple(found), tests, draws)


def _own(seed: int, camera: str, key: str) -> np.random.Generator:
    """Return the draws of one figure of one camera: the same in any company."""
    return np.random.default_rng([seed, zlib.crc32(camera.encode()), zlib.crc32(key.encode())])


def _desire(wish: Wish, x: Floats) -> Floats:
    if wish.worst is not None and wish.best is not None:
        return one_sided(x, wish.worst, wish.best, wish.shape)
    assert wish.low is not None
    assert wish.aim is not None
    assert wish.high is not None
    return two_sided(x, wish.low, wish.aim, wish.high, (wish.shape, wish.shape))


def _desires(
    wishes: Sequence[Wish], cameras: Mapping[str, Mapping[str, Measure]], draws: int, seed: int
) -> Floats:
    found = np.empty((len(cameras), len(wishes), draws))
    keys = [key_of(wish) for wish in wishes]
    for i, (name, figures) in enumerate(cameras.items()):
        for k, (key, wish) in enumerate(zip(keys, wishes, strict=True)):
            rng = _own(seed, name, key)
            if key in figures:
                found[i, k] = _desire(wish, figures[key].draws(rng, draws))
            else:
                found[i, k] = rng.uniform(0.0, _UNTESTED_BEST, draws)
    return found


def _kept(
    limits: Sequence[Limit], cameras: Mapping[str, Mapping[str, Measure]], draws: int, seed: int
) -> npt.NDArray[np.bool_]:
    found = np.ones((len(cameras), len(limits), draws), bool)
    keys = [key_of(limit) for limit in limits]
    for i, (name, figures) in enumerate(cameras.items()):
        for k, (key, limit) in enumerate(zip(keys, limits, strict=True)):
            rng = _own(seed, name, key)
            if key not in figures:
                found[i, k] = rng.random(draws) < _UNTESTED_KEPT
                continue
            x = figures[key].draws(rng, draws)
            found[i, k] &= limit.least is None or x >= limit.least
            found[i, k] &= limit.most is None or x <= limit.most
    return found


def limit_kept(limit: Limit, measure: Measure) -> float:
    """Return the probability that a measured figure keeps a limit."""
    least = -math.inf if limit.least is None else limit.least
    return measure.chance(least, math.inf if limit.most is None else limit.most)


def _rank_shares(scores: Floats, rng: np.random.Generator) -> Floats:
    # Equal scores (two broken cameras) share their ranks by lot, not by the alphabet.
    n, draws = scores.shape
    jitter = rng.random(scores.shape) * 1e-12
    order = np.argsort(-(scores + jitter), axis=0)
    places = order + n * np.arange(n)[:, None]
    return np.asarray(np.bincount(places.ravel(), minlength=n * n).reshape(n, n).T / draws)


def _suited(
    name: str,
    purpose: Purpose,
    figures: Mapping[str, Measure],
    scores: Floats,
    ends: tuple[Floats, Floats],
    ranks: Floats,
    desires: Floats,
    weights: Floats,
) -> Suited:
    states = []
    for limit in purpose.limits:
        measure = figures.get(key_of(limit))
        kept = None if measure is None else limit_kept(limit, measure)
        states.append(LimitState(limit, measure, kept))
    wishes = _wish_states(purpose.wishes, figures, desires, ends[1], weights)
    low, high = ends[0]
    score = float(scores.mean())
    grade = _grade(score, states, wishes)
    interval = (float(low), float(high))
    return Suited(name, score, interval, tuple(ranks.tolist()), grade, tuple(states), wishes)


def _wish_states(
    wishes: Sequence[Wish],
    figures: Mapping[str, Measure],
    desires: Floats,
    ends: Floats,
    weights: Floats,
) -> tuple[WishState, ...]:
    means = desires.mean(axis=1) if len(wishes) else np.zeros(0)
    losses = -weights * np.log(np.maximum(means, 1e-6))
    total = float(losses.sum())
    return tuple(
        WishState(
            wish,
            figures.get(key_of(wish)),
            float(means[k]),
            (float(ends[0, k]), float(ends[1, k])),
            float(losses[k] / total) if total > 0 else 0.0,
        )
        for k, wish in enumerate(wishes)
    )


FITS = 0.4
"""Least score of a camera that fits; below, no limit is broken, but little of what is wished is
there. A judgement, as 0.7 for well and 0.05 for at all."""


def _grade(score: float, limits: Sequence[LimitState], wishes: Sequence[WishState]) -> str:
    if any(s.word == "broken" for s in limits):
        return "does not fit"
    untested = sum(w.wish.weight for w in wishes if w.found is None)
    total = sum(w.wish.weight for w in wishes)
    if any(s.word in ("not tested", "cannot tell") for s in limits) or untested > total / 2:
        return "not known"
    if score >= 0.7:
        return "fits well"
    if score >= FITS:
        return "fits"
    return "fits barely" if score > 0.05 else "does not fit"


def _worth(
    purpose: Purpose,
    cameras: Mapping[str, Mapping[str, Measure]],
    names: Sequence[str],
    scores: Floats,
    desires: Floats,
    kept: npt.NDArray[np.bool_],
) -> tuple[NextTest, ...]:
    """Expected value of each missing test: how much better one would choose, knowing it.

    Draws of cameras are independent, so that a test moves the mean score of its own camera
    alone; one would choose it where that passes the best of the others.
    """
    means = scores.mean(axis=1)
    top = int(np.argmax(means))
    second = float(np.delete(means, top).max()) if len(names) > 1 else 0.0
    found: dict[tuple[str, str], float] = {}

    def add(i: int, measurand: str, groups: npt.NDArray[Any]) -> None:
        others = second if i == top else float(means[top])
        sums = np.bincount(groups, scores[i])
        counts = np.bincount(groups)
        known = sums[counts > 0] / counts[counts > 0]
        chosen = float(np.average(np.maximum(known, others), weights=counts[counts > 0]))
        key = (names[i], measurand)
        found[key] = max(found.get(key, 0.0), chosen - max(float(means[i]), others))

    # Which wish or limit of which camera is not tested; all deciles in one call.
    keys = [[key_of(item) for item in items] for items in (purpose.wishes, purpose.limits)]
    wishes, limits = (
        [(i, k) for i, name in enumerate(names) for k, key in enumerate(those)
         if key not in cameras[name]]
        for those in keys
    )  # fmt: skip
    drawn = np.array([desires[i, k] for i, k in wishes]).reshape(len(wishes), scores.shape[1])
    edges = np.quantile(drawn, np.linspace(0, 1, 11)[1:-1], axis=1).T if wishes else ()
    for (i, k), x, ends in zip(wishes, drawn, edges, strict=True):
        add(i, purpose.wishes[k].measurand.id, np.searchsorted(ends, x))
    for i, k in limits:
        add(i, purpose.limits[k].measurand.id, kept[i, k].astype(int))
    tests = [NextTest(c, m, max(0.0, w)) for (c, m), w in found.items()]
    return tuple(sorted(tests, key=lambda t: (-t.worth, t.camera, t.measurand)))
