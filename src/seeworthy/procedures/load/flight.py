"""The figures of one flight, and how bounds are stated."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.uncertainty import coverage_factor, interval, lower
from seeworthy.procedures.load.fuse import Track

Floats = NDArray[np.float64]

CREST = 4.0
"""No launcher we know of peaks above four times its mean push; upper end of a bound."""
SHORTEST = 0.03
"""No launcher we know of pushes a craft with a camera for less, s."""


@dataclass(frozen=True, slots=True)
class Figure95:
    """One figure in the unit of its measurand, with its 95 % interval."""

    measurand: str
    value: float
    u: float
    low: float
    high: float
    n: int
    phase: str = ""
    bound: bool = False


@dataclass(frozen=True, slots=True)
class Curve:
    """Something over time with its standard uncertainty, three arrays of one length."""

    time: Floats
    value: Floats
    u: Floats


@dataclass
class Flight:
    """Everything the logs of one flight say.

    Attributes:
        events: ``launch``, ``burnout``, ``apogee``, ``landing`` (s) where found.
        boosted: False for a slow ascent.
        method: ``fused``, ``acceleration`` or ``height``.
        notes: Warnings for the user.
        facts: Findings: bandwidth, pad, gravity, spikes …
        samples: dict of name to (time, values). Thinned raw samples for the figures.
        height: Height above the pad over time. `track` holds the way along the path, which is the
            height only where the path stands upright.
    """

    track: Track
    boosted: bool
    method: str
    figures: list[Figure95] = field(default_factory=list)
    events: dict[str, float] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)
    samples: dict[str, tuple[Floats, Floats]] = field(default_factory=dict)
    height: Curve | None = None

    def add(
        self, name: str, value: float, u: float, n: int, phase: str = "",
        span: tuple[float, float] | None = None, bound: bool = False,
    ) -> None:  # fmt: skip
        """Add a figure; without a span the interval is normal."""
        low, high = span or interval(value, u)
        low, high = min(low, value), max(high, value)
        self.figures.append(Figure95(name, value, u, low, high, max(n, 1), phase, bound))

    def replace(self, name: str, value: float, u: float) -> None:
        """Put another value in the place of the first figure of a name."""
        for i, old in enumerate(self.figures):
            if old.measurand == name and not old.bound:
                low, high = interval(value, u)
                self.figures[i] = Figure95(name, value, u, low, high, old.n, old.phase)
                return

    def bound(
        self, name: str, value: float, u: float, top: float, n: int, phase: str = "boost"
    ) -> None:
        """Add a lower bound: one-sided 95 % below, a stated assumption above."""
        top = max(top, value + 2 * u)
        low = lower(value, u)
        self.add(name, value, (top - low) / (2 * coverage_factor()), n, phase, (low, top), True)

    def leave_out(self, names: tuple[str, ...], reason: str) -> None:
        """Take figures out and name them with the reason."""
        self.figures = [f for f in self.figures if f.measurand not in names]
        self.facts.setdefault("left_out", []).append(f"{', '.join(names)}: {reason}")
        words = " and ".join(n.replace("_", " ") for n in names)
        self.notes.append(f"Left out: {words} ({reason}).")
