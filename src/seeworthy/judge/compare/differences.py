"""Differences between subjects (cameras, units, firmware) under like conditions.

Two values are told apart when their difference is significant at 5 % after Holm's
correction over all pairs of one measurand (Holm 1979). Pairs that are not told
apart are shown as groups; saying "no difference found" is not saying "equal".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.statistics import holm
from seeworthy.ground.uncertainty import Uncertain, coverage_factors, two_sided

Floats = npt.NDArray[np.float64]
LEVEL = 0.05


@dataclass(frozen=True, slots=True)
class Value:
    """One subject's value of one measurand.

    Attributes:
        value, u: Value and standard uncertainty, one unit for all.
        dof: Degrees of freedom behind `u`.
        ends: 95 % interval where one is stated; None for Student's t.
    """

    subject: str
    value: float
    u: float
    dof: float = math.inf
    ends: tuple[float, float] | None = None

    @property
    def interval(self) -> tuple[float, float]:
        """The 95 % interval."""
        return Uncertain(self.value, self.u, self.dof, self.ends).interval


@dataclass(frozen=True, slots=True)
class Difference:
    """Second minus first, with its 95 % interval and probability.

    Attributes:
        p: Two-sided probability of a difference as large if there were none.
        p_corrected: After Holm's correction.
        apart: True when the two are told apart.
    """

    first: str
    second: str
    value: float
    u: float
    interval: tuple[float, float]
    p: float
    p_corrected: float
    apart: bool


def differences(values: Sequence[Value], level: float = LEVEL) -> list[Difference]:
    """Return all pairwise differences of one measurand, Holm-corrected.

    Args:
        values: Like conditions only; that is the caller's duty.
        level: Probability of one false difference or more among all pairs.
    """
    if len(values) < 2:
        return []
    first, second = np.triu_indices(len(values), 1)
    value, u, dof, p = _pairs(values, first, second)
    corrected = holm(p)
    half = coverage_factors(dof) * u
    return [
        Difference(
            values[i].subject,
            values[j].subject,
            float(value[k]),
            float(u[k]),
            (float(value[k] - half[k]), float(value[k] + half[k])),
            float(p[k]),
            float(corrected[k]),
            bool(corrected[k] < level),
        )
        for k, (i, j) in enumerate(zip(first.tolist(), second.tolist(), strict=True))
    ]


def _pairs(
    values: Sequence[Value], first: npt.NDArray[np.intp], second: npt.NDArray[np.intp]
) -> tuple[Floats, Floats, Floats, Floats]:
    x = np.array([v.value for v in values], float)
    u = np.array([v.u for v in values], float)
    dof = np.array([v.dof for v in values], float)
    d = x[second] - x[first]
    var = u[first] ** 2 + u[second] ** 2
    combined = np.sqrt(var)
    # Welch–Satterthwaite.
    bottom = u[first] ** 4 / dof[first] + u[second] ** 4 / dof[second]
    with np.errstate(divide="ignore", invalid="ignore"):
        nu = np.where(bottom > 0, var**2 / bottom, np.inf)
        t = np.where(combined > 0, np.abs(d) / combined, np.where(d == 0, 0.0, np.inf))
    return d, combined, nu, two_sided(t, nu)


def groups(values: Sequence[Value], pairs: Sequence[Difference]) -> list[tuple[str, ...]]:
    """Return groups of subjects that cannot be told apart, best value last.

    Subjects stand in order of value; a group is a run in which no pair is told
    apart, or a pair outside every run that is not told apart either (a wide
    interval on both sides of a narrow one). One subject alone is a group of one.
    """
    order = sorted(range(len(values)), key=lambda i: values[i].value)
    place = {values[i].subject: rank for rank, i in enumerate(order)}
    names = [values[i].subject for i in order]
    n = len(names)
    same = np.ones((n, n), bool)
    for pair in pairs:
        i, j = place[pair.first], place[pair.second]
        same[i, j] = same[j, i] = not pair.apart
    ends = [_run_end(same, start) for start in range(n)]
    runs = [(s, e) for s, e in enumerate(ends) if s == 0 or e > ends[s - 1]]
    found = [tuple(names[s : e + 1]) for s, e in runs]
    covered = np.zeros((n, n), bool)
    for s, e in runs:
        covered[s : e + 1, s : e + 1] = True
    left = np.argwhere(np.triu(same & ~covered, 1))
    return found + [(names[i], names[j]) for i, j in left.tolist()]


def _run_end(same: npt.NDArray[np.bool_], start: int) -> int:
    end = start
    while end + 1 < len(same) and same[start : end + 1, end + 1].all():
        end += 1
    return end
