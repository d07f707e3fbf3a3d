"""Slanted edges over the whole frame, with coded markers between them.

Nine squares turned by 5° to 8°, at the centre, the corners and the middles of the
sides; each gives two near-vertical and two near-horizontal edges (ISO 12233,
slanted-edge method). Low contrast (about 4:1) is the safe one for cameras with an
unknown tone curve; the high-contrast variant has black squares.
"""

from __future__ import annotations

import math

from seeworthy.targets.layout import (
    INK,
    Label,
    Layout,
    Marker,
    Patch,
    Point,
    Region,
    Ruler,
    rectangle,
    ruler_label,
    turned,
)

WIDTH, HEIGHT = 272.0, 153.0  # mm: 16 : 9 on A4 and Letter
SQUARE = 32.0  # mm: nine with room between them (a judgement)
LOW_TONE = 0.22
"""4:1 against paper once the ink's own black (about 4 % of the paper) is added."""

FIRST_ID = 60  # of markers, apart from those of all other targets

_COLUMNS = (25.0, WIDTH / 2, WIDTH - 25.0)
_ROWS = (23.5, HEIGHT / 2, HEIGHT - 23.5)
_ANGLES = (5.5, 6.5, 7.5, 6.0, 5.0, 7.0, 7.5, 6.5, 5.5)
"""Degrees: about the 5° of ISO 12233, and unlike in neighbours."""
POSITIONS = (
    "top_left", "top", "top_right", "left", "centre", "right", "bottom_left", "bottom",
    "bottom_right",
)  # fmt: skip


def layout(contrast: str = "low") -> Layout:
    """Return the target; `contrast` is ``low`` or ``high``."""
    tone = LOW_TONE if contrast == "low" else INK
    patches, regions = [], []
    for i, position in enumerate(POSITIONS):
        centre = (_COLUMNS[i % 3], _ROWS[i // 3])
        corner = (centre[0] - SQUARE / 2, centre[1] - SQUARE / 2)
        square = turned(rectangle(*corner, SQUARE, SQUARE), centre, _ANGLES[i])
        patches.append(Patch(square, tone))
        regions.extend(_edges(position, square))
    ruler = Ruler((4.0, HEIGHT + 3.0), 176.0)
    return Layout(
        name="edges" if contrast == "low" else "edges-high",
        title="Slanted edges" + (", low contrast" if contrast == "low" else ", high contrast"),
        width=WIDTH,
        height=HEIGHT + 11.0,
        ruler=ruler,
        patches=tuple(patches),
        markers=_markers(FIRST_ID if contrast == "low" else FIRST_ID + 16),
        labels=(
            ruler_label(ruler),
            Label("Seeworthy edges", (WIDTH - 4.0, HEIGHT + 7.6), 1.7, "right"),
        ),
        regions=tuple(regions),
        use="Fill the frame with it, camera and sheet still and facing, light even, focus set.",
    )


def _markers(first: int) -> tuple[Marker, ...]:
    # Between the columns of squares; large in the rows of squares, smaller between them;
    # small ones out at the sides, where a bending lens would be guessed at otherwise.
    places: list[tuple[Point, float]] = []
    for x in (80.5, WIDTH - 80.5):
        for y, side in ((19.0, 22.0), (50.0, 20.0), (76.5, 22.0), (103.0, 20.0), (134.0, 22.0)):
            places.append(((x, y), side))
    places += [((x, y), 8.0) for x in _COLUMNS for y in (50.0, 103.0)]
    return tuple(
        Marker(first + i, (x - side / 2, y - side / 2), side)
        for i, ((x, y), side) in enumerate(places)
    )


def _edges(position: str, square: tuple[Point, ...]) -> list[Region]:
    """Return the four regions across a square's edges, named ``<position>_<side>``."""
    cx = sum(p[0] for p in square) / 4
    cy = sum(p[1] for p in square) / 4
    found = []
    for i, side in enumerate(("top", "right", "bottom", "left")):
        a, b = square[i], square[(i + 1) % 4]
        along = ((b[0] - a[0]) / SQUARE, (b[1] - a[1]) / SQUARE)
        mid = ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)
        length = math.hypot(mid[0] - cx, mid[1] - cy)
        out = ((mid[0] - cx) / length, (mid[1] - cy) / length)
        half, reach = SQUARE * 0.37, 5.0  # stays clear of corners and of the frame's border
        corners = tuple(
            (mid[0] + s * half * along[0] + t * reach * out[0],
             mid[1] + s * half * along[1] + t * reach * out[1])
            for s, t in ((-1, 1), (1, 1), (1, -1), (-1, -1))
        )  # fmt: skip
        orientation = "horizontal" if side in ("top", "bottom") else "vertical"
        found.append(
            Region(
                f"{position}_{side}",
                (corners[0], corners[1], corners[2], corners[3]),
                position,
                orientation,
            )
        )
    return found
