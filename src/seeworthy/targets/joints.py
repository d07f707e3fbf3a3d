"""Where a target of several sheets is cut: beside what is measured, not through it.

A cut may lie anywhere in the overlap of two sheets, the drawing anywhere on them; where that is
not enough the drawing is made a little smaller.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

from seeworthy.targets.layout import Layout, Point

Span = tuple[float, float]
OVERLAP = 10.0
"""Neighbouring sheets repeat this much of the drawing, for cutting and gluing, mm."""

_CLEAR = 1.5  # mm from a cut: what a pair of scissors in a steady hand keeps; a judgement
_WITHIN = OVERLAP / 2 - 2.0  # mm: a strip to glue on stays on either side of the cut
_SMALLEST = 0.75  # of the largest scale: a smaller target costs more than a cut through a marker
_STEP = 0.02  # of the scale, tried one after the other


@dataclass(frozen=True, slots=True)
class PaperAxis:
    """One way across the paper.

    Attributes:
        size: Of the drawing, mm.
        sheets: How many side by side.
        use: Printable part of a sheet, mm.
        levels: tuple of spans to keep off, the most wanted first; each gives up something.
    """

    size: float
    sheets: int
    use: float
    levels: tuple[tuple[Span, ...], ...]

    @property
    def full(self) -> float:
        """The printable part of all sheets together, mm."""
        return self.sheets * self.use - (self.sheets - 1) * OVERLAP


@dataclass(frozen=True, slots=True)
class Lay:
    """How the drawing lies one way: its offset and the cuts, mm from the first sheet's edge."""

    offset: float
    cuts: tuple[float, ...]


def axes_of(
    layout: Layout, columns: int, rows: int, use: tuple[float, float]
) -> tuple[PaperAxis, PaperAxis]:
    """Return both ways across the paper, with what a cut keeps off."""
    corners = [m.corners for m in layout.markers]
    solid = [p.points for p in layout.patches]
    solid += [
        ((d.centre[0] - d.radius, d.centre[1] - d.radius),
         (d.centre[0] + d.radius, d.centre[1] + d.radius)) for d in layout.discs
    ]  # fmt: skip
    points = [(p,) for p in layout.points.values()]
    measured = [r.corners for r in layout.regions]
    kept: tuple[Sequence[Sequence[Point]], ...] = (
        [*solid, *points, *measured, *corners],
        [*solid, *points, *measured],
        [*points, *measured, *corners],
        [*points, *measured],
    )
    across = tuple(_spans(level, 0) for level in kept)
    down = tuple(_spans(level, 1) for level in kept)
    return PaperAxis(layout.width, columns, use[0], across), PaperAxis(
        layout.height, rows, use[1], down
    )


def _spans(shapes: Sequence[Sequence[Point]], way: int) -> tuple[Span, ...]:
    """Return the spans that shapes take, one way, those that touch joined."""
    found: list[list[float]] = []
    for low, high in sorted((min(p[way] for p in s), max(p[way] for p in s)) for s in shapes):
        if found and low <= found[-1][1]:
            found[-1][1] = max(found[-1][1], high)
        else:
            found.append([low, high])
    return tuple((low, high) for low, high in found)


def lay(axes: tuple[PaperAxis, PaperAxis]) -> tuple[float, Lay, Lay]:
    """Return scale and lay of the drawing: the largest scale that keeps the cuts off most."""
    largest = min(a.full / a.size for a in axes)
    cut = cache(_cut)  # the ways are free of one another, but tried in pairs
    for across, down in _wishes(axes):
        scale = largest
        while scale >= _SMALLEST * largest:
            one = cut(axes[0], scale, across)
            other = None if one is None else cut(axes[1], scale, down)
            if one is not None and other is not None:
                return scale, one, other
            scale -= _STEP * largest
    return largest, _middle(axes[0], largest), _middle(axes[1], largest)


def _wishes(
    axes: tuple[PaperAxis, PaperAxis],
) -> Iterator[tuple[tuple[Span, ...], tuple[Span, ...]]]:
    """Yield what to keep off across and down, giving up as little as possible at a time."""
    kinds = [range(len(a.levels)) if a.sheets > 1 else range(1) for a in axes]
    pairs = sorted(((i, j) for i in kinds[0] for j in kinds[1]), key=lambda p: (sum(p), p))
    for i, j in pairs:
        yield axes[0].levels[i], axes[1].levels[j]


def _middle(axis: PaperAxis, scale: float) -> Lay:
    nominal = tuple(_nominal(axis, k) for k in range(1, axis.sheets))
    return Lay((axis.full - axis.size * scale) / 2, nominal)


def _nominal(axis: PaperAxis, place: int) -> float:
    return place * (axis.use - OVERLAP) + OVERLAP / 2


def _cut(axis: PaperAxis, scale: float, spans: Sequence[Span]) -> Lay | None:
    """Return the lay nearest to the middle whose cuts are free, None where there is none."""
    middle = _middle(axis, scale)
    if axis.sheets == 1:
        return middle
    for step in range(int(middle.offset) + 1):
        for offset in (middle.offset - step, middle.offset + step):
            taken = [(a * scale + offset - _CLEAR, b * scale + offset + _CLEAR) for a, b in spans]
            cuts = [_free(c, taken) for c in middle.cuts]
            if all(c is not None for c in cuts):
                return Lay(offset, tuple(c for c in cuts if c is not None))
    return None


def _free(nominal: float, taken: Sequence[Span]) -> float | None:
    """Return the place nearest to the middle of the overlap that lies in no span."""
    ends = [e for span in taken for e in span]
    for at in sorted((nominal, *ends), key=lambda e: abs(e - nominal)):
        if abs(at - nominal) > _WITHIN:
            return None
        if not any(low < at < high for low, high in taken):
            return at
    return None
