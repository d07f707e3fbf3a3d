"""A step scale of greys, with a place to write the density measured on each step."""

from __future__ import annotations

from seeworthy.targets.layout import (
    Label,
    Layout,
    Marker,
    Patch,
    Region,
    Ruler,
    rectangle,
    ruler_label,
)

DENSITIES = (0.05, 0.15, 0.25, 0.35, 0.45, 0.6, 0.75, 0.9, 1.05, 1.2, 1.4, 1.7)
"""Nominal, over the paper's own; 0.75 is near 18 % grey."""

FIRST_ID = 130  # of markers, apart from those of all other targets
_STEP_W, _STEP_H = 34.0, 46.0  # mm: two rows of six on A4 and Letter


def layout() -> Layout:
    """Return the target."""
    patches, regions, labels = [], [], []
    for i, density in enumerate(DENSITIES):
        row, column = divmod(i, 6)
        # The lower row runs back, so that neighbours never differ by much.
        column = 5 - column if row else column
        x, y = 34.0 + column * _STEP_W, 24.0 + row * 68.0
        tone = 10**-density
        patches.append(Patch(rectangle(x, y, _STEP_W, _STEP_H), tone))
        inset = rectangle(x + 6.0, y + 6.0, _STEP_W - 12.0, _STEP_H - 12.0)
        regions.append(
            Region(
                f"step_{i + 1}",
                (inset[0], inset[1], inset[2], inset[3]),
                position=f"step_{i + 1}",
                density=density,
            )
        )
        labels.append(Label(f"{i + 1}", (x + 1.5, y + _STEP_H + 4.5), 2.4))
        labels.append(Label(f"nominal D {density:.2f}", (x + 7.0, y + _STEP_H + 4.5), 1.6))
        labels.append(Label("measured ______", (x + 7.0, y + _STEP_H + 9.5), 1.6))
    side = 22.0
    places = (
        (4.0, 2.0), (125.0, 0.5), (246.0, 2.0), (4.0, 78.0), (246.0, 78.0), (4.0, 152.0),
        (246.0, 152.0),
    )  # fmt: skip
    ruler = Ruler((36.0, 164.0), 150.0)
    return Layout(
        name="greys",
        title="Grey steps",
        width=272.0,
        height=186.0,
        ruler=ruler,
        patches=tuple(patches),
        markers=tuple(Marker(FIRST_ID + i, c, side) for i, c in enumerate(places)),
        labels=(*labels, ruler_label(ruler), Label("Seeworthy grey steps", (36.0, 176.0), 1.7)),
        regions=tuple(regions),
        use="Write the measured density on every step; film it in even light, no gloss.",
    )
