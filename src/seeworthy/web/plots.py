"""Small plots of values with intervals: numbers to places on a page, nothing else.

Every mark can be pointed at and reached with the keyboard; what it says is a sentence.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

LEFT, RIGHT, STEP, TOP = 8.0, 632.0, 48.0, 30.0
"""Drawing units: where the scale begins and ends, height of a line, height of the head."""


@dataclass(frozen=True, slots=True)
class Dot:
    """One value with its interval.

    Attributes:
        said: What a reader hears or sees when it is pointed at.
        x, low, high, y: Places in the drawing.
        strong: The best, or best together with others.
    """

    label: str
    said: str
    x: float
    low: float
    high: float
    y: float
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Plot:
    """Values with intervals on one scale.

    Attributes:
        ticks: tuple of (x, text)
    """

    heading: str
    dots: tuple[Dot, ...]
    ticks: tuple[tuple[float, str], ...]
    height: float


def intervals(
    heading: str,
    rows: Sequence[tuple[str, str, float, float, float, bool]],
    *,
    span: tuple[float, float] | None = None,
) -> Plot:
    """Lay out values with intervals.

    Args:
        rows: sequence of (label, said, value, low, high, strong)
        span: Of the scale; that of the data by default.
    """
    finite = [v for row in rows for v in row[2:5] if math.isfinite(v)]
    low, high = span or (min(finite, default=0.0), max(finite, default=1.0))
    pad = 0.0 if span else 0.04 * (high - low) or max(abs(high), 1.0) * 0.05
    low, high = low - pad, high + pad

    def at(value: float) -> float:
        share = (min(max(value, low), high) - low) / (high - low)
        return round(LEFT + share * (RIGHT - LEFT), 1)

    dots = tuple(
        Dot(label, said, at(value), at(a), at(b), TOP + STEP * i + 34, strong)
        for i, (label, said, value, a, b, strong) in enumerate(rows)
    )
    ticks = tuple((at(v), f"{v:.6g}") for v in _ticks(low, high))
    return Plot(heading, dots, ticks, TOP + STEP * len(rows) + 8)


def _ticks(low: float, high: float, about: int = 5) -> list[float]:
    step = 10.0 ** math.floor(math.log10((high - low) / about))
    step *= next(m for m in (1, 2, 5, 10) if (high - low) / (step * m) <= about + 1)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 12) for k in range(first, math.floor(high / step + 1e-9) + 1)]
