"""Grey patches in a picture: the steps of our scale, marked ones, and what they reflect."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from seeworthy.ground.errors import BadQuantity, CannotMeasure, WrongCall
from seeworthy.ground.quantities import Quantity
from seeworthy.observe.marked import LEAST_SIDE, Box
from seeworthy.targets.edges import LOW_TONE
from seeworthy.targets.find import Found, find

Density = tuple[float, float]
"""Density and its standard uncertainty."""

PAPER_DENSITY = 0.07
"""Density of office paper (common practice, no source); the scale's nominal ones lie over it."""
U_NOMINAL = 0.06
"""Standard uncertainty of a nominal density as printed, all steps together (a judgement)."""
U_MEASURED = 0.02
"""The same of a density typed without an uncertainty: calibration of a reflection
densitometer (a judgement)."""
INK = 0.04
"""Reflectance of full ink on paper (common practice, no source)."""


_DENSITIES = "Write them in order with spaces: '0.09 0.19 0.31 ± 0.02'."

# Bare paper of our scale in mm from its corner: between the rows and beside the labels
# (`targets.greys`); the top strip ends where a marker stands in its middle.
_PAPER_ROWS = ((82.5, 91.0, range(6)), (13.0, 22.5, (0, 1, 4, 5)), (151.5, 161.0, range(6)))
_COLUMN, _FIRST, _INSET = 34.0, 34.0, 4.0


@dataclass(frozen=True, slots=True)
class GreyPatch:
    """One patch: box (x, y, w, h) in px, reflectance and its uncertainty where known."""

    name: str
    box: Box
    reflectance: float | None = None
    u_reflectance: float | None = None

    @property
    def density(self) -> Density | None:
        """Density and its standard uncertainty, where known."""
        if self.reflectance is None:
            return None
        u = (self.u_reflectance or 0.0) / self.reflectance / math.log(10)
        return -math.log10(self.reflectance), u


def typed_densities(reading: Quantity | None) -> list[Density]:
    """Read densities as typed: numbers in order, one ± at the end for all.

    Raises:
        BadQuantity
    """
    if reading is None:
        return []
    body, _, tail = reading.text.partition("±")
    parts = [p for p in re.split(r"[;\s]+|,\s+", body.strip()) if p]
    try:
        found = [float(p.replace(",", ".")) for p in parts]
        u = float(tail.replace(",", ".")) if tail.strip() else U_MEASURED
    except ValueError:
        raise BadQuantity(f"'{reading.text}' is not a list of densities.", _DENSITIES) from None
    if not found or not all(0 <= d < 5 for d in found) or not 0 <= u < 1:
        raise BadQuantity(f"'{reading.text}' is not a list of densities.", _DENSITIES)
    return [(d, u) for d in found]


def step_patches(
    mean: Any, densities: Sequence[Density], *, mirrored: bool = False
) -> list[GreyPatch] | None:
    """Return the steps of the greys target that are in the picture, None where there is none.

    Args:
        mean: Mean code values.
        densities: sequence of (density, u). Measured, one per step in order; empty takes the
            nominal ones.

    Raises:
        WrongCall: Not as many densities as steps.
    """
    try:
        found = find(mean, "greys", mirrored=mirrored)
    except CannotMeasure:
        return None
    regions = found.layout.regions
    if densities and len(densities) != len(regions):
        raise WrongCall(
            f"{len(densities)} densities were typed for {len(regions)} steps.",
            "Type one for each step, in the order of their numbers.",
        )
    patches = []
    for i, region in enumerate(regions):
        nominal = PAPER_DENSITY + (region.density or 0.0)
        density = densities[i] if densities else (nominal, U_NOMINAL)
        box = inner_box(found.region(region.name), mean.shape)
        if box is not None:
            patches.append(grey_patch(f"step {i + 1}", box, density))
    return patches


def paper_patches(mean: Any, *, mirrored: bool = False) -> list[GreyPatch]:
    """Return places of bare paper between the steps of the greys target, none without it."""
    try:
        found = find(mean, "greys", mirrored=mirrored)
    except CannotMeasure:
        return []
    patches = []
    for row, (top, bottom, columns) in enumerate(_PAPER_ROWS):
        for column in columns:
            left = _FIRST + column * _COLUMN + _INSET
            right = left + _COLUMN - 2 * _INSET
            corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
            box = inner_box(found.mapping.to_image(corners), mean.shape)
            if box is not None:
                patches.append(GreyPatch(f"paper {row + 1}.{column + 1}", box))
    return patches


def grey_patch(name: str, box: Box, density: Density) -> GreyPatch:
    """Return a patch of a density: ``R = 10^-D``."""
    reflectance = 10 ** -density[0]
    return GreyPatch(name, box, reflectance, reflectance * math.log(10) * density[1])


def edges_patches(found: Found, shape: tuple[int, int]) -> list[GreyPatch]:
    """Return the square in the middle of the low-contrast edges target, and paper beside it."""
    paper = 10**-PAPER_DENSITY
    grey = INK + LOW_TONE * (paper - INK)
    corners = [r.corners for r in found.layout.regions if r.position == "centre"]
    centre = np.array(corners).reshape(-1, 2).mean(axis=0)
    outline = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    # The square reaches 18 mm from its centre, the next marker begins 44 mm from it.
    places = (
        ("grey square", centre + 9.0 * outline, grey, grey * math.log(10) * U_NOMINAL),
        ("paper", centre + (29.0, 0.0) + 7.0 * outline, paper, 0.04 * paper),
    )
    patches = []
    for name, points, reflectance, u in places:
        box = inner_box(found.mapping.to_image(points), shape)
        if box is not None:
            patches.append(GreyPatch(name, box, reflectance, u))
    return patches


def inner_box(corners: Any, shape: tuple[int, int]) -> Box | None:
    """Return the upright box inside a quadrilateral, None where too small or out of the frame."""
    points = np.asarray(corners, float)
    x, y = np.sort(points[:, 0]), np.sort(points[:, 1])
    x0, x1 = math.ceil(x[1]) + 1, math.floor(x[2]) - 1
    y0, y1 = math.ceil(y[1]) + 1, math.floor(y[2]) - 1
    x0, y0 = max(x0, 0), max(y0, 0)
    x1, y1 = min(x1, shape[1] - 1), min(y1, shape[0] - 1)
    if x1 - x0 + 1 < LEAST_SIDE or y1 - y0 + 1 < LEAST_SIDE:
        return None
    return x0, y0, x1 - x0 + 1, y1 - y0 + 1
