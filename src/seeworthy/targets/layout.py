"""What a target is made of: one data structure that printing, finding and rendering read.

A layout is drawn once, for A4, in millimetres; other papers and tilings are the same
drawing at another scale, so its proportions never change. The ruler that each
target carries says what the scale came out as: ``printed_length`` over
`Layout.ruler` length is the factor, whatever paper and printer did.

x right, y down, origin at the top left corner of the drawing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

DICTIONARY = "DICT_4X4_250"
MARKER_CELLS = 6
"""Cells along a marker's side, its black border included."""

PAPER, INK = 1.0, 0.0
"""Tones: reflectance in linear light, as a share from full ink (0) to bare paper (1)."""

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Patch:
    """A filled polygon, and the tone it lies on."""

    points: tuple[Point, ...]
    tone: float
    over: float = PAPER


@dataclass(frozen=True, slots=True)
class Disc:
    """A filled circle, and the tone it lies on."""

    centre: Point
    radius: float
    tone: float
    over: float = PAPER


@dataclass(frozen=True, slots=True)
class Marker:
    """A coded square: number, top left corner, side."""

    id: int
    corner: Point
    side: float

    @property
    def corners(self) -> tuple[Point, Point, Point, Point]:
        """Corners clockwise from the top left one, as the finder gives them."""
        x, y = self.corner
        s = self.side
        return ((x, y), (x + s, y), (x + s, y + s), (x, y + s))


@dataclass(frozen=True, slots=True)
class Label:
    """Text: place of its left end and baseline, height of capitals in mm."""

    text: str
    at: Point
    size: float = 3.0
    anchor: str = "left"
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Region:
    """A named area that a measure looks at: a quadrilateral."""

    name: str
    corners: tuple[Point, Point, Point, Point]
    position: str = ""
    orientation: str = ""
    density: float | None = None


@dataclass(frozen=True, slots=True)
class Ruler:
    """The 'measure me' line: left end mark, length."""

    start: Point
    length: float


@dataclass(frozen=True)
class Layout:
    """One target.

    Attributes:
        width, height: Of the drawing in mm, A4.
        patches, discs, markers, labels: What is printed.
        points: mapping of int to (x, y). Numbered saddle points that the finder refines (corners of
            a checkerboard).
        circles: tuple of (x, y, radius). Circles whose edge is measured, inner ones first.
        use: One sentence: what to do with it.
    """

    name: str
    title: str
    width: float
    height: float
    ruler: Ruler
    patches: tuple[Patch, ...] = ()
    discs: tuple[Disc, ...] = ()
    markers: tuple[Marker, ...] = ()
    labels: tuple[Label, ...] = ()
    points: Mapping[int, Point] = field(default_factory=dict)
    regions: tuple[Region, ...] = ()
    circles: tuple[tuple[float, float, float], ...] = ()
    use: str = ""

    def region(self, name: str) -> Region:
        """Return a region by name."""
        for region in self.regions:
            if region.name == name:
                return region
        raise KeyError(name)

    def painting(self) -> list[tuple[list[Point], float]]:
        """Return every polygon with the step of tone that it adds to what is under it.

        Discs become polygons of 720 corners and the same area. Text is left out.
        """
        steps: list[tuple[list[Point], float]] = []
        flat = (*self.patches, *ruler_patches(self.ruler))
        steps.extend((list(p.points), p.tone - p.over) for p in flat)
        steps.extend((_circle(d.centre, d.radius), d.tone - d.over) for d in self.discs)
        for marker in self.markers:
            steps.append((list(marker.corners), INK - PAPER))
            steps.extend((cell, PAPER - INK) for cell in light_cells(marker))
        return steps


def _circle(centre: Point, radius: float, corners: int = 720) -> list[Point]:
    # Same area as the disc: the radius is 0.001 % longer than the polygon's corners would say.
    r = radius / math.sqrt(corners / (2 * math.pi) * math.sin(2 * math.pi / corners))
    angles = (2 * math.pi * i / corners for i in range(corners))
    return [(centre[0] + r * math.cos(a), centre[1] + r * math.sin(a)) for a in angles]


def rectangle(x: float, y: float, width: float, height: float) -> tuple[Point, ...]:
    """Return the corners of an upright rectangle, clockwise."""
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def turned(points: tuple[Point, ...], about: Point, degrees: float) -> tuple[Point, ...]:
    """Turn points clockwise (as seen on paper) about a centre."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    cx, cy = about
    return tuple(
        (cx + c * (x - cx) - s * (y - cy), cy + s * (x - cx) + c * (y - cy)) for x, y in points
    )


@lru_cache(maxsize=512)
def marker_bits(number: int) -> tuple[tuple[bool, ...], ...]:
    """Return the cells of a marker, True where paper shows, border included."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    image = cv2.aruco.generateImageMarker(dictionary, number, MARKER_CELLS)
    return tuple(tuple(bool(v > 127) for v in row) for row in image)


def light_cells(marker: Marker) -> list[list[Point]]:
    """Return the light cells of a marker, runs along a row joined to one rectangle."""
    cell = marker.side / MARKER_CELLS
    x0, y0 = marker.corner
    found: list[list[Point]] = []
    for r, row in enumerate(marker_bits(marker.id)):
        c = 0
        while c < MARKER_CELLS:
            run = c
            while run < MARKER_CELLS and row[run]:
                run += 1
            if run > c:
                box = rectangle(x0 + c * cell, y0 + r * cell, (run - c) * cell, cell)
                found.append(list(box))
            c = max(run, c + 1)
    return found


RULER_LINE = 0.35
"""Thickness of the ruler's lines in mm."""


def ruler_patches(ruler: Ruler) -> list[Patch]:
    """Return the ruler: a base line, end marks whose outer edges are `length` apart, ticks."""
    x, y = ruler.start
    tick = ruler.length / 20
    line = RULER_LINE
    patches = [Patch(rectangle(x, y, line, 5.0), INK)]
    patches.append(Patch(rectangle(x + ruler.length - line, y, line, 5.0), INK))
    base = rectangle(x + line, y + 5.0 - line, ruler.length - 2 * line, line)
    patches.append(Patch(base, INK))
    for i in range(1, 20):
        tall = 2.6 if i % 10 == 0 else 1.4
        left = x + i * tick - line / 2
        patches.append(Patch(rectangle(left, y + 5.0 - line - tall, line, tall), INK))
    return patches


def ruler_label(ruler: Ruler) -> Label:
    """Return the words beside the ruler."""
    x, y = ruler.start
    text = "measure me (outer edges)"
    return Label(text, (x + ruler.length + 2.5, y + 4.6), 1.7)
