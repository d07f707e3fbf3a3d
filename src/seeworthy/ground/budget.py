"""The uncertainty budget of a result: what it is made of, as data that every face can show.

The form is that of JCGM 100:2008, 7.2.1 and Annex H: each influence with its standard
uncertainty, how it is distributed, how strongly the result follows it, and where it comes from.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

JUDGEMENT = "judgement"
"""The source of a component that nobody measured."""
CAMERA = "camera"
"""What is common to all takes of one specimen (`Component.common`)."""


@dataclass(frozen=True, slots=True)
class Component:
    """One influence on a result.

    Attributes:
        name: As a person says it ("tone curve").
        u: Standard uncertainty of the influence, in its own unit.
        unit: Of `u`; ``""`` for a share.
        sensitivity: Units of the result per unit of the influence.
        distribution: ``normal``, ``rectangular``, ``U-shaped``, ``t (n dof)``.
        source: Standard, reading, scatter, study with its seed, or a sentence that begins with
            ``judgement``.
        common: What makes it one influence in several results: the names of the readings, with
            blanks between, whose stated uncertainty it is (what one instrument is off by is in all
            that read it), or ``camera``: the same in all takes of one specimen.
    """

    name: str
    u: float
    unit: str = ""
    sensitivity: float = 1.0
    distribution: str = "normal"
    source: str = JUDGEMENT
    common: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.u) and self.u >= 0 and math.isfinite(self.sensitivity)):
            raise ValueError(f"{self.name}: a component needs numbers, u not below zero")

    @property
    def part(self) -> float:
        """What it adds, in the unit of the result."""
        return abs(self.sensitivity) * self.u


def combined(components: Sequence[Component]) -> float:
    """Return the combined standard uncertainty of independent influences (JCGM 100, 5.1.2)."""
    return math.hypot(*(c.part for c in components))


@dataclass(frozen=True, slots=True)
class Composed:
    """A value with what its uncertainty is made of; `n` observations stand behind it."""

    value: float
    parts: tuple[Component, ...]
    n: int = 1

    @property
    def u(self) -> float:
        """Standard uncertainty, in the unit of the value."""
        return combined(self.parts)


def budget_rows(components: Sequence[Component]) -> list[dict[str, Any]]:
    """Return the budget as JSON knows it; `share` is the part of the variance, 0 to 1."""
    whole = sum(c.part**2 for c in components)
    return [
        {**asdict(c), "part": c.part, "share": c.part**2 / whole if whole > 0 else 0.0}
        for c in components
    ]


def budget_of(rows: Sequence[dict[str, Any]]) -> tuple[Component, ...]:
    """Return the components of rows that `budget_rows` wrote."""
    names = ("name", "u", "unit", "sensitivity", "distribution", "source")
    return tuple(
        Component(**{n: row[n] for n in names}, common=row.get("common", "")) for row in rows
    )
