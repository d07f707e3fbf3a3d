"""The lens board: a checkerboard whose light squares carry coded markers.

Coded corners (the open technique of Garrido-Jurado et al., Pattern Recognition
47:2280, 2014) let the finder use any part of the board that is in view.
"""

from __future__ import annotations

from seeworthy.targets.layout import (
    INK,
    Label,
    Layout,
    Marker,
    Patch,
    Point,
    Ruler,
    rectangle,
    ruler_label,
)

COLUMNS, ROWS = 12, 8  # squares of `SQUARE` mm that fill A4 and Letter
SQUARE = 22.0  # mm
SIDE = 14.3  # mm, of a marker: leaves a white rim of one and a half of its cells (derived)
FIRST_ID = 0  # of markers; it has 48, other targets begin above


def layout() -> Layout:
    """Return the board."""
    left, top = 4.0, 0.0
    patches, markers = [], []
    number = FIRST_ID
    inset = (SQUARE - SIDE) / 2
    for row in range(ROWS):
        for column in range(COLUMNS):
            x, y = left + column * SQUARE, top + row * SQUARE
            if (row + column) % 2 == 0:
                patches.append(Patch(rectangle(x, y, SQUARE, SQUARE), INK))
            else:
                markers.append(Marker(number, (x + inset, y + inset), SIDE))
                number += 1
    points: dict[int, Point] = {}
    for row in range(1, ROWS):
        for column in range(1, COLUMNS):
            points[len(points)] = (left + column * SQUARE, top + row * SQUARE)
    ruler = Ruler((left, top + ROWS * SQUARE + 3.5), 8 * SQUARE)
    return Layout(
        name="board",
        title="Lens board",
        width=272.0,
        height=186.0,
        ruler=ruler,
        patches=tuple(patches),
        markers=tuple(markers),
        labels=(
            ruler_label(ruler),
            Label("Seeworthy lens board", (left + COLUMNS * SQUARE, 185.6), 1.7, "right"),
        ),
        points=points,
        use="Glue it flat on a stiff board; film it still, at many angles, into every corner.",
    )
