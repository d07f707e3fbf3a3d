"""Differences between subjects (cameras, units, firmware) under like conditions.

Two values are told apart when their difference is significant at 5 % after Holm's
correction over all pairs of one measurand (Holm 1979). Pairs that are not told
apart are shown as groups; saying "no difference found" is not saying "equal".
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import overload

import numpy as np
import numpy.typing as npt

from seeworthy.ground.statistics import holm
from seeworthy.ground.uncertainty import Uncertain, coverage_factors, two_sided

Floats = npt.NDArray[np.float64]
LEVEL = 0.05  # of error of a family of comparisons; the usual choice
COMMON = 0.5
"""How much of the variance that is stated for a reading is the instrument's own in a difference
of two results that read it, the rest being the act of reading (where the tape's end lay, the last
digit): a judgement between 0 and 1, as nobody states the two apart (JCGM 100:2008, F.1.2.3)."""


@dataclass(frozen=True, slots=True)
class Value:
    """One subject's value of one measurand.

    Attributes:
        value, u: Value and standard uncertainty, one unit for all.
        dof: Degrees of freedom behind `u`.
        ends: 95 % interval where one is stated; None for Student's t.
        shared: Parts of `u` that are an instrument's, signed, by instrument and reading.
    """

    subject: str
    value: float
    u: float
    dof: float = math.inf
    ends: tuple[float, float] | None = None
    shared: Mapping[str, float] = field(default_factory=dict)

    @property
    def interval(self) -> tuple[float, float]:
        """The 95 % interval."""
        return Uncertain(self.value, self.u, self.dof, self.ends).interval


@dataclass(frozen=True, slots=True)
class Difference:
    """Second minus first, with its 95 % interval and probability.

    Attributes:
        p: Two-sided probability of a difference as large if there were none; 1 where bounds allow
            any smaller one.
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


class Pairs(Sequence[Difference]):
    """All pairwise differences of one measurand, made into objects only where asked for.

    Three hundred cameras are 50,000 pairs a measurand: kept are the probabilities alone.

    Args:
        p, corrected: array, (n (n - 1) / 2,). In the order of ``numpy.triu_indices(n, 1)``; left
            out, `p` is corrected over these pairs alone (Holm) where that is asked for.
    """

    __slots__ = ("_corrected", "_level", "_values", "p")

    def __init__(
        self,
        values: Sequence[Value],
        p: Floats,
        corrected: Floats | None = None,
        level: float = LEVEL,
    ) -> None:
        self._values, self.p, self._corrected, self._level = tuple(values), p, corrected, level

    @property
    def _after(self) -> Floats:
        if self._corrected is None:
            self._corrected = holm(self.p)
        return self._corrected

    def corrected_to(self, corrected: Floats) -> Pairs:
        """Return the same pairs with probabilities that were corrected over more than these."""
        return Pairs(self._values, self.p, corrected, self._level)

    @property
    def same(self) -> npt.NDArray[np.bool_]:
        """Which two, by place in the values, are not told apart; shape (n, n)."""
        n = len(self._values)
        found = np.ones((n, n), bool)
        first, second = np.triu_indices(n, 1)
        found[first, second] = found[second, first] = self._after >= self._level
        return found

    def among(self, places: Sequence[int]) -> Pairs:
        """Return the pairs of some of the values, places in rising order."""
        n = len(self._values)
        number = np.zeros((n, n), int)
        number[np.triu_indices(n, 1)] = np.arange(len(self.p))
        some = np.asarray(places, int)
        first, second = np.triu_indices(len(some), 1)
        chosen = number[some[first], some[second]]
        values = [self._values[i] for i in places]
        return Pairs(values, self.p[chosen], self._after[chosen], self._level)

    def __len__(self) -> int:
        return len(self.p)

    @overload
    def __getitem__(self, key: int) -> Difference: ...
    @overload
    def __getitem__(self, key: slice) -> list[Difference]: ...
    def __getitem__(self, key: int | slice) -> Difference | list[Difference]:
        if isinstance(key, slice):
            return self._made(np.arange(len(self))[key])
        return self._made(np.array([range(len(self))[key]]))[0]

    def __iter__(self) -> Iterator[Difference]:
        return iter(self[:])

    def _made(self, chosen: npt.NDArray[np.intp]) -> list[Difference]:
        first, second = (side[chosen] for side in np.triu_indices(len(self._values), 1))
        value, u, dof = _gaps(self._values, first, second)
        half = coverage_factors(dof) * u
        least, most = _open(self._values, first, second)
        low, high = value - half + least, value + half + most
        names = [v.subject for v in self._values]
        return [
            Difference(
                names[first[k]],
                names[second[k]],
                float(value[k]),
                float(u[k]),
                (float(low[k]), float(high[k])),
                float(self.p[at]),
                float(self._after[at]),
                bool(self._after[at] < self._level),
            )
            for k, at in enumerate(chosen.tolist())
        ]


