"""Survival: does a camera measure the same after a flight as before?

'Survived' is a statement with intervals: no figure changed significantly (Holm-corrected
over all that were compared), and the intervals are narrow enough that a change that
matters would have been seen.
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

# Setting the target up again changes a figure a little (common practice, no source).
SETUP = {"sharpness": 0.02, "decentring": 0.02, "timing": 0.0}
# A change of this much would matter; an interval wider than it cannot tell (our choice).
MATTERS = {"sharpness": 0.15, "decentring": 0.20, "timing": 1000.0}
LEVEL = 0.05


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of one take: value, standard uncertainty and its degrees of freedom."""

    value: float
    u: float
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class Change:
    """After against before.

    Attributes
    ----------
    kind : {"sharpness", "decentring", "timing"}
    value, u : float
        Ratio after/before (1 is unchanged), or ppm for timing (0 is unchanged).
    interval : (float, float)
        95 %.
    p : float
        Probability of as large a change if there were none.
    dof : float
        Welch's degrees of freedom of `u`.
    changed : bool
        Significant after Holm's correction.
    seen : bool
        A change that matters would have been seen.
    """

    kind: str
    value: float
    u: float
    interval: tuple[float, float]
    p: float
    dof: float = math.inf
    changed: bool = False
    seen: bool = True


@dataclass(frozen=True, slots=True)
class Survival:
    """The verdict, the changes, and the bound of the failure probability per flight."""

    verdict: Verdict
    changes: tuple[Change, ...]
    flights: int
    bound: float | None


def combine(figures: Sequence[Figure], floor: float) -> Figure:
    """Combine repeated takes: mean, with the scatter between them or their own u."""
    values = np.array([f.value for f in figures])
    own = math.sqrt(sum(f.u**2 for f in figures)) / len(figures)
    between = float(values.std(ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else 0.0
    mean = float(values.mean())
    setup = floor * mean / math.sqrt(len(values))
    # Scatter that two or three takes showed is itself known badly.
    few = len(values) - 1.0 if between > own else math.inf
    dof = effective_dof([(max(own, between), few), (setup, math.inf)])
    return Figure(mean, math.hypot(max(own, between), setup), dof)


def change(kind: str, before: Sequence[Figure], after: Sequence[Figure]) -> Change:
    """Return the change of one figure, before Holm's correction."""
    a, b = combine(before, SETUP[kind]), combine(after, SETUP[kind])
    dof = effective_dof([(a.u / a.value, a.dof), (b.u / b.value, b.dof)])
    if kind == "timing":
        value = (b.value / a.value - 1) * 1e6
        u = 1e6 * math.hypot(a.u, b.u) / a.value
        neutral, (low, high) = 0.0, interval(value, u, dof)
        z = abs(value) / u if u > 0 else (math.inf if value else 0.0)
    else:
        value = b.value / a.value
        spread = math.hypot(a.u / a.value, b.u / b.value)
        u = value * spread
        # Symmetric in the logarithm: half and double are the same change.
        low, high = (value * math.exp(end) for end in interval(0.0, spread, dof))
        neutral = 1.0
        z = abs(math.log(value)) / spread if spread > 0 else (math.inf if value != 1 else 0.0)
    matters = MATTERS[kind]
    seen = high - neutral < matters + abs(value - neutral) and (high - low) / 2 < matters
    return Change(kind, value, u, (low, high), two_sided(z, dof), dof, seen=bool(seen))


def judge(
    before: Mapping[str, Sequence[Figure]],
    after: Mapping[str, Sequence[Figure]],
    flights: int,
    broken_files: int = 0,
) -> Survival:
    """Judge a camera's survival.

    Parameters
    ----------
    before, after : mapping of kind to figures
        Kinds that only one side has are not compared.
    flights : int
        Flights between the two.
    broken_files : int
        Files after the flight that do not open or hold damaged frames that were not there
        before; they count as failure.

    Raises
    ------
    CannotMeasure
        Nothing in common.
    """
    kinds = [k for k in SETUP if before.get(k) and after.get(k)]
    if not kinds and not broken_files:
        raise CannotMeasure(
            "Nothing was measured both before and after.",
            "Film the same target before and after the flight, with the same set-up.",
        )
    changes = [change(k, before[k], after[k]) for k in kinds]
    corrected = holm([c.p for c in changes])
    changes = [replace(c, changed=bool(p < LEVEL)) for c, p in zip(changes, corrected, strict=True)]
    if broken_files or any(c.changed and _worse(c) for c in changes):
        verdict: Verdict = "no"
    elif any(c.changed for c in changes) or not all(c.seen for c in changes):
        verdict = "cannot tell"
    else:
        verdict = "yes"
    bound = failure_bound(0, flights) if verdict == "yes" and flights > 0 else None
    return Survival(verdict, tuple(changes), flights, bound)


def _worse(c: Change) -> bool:
    if c.kind == "timing":
        return True
    return c.value < 1 if c.kind == "sharpness" else c.value > 1
