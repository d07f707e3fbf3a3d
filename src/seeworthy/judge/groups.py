"""Results of several groups for one model: pair by pair, and what scatters between them.

ISO/IEC 17043 (B.3) and ISO 13528 (9.6): the E_n number of two results is their difference over
the root of the squared sum of their expanded uncertainties; up to 1 they agree. The scatter
between groups that their uncertainties do not explain is Paule and Mandel's (1982, J. Res.
Natl. Bur. Stand. 87, 377). Groups that used one instrument, or measured one file, count as one:
how much of their uncertainty they share is not known, so their mean keeps all of it (correlation
1, JCGM 100:2008, 5.2.2), and their agreement is said to be no test of what they share.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from seeworthy.bench.cameras import get_camera, list_cameras
from seeworthy.ground.errors import CannotMeasure, NotFound
from seeworthy.ground.plain import picked
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.judge.compare.comparison import compare_results
from seeworthy.judge.compare.like import Like

if TYPE_CHECKING:
    from seeworthy.bench.store import Bench
    from seeworthy.ground.measurands import Measurand


def en_number(
    a: float, u_a: float, b: float, u_b: float, *, k_a: float = 2.0, k_b: float = 2.0
) -> float:
    """Return E_n of two independent results (ISO 13528:2022, 9.6; k = 2 is usual there).

    Args:
        u_a, u_b: Standard uncertainties.
        k_a, k_b: Coverage factors.

    Returns:
        Signed, a minus b; infinite for different values without uncertainty.
    """
    width = math.hypot(k_a * u_a, k_b * u_b)
    if width == 0:
        return 0.0 if a == b else math.copysign(math.inf, a - b)
    return (a - b) / width


@dataclass(frozen=True, slots=True)
class GroupValue:
    """One group's figure: value, standard uncertainty, and the instruments and files behind it."""

    group: str
    value: float
    u: float
    dof: float = math.inf
    instruments: frozenset[str] = frozenset()

    @property
    def k(self) -> float:
        """Coverage factor for 95 %."""
        return coverage_factor(self.dof)


@dataclass(frozen=True, slots=True)
class Pair:
    """Two groups: second minus first.

    Attributes:
        shared: Both used one instrument or file; their agreement says nothing about it.
    """

    first: str
    second: str
    difference: float
    u: float
    en: float
    shared: bool

    @property
    def agree(self) -> bool:
        """Up to 1 two results agree (ISO 13528)."""
        return abs(self.en) <= 1


@dataclass(frozen=True, slots=True)
class Between:
    """Several groups' results of one figure.

    Attributes:
        mean, u: Consensus of all, weighted with the scatter between groups in the weights.
        spread: Standard deviation between groups beyond their uncertainties; 0 where those explain
            everything.
        n: Groups that count: those with a common instrument as one.
    """

    values: tuple[GroupValue, ...]
    pairs: tuple[Pair, ...]
    mean: float
    u: float
    spread: float
    n: int


def between_groups(values: Sequence[GroupValue]) -> Between:
    """Set the results of groups side by side.

    Args:
        values: One per group, one unit for all; uncertainties above zero.

    Raises:
        CannotMeasure: Fewer than two groups, or one without uncertainty.
    """
    if len(values) < 2:
        raise CannotMeasure("One group alone has nothing to agree with.", "Import a package.")
    if any(v.u <= 0 for v in values):
        raise CannotMeasure(
            "A result without an uncertainty cannot be held against another.", "Measure it again."
        )
    pairs = tuple(
        Pair(
            a.group, b.group, b.value - a.value, math.hypot(a.u, b.u),
            en_number(b.value, b.u, a.value, a.u, k_a=b.k, k_b=a.k),
            bool(a.instruments & b.instruments),
        )
        for i, a in enumerate(values) for b in values[i + 1:]
    )  # fmt: skip
    return Between(tuple(values), pairs, *consensus(values))


def consensus(values: Sequence[GroupValue]) -> tuple[float, float, float, int]:
    """Return mean, its standard uncertainty, scatter between groups, and how many count.

    Without the pairs, for thousands of groups; uncertainties above zero.
    """
    merged = [_merged(cluster) for cluster in _clusters(values)]
    mean, u, spread = paule_mandel([v for v, _ in merged], [w for _, w in merged])
    return mean, u, spread, len(merged)


def _clusters(values: Sequence[GroupValue]) -> list[list[GroupValue]]:
    """Put groups together that share an instrument, also by way of a third."""
    found: dict[int, list[GroupValue]] = {}
    owner: dict[str, int] = {}
    for number, value in enumerate(values):
        mine = [value]
        for known in sorted({owner[i] for i in value.instruments if i in owner}):
            mine = found.pop(known) + mine
        found[number] = mine
        owner.update({i: number for other in mine for i in other.instruments})
    return list(found.values())


def _merged(cluster: Sequence[GroupValue]) -> tuple[float, float]:
    """Return weighted mean and uncertainty of fully correlated results."""
    weights = [1 / v.u**2 for v in cluster]
    total = sum(weights)
    mean = sum(w * v.value for w, v in zip(weights, cluster, strict=True)) / total
    # Correlation 1: uncertainties add as they are, nothing averages out.
    return mean, sum(w * v.u for w, v in zip(weights, cluster, strict=True)) / total