def differences(values: Sequence[Value], level: float = LEVEL) -> Pairs:
    """Return all pairwise differences of one measurand, Holm-corrected.

    Args:
        values: Like conditions only; that is the caller's duty.
        level: Probability of one false difference or more among all pairs.
    """
    first, second = np.triu_indices(len(values), 1)
    gap, u, dof = _gaps(values, first, second)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(u > 0, np.abs(gap) / u, np.where(gap == 0, 0.0, np.inf))
    least, most = _open(values, first, second)
    # A bound may lie anywhere on its open side: it tells apart on the other one only.
    p = np.where(np.where(gap > 0, np.isinf(least), np.isinf(most)), 1.0, two_sided(t, dof))
    return Pairs(values, p, level=level)


def _open(
    values: Sequence[Value], first: npt.NDArray[np.intp], second: npt.NDArray[np.intp]
) -> tuple[Floats, Floats]:
    """Return what bounds leave open of differences (second minus first): −inf, inf, else 0."""
    # Only a stated end can be open; asking every value for its interval takes a quantile each.
    ends = np.array([v.ends or (0.0, 0.0) for v in values]).reshape(-1, 2)
    low, high = np.isinf(ends).T
    return (
        np.where(low[second] | high[first], -np.inf, 0.0),
        np.where(high[second] | low[first], np.inf, 0.0),
    )


def _gaps(
    values: Sequence[Value], first: npt.NDArray[np.intp], second: npt.NDArray[np.intp]
) -> tuple[Floats, Floats, Floats]:
    """Return differences (second minus first), their uncertainties and degrees of freedom."""
    x = np.array([v.value for v in values], float)
    u = np.array([v.u for v in values], float)
    dof = np.array([v.dof for v in values], float)
    var = u[first] ** 2 + u[second] ** 2
    # Welch–Satterthwaite.
    bottom = u[first] ** 4 / dof[first] + u[second] ** 4 / dof[second]
    with np.errstate(divide="ignore", invalid="ignore"):
        nu = np.where(bottom > 0, var**2 / bottom, np.inf)
    return x[second] - x[first], np.sqrt(var - 2 * _common(values)[first, second]), nu


def _common(values: Sequence[Value]) -> Floats:
    """Return the covariance of every two values by the instruments that both read; (n, n).

    JCGM 100:2008, 5.2.2 and F.1.2.3: what one instrument is off by goes out of a difference as
    far as both results follow it alike.
    """
    _, parts = parts_of([v.shared for v in values])
    found: Floats = COMMON * (parts @ parts.T)
    return found


def parts_of(shared: Sequence[Mapping[str, float]]) -> tuple[list[str], Floats]:
    """Return the names of all that is shared, and the part of each in each; shape (n, names)."""
    names = sorted({name for one in shared for name in one})
    parts = [[one.get(name, 0.0) for name in names] for one in shared]
    return names, np.array(parts, float).reshape(len(shared), len(names))


def groups(values: Sequence[Value], pairs: Pairs) -> list[tuple[str, ...]]:
    """Return groups of subjects that cannot be told apart, best value last.

    Subjects stand in order of value; a group is a run in which no pair is told
    apart, or a pair outside every run that is not told apart either (a wide
    interval on both sides of a narrow one). One subject alone is a group of one.
    """
    order = sorted(range(len(values)), key=lambda i: values[i].value)
    names = [values[i].subject for i in order]
    n = len(names)
    same = pairs.same[np.ix_(order, order)]
    ends = _run_ends(same)
    runs = [(s, e) for s, e in enumerate(ends) if s == 0 or e > ends[s - 1]]
    found = [tuple(names[s : e + 1]) for s, e in runs]
    covered = np.zeros((n, n), bool)
    for s, e in runs:
        covered[s : e + 1, s : e + 1] = True
    left = np.argwhere(np.triu(same & ~covered, 1))
    return found + [(names[i], names[j]) for i, j in left.tolist()]


def _run_ends(same: npt.NDArray[np.bool_]) -> list[int]:
    """Return where the longest run from every start ends."""
    n = len(same)
    # The nearest one before each that it is told apart from; a run cannot hold both.
    before = np.where(np.tril(~same, -1), np.arange(n), -1).max(axis=1).tolist()
    ends: list[int] = []
    for start in range(n):
        end = max(start, ends[-1] if ends else 0)
        while end + 1 < n and before[end + 1] < start:
            end += 1
        ends.append(end)
    return ends
