"""Rings for the pixel aspect ratio: two thick concentric rings, four circular edges.

Concentric circles give the true centre under perspective and, with it, how the
sheet is tilted; their known radii tell lens bend from tilt.
"""

from __future__ import annotations

from seeworthy.targets.layout import INK, PAPER, Disc, Label, Layout, Marker, Ruler, ruler_label

CENTRE = (136.0, 87.0)  # mm from the upper left corner of the sheet
RADII = (30.0, 42.0, 70.0, 84.0)  # mm: edges of two rings
FIRST_ID = 100  # of markers, apart from those of all other targets


def layout() -> Layout:
    """Return the target."""
    inner, thick, inner2, outer = RADII
    discs = (
        Disc(CENTRE, outer, INK),
        Disc(CENTRE, inner2, PAPER, INK),
        Disc(CENTRE, thick, INK),
        Disc(CENTRE, inner, PAPER, INK),
        Disc(CENTRE, 2.0, INK),
    )
    side = 30.0
    corners = ((8.0, 6.0), (272.0 - 8.0 - side, 6.0), (8.0, 138.0), (272.0 - 8.0 - side, 138.0))
    ruler = Ruler((60.0, 176.5), 150.0)
    return Layout(
        name="rings",
        title="Rings",
        width=272.0,
        height=186.0,
        ruler=ruler,
        discs=discs,
        markers=tuple(Marker(FIRST_ID + i, c, side) for i, c in enumerate(corners)),
        labels=(ruler_label(ruler), Label("Seeworthy rings", (8.0, 181.0), 1.7)),
        circles=tuple((*CENTRE, r) for r in RADII),
        use="Film it facing, in the middle of the frame; turn the sheet by 90° and film again.",
    )
