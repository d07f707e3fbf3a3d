"""One figure of a plan: value, interval, chance and verdict, or what is missing for it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seeworthy.ground.uncertainty import of_draws
from seeworthy.judge.plan.camera import Draws

NO_VIEW = "Measure the angle of view (view or lens) and look at a clip (stream)."


@dataclass(frozen=True)
class Prediction:
    """One figure of the plan.

    Attributes:
        value: Median; None when a figure of the camera or of the plan is missing.
        interval: 95 %.
        u: Standard deviation of the draws.
        chance: Probability that it is acceptable; None when nothing was asked for.
        verdict: ``fine``, ``may not do``, ``will not do``, ``not known``, ``told`` (no limit
            asked).
        bound: What it was held against; `least`: from below.
        why: One sentence: from what it follows.
        missing: Which test or which line of the plan would answer it.
    """

    name: str
    title: str
    unit: str
    value: float | None = None
    interval: tuple[float, float] | None = None
    u: float | None = None
    chance: float | None = None
    verdict: str = "not known"
    why: str = ""
    missing: str = ""
    bound: float | None = None
    least: bool = False

    @property
    def limit(self) -> str:
        """The bound in words, empty without one."""
        if self.bound is None:
            return ""
        return f"at {'least' if self.least else 'most'} {self.bound:g} {self.unit}".strip()


def judged(
    name: str,
    title: str,
    unit: str,
    draws: Draws,
    limit: float | None,
    why: str,
    *,
    least: bool = False,
) -> Prediction:
    """Return a figure drawn, held against the largest (or least) acceptable value."""
    middle, u, ends = of_draws(draws)
    chance, verdict = None, "told"
    if limit is not None:
        chance = float(np.mean(draws >= limit if least else draws <= limit))
        verdict = word(chance)
    return Prediction(
        name, title, unit, middle, ends, u, chance, verdict, why, bound=limit, least=least
    )


def word(chance: float) -> str:
    """Return the verdict of a probability of being acceptable."""
    if chance >= 0.95:
        return "fine"
    return "will not do" if chance <= 0.05 else "may not do"


def not_known(name: str, title: str, unit: str, missing: str) -> list[Prediction]:
    """Return a figure that the plan asks for and nobody can tell, with what would tell it."""
    return [Prediction(name, title, unit, missing=missing)]
