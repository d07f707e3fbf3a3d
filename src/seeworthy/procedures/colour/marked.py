"""Cells that a person marked: on two pictures, or patches of known values on one."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.procedures.colour.cells import (
    CLIPPED,
    CellDisc,
    Cells,
    Plate,
    disc_mask,
    sample,
    unevenness,
)

Floats = npt.NDArray[np.float64]
Box = tuple[int, int, int, int]

_INSIDE = 0.4  # radius of the disc, share of the box's shorter side


def marked_cells(reference: Plate, test: Plate, matrix: Floats, boxes: Sequence[Box]) -> Cells:
    """Return the marked cells of the test picture and their places on the reference.

    Args:
        matrix: array, (3, 3). Homography from reference px to test px.
        boxes: sequence of (x, y, w, h). On the test picture.
    """
    back: Floats = np.asarray(np.linalg.inv(matrix), float)
    discs, values, slopes, lost = [], [], [], []
    for box in boxes:
        disc = _disc_of(box, back)
        reason = _spoiled(test, (disc.x, disc.y), disc.radius)
        reason = reason or _spoiled(reference, disc.reference, disc.reference_radius)
        if reason:
            lost.append((disc.x, disc.y, reason))
            continue
        discs.append(disc)
        own = sample(reference.linear, *disc.reference, disc.reference_radius)
        other = sample(test.linear, disc.x, disc.y, disc.radius)
        values.append((own[0], other[0], own[1], other[1]))
        slopes.append(unevenness(test.linear, disc.x, disc.y, disc.radius) / (0.85 * disc.radius))
    return Cells.gathered(discs, values, slopes, lost, _reasons(lost))


def patch_cells(test: Plate, boxes: Sequence[Box], known: Floats, u_known: float) -> Cells:
    """Return patches of known colour on the test picture.

    Args:
        boxes: sequence of (x, y, w, h)
        known: array, (n, 3). Linear RGB of each patch.
        u_known: Standard uncertainty of the known values, a share of each patch's strongest
            channel.
    """
    discs, values, slopes, lost = [], [], [], []
    for box, colour in zip(boxes, known, strict=True):
        disc = _disc_of(box, None)
        reason = _spoiled(test, (disc.x, disc.y), disc.radius)
        if reason:
            lost.append((disc.x, disc.y, reason))
            continue
        discs.append(disc)
        seen = sample(test.linear, disc.x, disc.y, disc.radius)
        u = np.full(3, u_known * max(float(np.abs(colour).max()), 1e-3))
        values.append((colour, seen[0], u, seen[1]))
        slopes.append(unevenness(test.linear, disc.x, disc.y, disc.radius) / (0.85 * disc.radius))
    return Cells.gathered(discs, values, slopes, lost, _reasons(lost))


def _disc_of(box: Box, back: Floats | None) -> CellDisc:
    x, y, w, h = box
    middle = (x + (w - 1) / 2, y + (h - 1) / 2)
    radius = _INSIDE * min(w, h)
    if back is None:
        return CellDisc(*middle, radius, middle, radius)
    ends = np.array([[middle], [(middle[0] + radius, middle[1])]], np.float64)
    (ax, ay), (bx, by) = cv2.perspectiveTransform(ends, back)[:, 0]
    return CellDisc(*middle, radius, (float(ax), float(ay)), float(np.hypot(bx - ax, by - ay)))


def _spoiled(plate: Plate, middle: tuple[float, float], radius: float) -> str:
    rows, columns = plate.clipped.shape
    x, y = middle
    if not (radius <= x <= columns - 1 - radius and radius <= y <= rows - 1 - radius):
        return "out of the picture"
    clipped = plate.clipped[disc_mask(plate.clipped.shape, x, y, radius)]
    return "clipped" if clipped.size and clipped.mean() > CLIPPED else ""


def _reasons(lost: list[tuple[float, float, str]]) -> list[str]:
    return ["clipped", *(reason for _, _, reason in lost)]
