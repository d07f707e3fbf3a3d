"""Survival: does a camera measure the same after a flight as before?

'Survived' is shown, not assumed: every figure that was compared must be shown to lie within
the limits that matter (two one-sided tests at 5 %: Schuirmann, J. Pharmacokin. Biopharm. 15
(1987) 657). Not having seen a change is no answer, and one figure more never makes it easier.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.statistics import failure_bound, holm
from seeworthy.ground.uncertainty import effective_dof, interval, two_sided

Verdict = Literal["yes", "no", "cannot tell"]

Answer = Literal["unchanged", "changed", "cannot tell"]

SETUP = {"centre": 0.02, "corners": 0.02, "marked": 0.02, "decentring": 0.02, "timing": 0.0}
"""What setting the target up again changes, share (common practice, no source); not used where
takes that were each set up anew show it."""
MATTERS = {"centre": 0.15, "corners": 0.15, "marked": 0.15, "decentring": 0.20, "timing": 1000.0}
"""A change that matters: share, the same both ways in the logarithm, or ppm (a judgement: an
eye sees a picture softer by a sixth beside the other one)."""
LEVEL = 0.05  # of each one-sided test: a 90 % interval within the limits (Schuirmann 1987)


@dataclass(frozen=True, slots=True)
class SurvivalFigure:
    """One figure of one take: value, standard uncertainty and its degrees of freedom."""

    value: float
    u: float
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class Change:
    """After against before.

    Attributes:
        kind: {"centre", "corners", "marked", "decentring", "timing"}. Sharpness in the middle, in
            the corners and of marked edges are figures of their own.
        value, u: Ratio after/before (1 is unchanged), or ppm for timing (0 is unchanged).
        interval: 95 %.
        p: Probability of as large a change if there were none.
        dof: Welch's degrees of freedom of `u`.
        within: Shown to lie within the limits that matter.
        changed: Another figure than before (Holm-corrected), and not shown to be within them.
    """

    kind: str
    value: float
    u: float
    interval: tuple[float, float]
    p: float
    dof: float = math.inf
    within: bool = False
    changed: bool = False

    @property
    def answer(self) -> Answer:
        """Return what the takes say of this figure."""
        if self.within:
            return "unchanged"
        return "changed" if self.changed else "cannot tell"


@dataclass(frozen=True, slots=True)
class Survival:
    """The verdict, the changes, and the bound of the failure probability per flight."""

    verdict: Verdict
    changes: tuple[Change, ...]
    flights: int
    bound: float | None


def combine(figures: Sequence[SurvivalFigure], floor: float, anew: bool = False) -> SurvivalFigure:
    """Combine repeated takes: mean, with the scatter between them or their own u.

    Args:
        floor: What setting up changes, share of the figure.
        anew: The takes were each set up anew, so that two of them or more show it themselves.
    """
    values = np.array([f.value for f in figures])
    own = math.sqrt(sum(f.u**2 for f in figures)) / len(figures)
    own_dof = effective_dof([(f.u / len(figures), f.dof) for f in figures])
    between = float(values.std(ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else 0.0
    mean = float(values.mean())
    measured = anew and len(values) > 1
    setup = 0.0 if measured else floor * mean / math.sqrt(len(values))
    # Scatter that two or three takes showed is itself known badly.
    few = len(values) - 1.0 if measured or between > own else own_dof
    dof = effective_dof([(max(own, between), few), (setup, math.inf)])
    return SurvivalFigure(mean, math.hypot(max(own, between), setup), dof)


def change(
    kind: str, before: Sequence[SurvivalFigure], after: Sequence[SurvivalFigure], anew: bool = False
) -> Change:
    """Return the change of one figure, before Holm's correction."""
    a, b = combine(before, SETUP[kind], anew), combine(after, SETUP[kind], anew)
    spread = math.hypot(a.u / a.value, b.u / b.value)
    dof = effective_dof([(a.u / a.value, a.dof), (b.u / b.value, b.dof)])
    # Symmetric in the logarithm: half and double are the same change.
    moved = math.log(b.value / a.value)
    ppm = kind == "timing"
    edge = math.log1p(1e-6 * MATTERS[kind]) if ppm else -math.log1p(-MATTERS[kind])
    low, high = interval(moved, spread, dof, coverage=1 - 2 * LEVEL)
    within = -edge < low and high < edge
    z = abs(moved) / spread if spread > 0 else (math.inf if moved else 0.0)
    ends = interval(moved, spread, dof)
    if ppm:
        value, u = 1e6 * math.expm1(moved), 1e6 * spread
        ends = (1e6 * math.expm1(ends[0]), 1e6 * math.expm1(ends[1]))
    else:
        value = math.exp(moved)
        u, ends = value * spread, (math.exp(ends[0]), math.exp(ends[1]))
    return Change(kind, value, u, ends, two_sided(z, dof), dof, within)


def judge(
    before: Mapping[str, Sequence[SurvivalFigure]],
    after: Mapping[str, Sequence[SurvivalFigure]],
    flights: int,
    broken_files: int = 0,
    anew: bool = False,
) -> Survival:
    """Judge a camera's survival.

    Args:
        before, after: mapping of kind to figures. Kinds that only one side has are not compared.
        flights: Flights between the two.
        broken_files: Files after the flight that do not open or hold damaged frames that were not
            there before; they count as failure.
        anew: Every take was set up anew, see `combine`.

    Raises:
        CannotMeasure: Nothing in common.
    """
    kinds = [k for k in SETUP if before.get(k) and after.get(k)]
    if not kinds and not broken_files:
        raise CannotMeasure(
            "Nothing was measured both before and after.",
            "Film the same target before and after the flight, with the same set-up.",
        )
    changes = [change(k, before[k], after[k], anew) for k in kinds]
    corrected = holm([c.p for c in changes])
    changes = [
        replace(c, changed=bool(p < LEVEL) and not c.within)
        for c, p in zip(changes, corrected, strict=True)
    ]
    if broken_files or any(c.changed and _worse(c) for c in changes):
        verdict: Verdict = "no"
    else:
        verdict = "yes" if changes and all(c.within for c in changes) else "cannot tell"
    bound = failure_bound(0, flights) if verdict == "yes" and flights > 0 else None
    return Survival(verdict, tuple(changes), flights, bound)


def _worse(c: Change) -> bool:
    if c.kind == "timing":
        return True
    return c.value > 1 if c.kind == "decentring" else c.value < 1