def paule_mandel(values: Sequence[float], us: Sequence[float]) -> tuple[float, float, float]:
    """Return mean, its standard uncertainty, and the scatter between groups.

    Paule and Mandel (1982): the scatter makes the weighted sum of squares its expectation,
    n - 1; it is 0 where the sum is smaller without any.

    Args:
        values, us: Standard uncertainties above zero.
    """

    def at(extra: float) -> tuple[float, float, float]:
        weights = [1 / (u * u + extra) for u in us]
        total = sum(weights)
        mean = sum(w * x for w, x in zip(weights, values, strict=True)) / total
        squares = sum(w * (x - mean) ** 2 for w, x in zip(weights, values, strict=True))
        return mean, 1 / math.sqrt(total), squares

    dof = len(values) - 1
    mean, u, squares = at(0.0)
    if squares <= dof:
        return mean, u, 0.0
    low, high = 0.0, (max(values) - min(values)) ** 2
    while at(high)[2] > dof:
        high *= 2
    for _ in range(200):  # halves until nothing is left between the two
        middle = (low + high) / 2
        low, high = (middle, high) if at(middle)[2] > dof else (low, middle)
    mean, u, _ = at(high)
    return mean, u, math.sqrt(high)


@dataclass(frozen=True, slots=True)
class GroupRow:
    """One figure of one model under like conditions, in all groups that have it."""

    measurand: Measurand
    like: Like
    between: Between

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        pair = "first second difference u en agree one_instrument=shared"
        return {
            **picked(self, "measurand=measurand.id unit=measurand.unit"),
            "conditions": str(self.like),
            "values": [picked(v, "camera=group value u") for v in self.between.values],
            "pairs": [picked(p, pair) for p in self.between.pairs],
            **picked(self.between, "mean u spread_between_groups=spread groups=n"),
        }


def same_model(bench: Bench, camera: str) -> list[str]:
    """Return our camera of a name and other groups' cameras of that model.

    Raises:
        NotFound: No other group measured it.
    """
    own = get_camera(bench, camera)
    model = _model(own.name, own.group)
    found = [
        c.name
        for c in list_cameras(bench)
        if _model(c.name, c.group).casefold() == model.casefold()
    ]
    if len(found) < 2:
        raise NotFound(
            f"No other group has measured '{own.name}'.",
            "Take in their data: 'seeworthy import PACKAGE'; or name both cameras.",
        )
    return found


def one_shared_model(bench: Bench) -> str:
    """Return the camera that several groups measured, where there is one such model.

    Raises:
        NotFound: None, or several, which are named.
    """
    cameras = list_cameras(bench)
    counts = Counter(_model(c.name, c.group).casefold() for c in cameras)
    shared = sorted({_model(c.name, c.group) for c in cameras
                     if counts[_model(c.name, c.group).casefold()] > 1})  # fmt: skip
    if not shared:
        raise NotFound(
            "No camera of this bench was measured by another group.",
            "Take in their data: 'seeworthy import PACKAGE'; or name the cameras of one model.",
        )
    if len(shared) > 1:
        raise NotFound("Several models were measured by several groups.",
                       f"Name one: {', '.join(shared)}.")  # fmt: skip
    return shared[0]


def _model(name: str, group: str) -> str:
    """Return the name that a group gave its camera, without what we put behind it."""
    return name.rsplit(" (", 1)[0] if group and name.endswith(")") else name


def groups_of_bench(
    bench: Bench, cameras: Sequence[str], measurands: Sequence[str] = ()
) -> list[GroupRow]:
    """Set groups' results of one model side by side.

    Args:
        cameras: One: all groups' cameras of that model; several: these; none: the one model that
            several groups measured.
        measurands: Only these; all when empty.

    Raises:
        NotFound, CannotMeasure
    """
    from seeworthy.bench.outcomes import files_of, instruments_of, list_results

    names = list(cameras)
    if len(names) < 2:
        names = same_model(bench, names[0] if names else one_shared_model(bench))
    stored = [r for n in names for r in list_results(bench, camera=n, with_stale=True)]
    # Ours that are out of date are due for `run`; theirs stay as they were published.
    stored = [r for r in stored if not r.stale or r.theirs]
    wanted = [r for r in stored if not measurands or r.result.measurand in measurands]
    known, files = instruments_of(bench), files_of(bench)
    behind: dict[tuple[str, str], set[str]] = {}
    for r in wanted:
        own = behind.setdefault((r.camera, r.result.measurand), set())
        own |= known.get(r.take_id, frozenset()) | files.get(r.take_id, frozenset())
    rows = []
    for row in compare_results(wanted).rows:
        values = [
            GroupValue(
                v.subject, v.value, v.u, v.dof,
                frozenset(behind.get((v.subject, row.measurand.id), ())),
            )
            for v in row.values if v.u > 0
        ]  # fmt: skip
        if len(values) > 1:
            rows.append(GroupRow(row.measurand, row.like, between_groups(values)))
    if not rows:
        raise CannotMeasure(
            "These have no figure in common under like conditions.",
            "Repeat one of their takes: 'seeworthy take add --like PACKAGE#TAKE'.",
        )
    return rows
