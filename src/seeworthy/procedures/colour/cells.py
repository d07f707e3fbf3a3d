"""Homogeneous cells: places of one colour on the reference, found again on the test picture.

A cell is the largest disc that fits inside one evenly coloured region, away from its edges
(where lens blur and thinned chroma mix neighbours). The region's outline is looked for on
the test picture by correlation: parallax shifts the disc, an object that was moved or taken
away is left out and counted, like cells that are clipped or uneven. Regions darker than
about L* 15 are no cells: noise and flare decide there, and the cloth is one of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.optics.colour import luminance
from seeworthy.procedures.colour.register import coded, edge_map

Floats = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]

_EDGE = 0.008  # coded units per px: a step of a tenth of L* 10 over a blurred edge
_LEAST_RADIUS = 4.0  # px: 50 pixels (a judgement)
_LARGEST = 0.03  # of the frame's width
_DARK = 0.02  # luminance under which noise and flare decide
_UNEVEN = 0.035  # coded: range of the parts of a cell
CLIPPED = 0.05  # share of clipped px that spoils a cell
_FOUND = 0.65  # correlation of the outlines from which an object is where it was
_SEARCH = 0.015  # of the frame's width
_MOST = 120  # cells: time
SECTORS = 8  # that must agree in hue


@dataclass(frozen=True)
class Plate:
    """One picture in linear light.

    Attributes:
        linear: float32 array, (H, W, 3)
        clipped: Pixels with a channel at the end of its range.
    """

    linear: Image
    clipped: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class CellDisc:
    """A cell: middle (x, y) px on the test picture, and where that is on the reference."""

    x: float
    y: float
    radius: float
    reference: tuple[float, float]
    reference_radius: float


@dataclass(frozen=True)
class Cells:
    """What was found.

    Attributes:
        reference, test: array, (n, 3). Linear RGB.
        u_reference, u_test: array, (n, 3). From the scatter over sectors of each disc (noise and
            coding; a slope of the light is taken out).
        slope: array, (n,). How fast each cell changes from place to place, coded per px of the test
            picture.
        left_out: mapping of reason to number. ``clipped``, ``moved``, ``uneven``.
        lost: sequence of (x, y, reason). The same, with their places on the test picture.
        shift: Typical distance that cells had to be moved on the test picture, px.
    """

    discs: Sequence[CellDisc]
    reference: Floats
    test: Floats
    u_reference: Floats
    u_test: Floats
    slope: Floats
    left_out: dict[str, int] = field(default_factory=dict)
    lost: Sequence[tuple[float, float, str]] = ()
    shift: float = 0.0

    @classmethod
    def gathered(
        cls,
        discs: Sequence[CellDisc],
        values: Sequence[tuple[Floats, Floats, Floats, Floats]],
        slopes: Sequence[float],
        lost: Sequence[tuple[float, float, str]],
        reasons: Sequence[str],
        shift: float = 0.0,
    ) -> Cells:
        """Make it of cells one by one: reference, test and the uncertainties of both."""
        columns = [np.array([v[k] for v in values]).reshape(-1, 3) for k in range(4)]
        seen = [reason for _, _, reason in lost]
        left_out = {r: seen.count(r) for r in dict.fromkeys(reasons)}
        reference, test, u_reference, u_test = columns
        slope = np.array(slopes)
        return cls(discs, reference, test, u_reference, u_test, slope, left_out, tuple(lost), shift)


def find_cells(reference: Plate, test: Plate, matrix: Floats) -> Cells:
    """Find cells on both pictures.

    Args:
        matrix: array, (3, 3). Homography from reference px to test px.
    """
    moved, seen = _carry(reference, matrix, test.linear.shape)
    width = test.linear.shape[1]
    shown, looked = coded(moved.linear), coded(test.linear)
    edges, edges_t = edge_map(shown, 1.0), edge_map(looked, 1.0)
    reach = edge_map(shown), edge_map(looked)
    inset = max(4, round(0.004 * width))
    even = seen & (edges < _limit(edges[seen])) & (luminance(moved.linear) > _DARK)
    open_t = (edges_t < _limit(edges_t)).astype(np.uint8)
    tries = _Tries(moved, test, reach, open_t, inset)
    for region in _regions(even):
        tries.look(region)
    return tries.cells(np.asarray(np.linalg.inv(matrix), float))


def _limit(edges: Image) -> float:
    """Gradient from which there is an edge: above noise, which most of the picture shows."""
    return max(_EDGE, 5.0 * float(np.median(edges)))


def _carry(
    reference: Plate, matrix: Floats, shape: tuple[int, ...]
) -> tuple[Plate, npt.NDArray[np.bool_]]:
    """Return the reference as the test camera stands, and where it is seen."""
    height, width = shape[:2]
    rows, columns = reference.linear.shape[:2]
    shrink = float(np.sqrt(abs(np.linalg.det(matrix[:2, :2]))))
    linear, clipped = reference.linear, reference.clipped.astype(np.float32)
    if shrink < 0.8:  # many px to one: average them first
        linear = np.asarray(
            cv2.resize(linear, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        )
        clipped = np.asarray(
            cv2.resize(clipped, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        )
        fx, fy = linear.shape[1] / columns, linear.shape[0] / rows
        # Pixel centres at integers: edges at -0.5 scale, not centres.
        down = np.array([[fx, 0, (fx - 1) / 2], [0, fy, (fy - 1) / 2], [0, 0, 1]])
        matrix = matrix @ np.linalg.inv(down)
    size = (width, height)
    moved: Any = cv2.warpPerspective(linear, matrix, size, flags=cv2.INTER_LINEAR)
    spoiled: Any = cv2.warpPerspective(clipped, matrix, size, flags=cv2.INTER_LINEAR)
    seen: Any = cv2.warpPerspective(np.ones(linear.shape[:2], np.float32), matrix, size)
    inner = cv2.erode((seen > 0.999).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    return Plate(np.asarray(moved, np.float32), np.asarray(spoiled > 0.2)), np.asarray(inner)


@dataclass(frozen=True)
class _Region:
    box: tuple[int, int, int, int]
    mask: npt.NDArray[np.uint8]


def _regions(even: npt.NDArray[np.bool_]) -> list[_Region]:
    """Return connected even regions, largest first, without the background."""
    opened = cv2.morphologyEx(even.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    height, width = even.shape
    found = []
    for i in np.argsort(-stats[1:count, cv2.CC_STAT_AREA], kind="stable") + 1:
        x, y, w, h, area = (int(v) for v in stats[i])
        if area < np.pi * _LEAST_RADIUS**2:
            break
        if w > 0.8 * width or h > 0.8 * height or area > 0.25 * even.size:
            continue  # the cloth, the table
        found.append(_Region((x, y, w, h), (labels[y : y + h, x : x + w] == i).astype(np.uint8)))
    return found[:_MOST]


class _Tries:
    """Collects cells region by region."""

    def __init__(
        self,
        reference: Plate,
        test: Plate,
        reach: tuple[Image, Image],
        open_t: npt.NDArray[np.uint8],
        inset: int,
    ) -> None:
        self.reference, self.test = reference, test
        self.reach, self.open_t, self.inset = reach, open_t, inset
        self.largest = _LARGEST * test.linear.shape[1]
        self.found: list[tuple[float, float, float, float, float]] = []
        self.values: list[tuple[Floats, Floats, Floats, Floats]] = []
        self.slopes: list[float] = []
        self.lost: list[tuple[float, float, str]] = []

    def look(self, region: _Region) -> None:
        """Place a disc in a region, or say why not."""
        x, y, _, _ = region.box
        inside = cv2.distanceTransform(np.pad(region.mask, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
        if inside.max() - self.inset < _LEAST_RADIUS:
            return  # lint, rims and highlights: too small to be an object
        row, column = np.unravel_index(int(inside.argmax()), inside.shape)
        middle = (x + float(column), y + float(row))
        alike, shift = self._where(region)
        if alike < _FOUND:
            self.lost.append((*middle, "moved"))
            return
        reason, placed = self._place(region, inside, shift)
        if placed is None:
            self.lost.append((*middle, reason))
            return
        cx, cy, radius = placed
        uneven = unevenness(self.reference.linear, cx, cy, radius)
        while uneven > _UNEVEN and radius > 1.5 * _LEAST_RADIUS:
            radius /= 1.5  # round and folded things are even over a smaller part
            uneven = unevenness(self.reference.linear, cx, cy, radius)
        if uneven > _UNEVEN:
            self.lost.append((*middle, "uneven"))
            return
        own = sample(self.reference.linear, cx, cy, radius)
        other = sample(self.test.linear, cx + shift[0], cy + shift[1], radius)
        self.found.append((cx, cy, radius, *shift))
        # The middles of two halves of a disc are 0.85 radii apart.
        self.slopes.append(uneven / (0.85 * radius))
        self.values.append((own[0], other[0], own[1], other[1]))

    def _where(self, region: _Region) -> tuple[float, tuple[float, float]]:
        """Return how well the outline is found on the test picture, and its shift."""
        height, width = self.open_t.shape
        x, y, w, h = region.box
        margin = self.inset + 6
        reach = max(6, round(_SEARCH * width))
        x0, y0 = max(reach, x - margin), max(reach, y - margin)
        x1, y1 = min(width - reach, x + w + margin), min(height - reach, y + h + margin)
        if x1 - x0 < 12 or y1 - y0 < 12:
            return 0.0, (0.0, 0.0)
        # Neighbours move by themselves: only this region's rim counts.
        near = cv2.dilate(
            _paste(region, (y0, y1, x0, x1)), np.ones((2 * margin + 1,) * 2, np.uint8)
        )
        template = self.reach[0][y0:y1, x0:x1] * near
        around = self.reach[1][y0 - reach : y1 + reach, x0 - reach : x1 + reach]
        # Square roots: where edges are counts more than how strong.
        score = _correlation(np.sqrt(around), np.sqrt(template), near.astype(np.float32))
        _, best, _, (px, py) = cv2.minMaxLoc(score)
        return float(best), (
            px - reach + _peak(score[py, :], px),
            py - reach + _peak(score[:, px], py),
        )

    def _place(
        self, region: _Region, inside: Any, shift: tuple[float, float]
    ) -> tuple[str, tuple[float, float, float] | None]:
        """Return the best disc that is clear of edges on both pictures."""
        x, y, w, h = region.box
        move = np.array([[1, 0, -(x + shift[0])], [0, 1, -(y + shift[1])]], np.float64)
        open_t: Any = cv2.warpAffine(self.open_t, move, (w, h), flags=cv2.INTER_NEAREST)
        clear = cv2.distanceTransform(np.pad(open_t & region.mask, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
        room = np.minimum(inside, clear) - self.inset
        # Of many places with enough room take the one farthest inside.
        score = np.minimum(room, self.largest) + 1e-3 * inside
        row, column = np.unravel_index(int(score.argmax()), score.shape)
        radius = float(min(room[row, column], self.largest))
        if radius < _LEAST_RADIUS:
            return "uneven", None
        cx, cy = x + float(column), y + float(row)
        for plate, (dx, dy) in ((self.reference, (0.0, 0.0)), (self.test, shift)):
            disc = disc_mask(plate.clipped.shape, cx + dx, cy + dy, radius)
            if not disc.any() or plate.clipped[disc].mean() > CLIPPED:
                return "clipped", None
        return "", (cx, cy, radius)

    def cells(self, back: Floats) -> Cells:
        """Return what was collected, in reading order."""
        order = sorted(range(len(self.found)), key=lambda i: _reading(self.found[i], self.largest))
        discs = []
        for i in order:
            x, y, r, dx, dy = self.found[i]
            ends = np.array([[[x, y]], [[x + r, y]]], np.float64)
            (ax, ay), (bx, by) = cv2.perspectiveTransform(ends, back)[:, 0]
            discs.append(
                CellDisc(
                    x + dx, y + dy, r, (float(ax), float(ay)), float(np.hypot(bx - ax, by - ay))
                )
            )
        shifts = [float(np.hypot(self.found[i][3], self.found[i][4])) for i in order]
        return Cells.gathered(
            discs,
            [self.values[i] for i in order],
            [self.slopes[i] for i in order],
            self.lost,
            ("clipped", "moved", "uneven"),
            float(np.median(shifts)) if shifts else 0.0,
        )


def _reading(cell: tuple[float, ...], size: float) -> tuple[int, float]:
    """Sort key: rows of cells from the top, each from the left."""
    return round(cell[1] / (3 * size)), cell[0]


def _paste(region: _Region, window: tuple[int, int, int, int]) -> npt.NDArray[np.uint8]:
    y0, y1, x0, x1 = window
    x, y, w, h = region.box
    out = np.zeros((y1 - y0, x1 - x0), np.uint8)
    top, left = max(y, y0), max(x, x0)
    bottom, right = min(y + h, y1), min(x + w, x1)
    if bottom > top and right > left:
        out[top - y0 : bottom - y0, left - x0 : right - x0] = region.mask[
            top - y : bottom - y, left - x : right - x
        ]
    return out


def _correlation(around: Any, template: Any, mask: Any) -> Any:
    """Normalised correlation of masked template and search window, means taken out."""
    n = float(mask.sum())
    t = (template - (template * mask).sum() / n) * mask
    cross = cv2.matchTemplate(around, t.astype(np.float32), cv2.TM_CCORR)
    mean = cv2.matchTemplate(around, mask, cv2.TM_CCORR) / n
    power = cv2.matchTemplate(around * around, mask, cv2.TM_CCORR) / n
    spread = np.sqrt(np.maximum(power - mean * mean, 1e-12) * n * float((t * t).sum()) + 1e-12)
    return np.asarray(cross / spread, np.float32)


def _peak(line: Any, at: int) -> float:
    """Return the place of a maximum between samples, by a parabola."""
    if not 0 < at < len(line) - 1:
        return 0.0
    left, top, right = (float(line[at + k]) for k in (-1, 0, 1))
    bend = left - 2 * top + right
    return 0.5 * (left - right) / bend if bend < 0 else 0.0


def disc_mask(shape: tuple[int, ...], x: float, y: float, radius: float) -> npt.NDArray[np.bool_]:
    """Return the pixels whose middles lie in a disc, (H, W)."""
    mask = np.zeros(shape[:2], np.uint8)
    cv2.circle(mask, (round(x * 16), round(y * 16)), round(radius * 16), 1, -1, shift=4)
    return mask > 0


def sample(linear: Image, x: float, y: float, radius: float) -> tuple[Floats, Floats]:
    """Return mean and standard uncertainty of linear RGB over a disc, (3,) and (3,).

    The uncertainty comes from the means of sectors, a slope across the disc taken out:
    neighbouring pixels share coding and are no independent witnesses.
    """
    x0, y0 = int(max(0, np.floor(x - radius))), int(max(0, np.floor(y - radius)))
    part = linear[y0 : int(np.ceil(y + radius)) + 1, x0 : int(np.ceil(x + radius)) + 1]
    yy, xx = np.mgrid[0 : part.shape[0], 0 : part.shape[1]]
    dx, dy = xx + x0 - x, yy + y0 - y
    inside = dx * dx + dy * dy <= radius * radius
    pixels = part[inside].astype(float)
    mean = pixels.mean(axis=0)
    a = np.column_stack([np.ones(len(pixels)), dx[inside] / radius, dy[inside] / radius])
    rest = pixels - a @ np.linalg.lstsq(a, pixels, rcond=None)[0]
    angle = np.arctan2(dy[inside], dx[inside])
    sector = ((angle + np.pi) / (2 * np.pi) * SECTORS).astype(int) % SECTORS
    counts = np.bincount(sector, minlength=SECTORS)
    means = np.stack(
        [np.bincount(sector, rest[:, c], SECTORS) / np.maximum(counts, 1) for c in range(3)], axis=1
    )[counts > 0]
    # Two slopes and the mean are gone from eight sectors.
    return mean, np.sqrt((means**2).sum(axis=0) / max(1, len(means) - 3) / len(means))


def unevenness(linear: Image, x: float, y: float, radius: float) -> float:
    """Return how uneven a disc is, coded: range of its left, right, upper and lower parts."""
    disc = disc_mask(linear.shape, x, y, radius)
    rows, columns = np.nonzero(disc)
    pixels = coded(linear[disc])
    parts = [
        pixels[side].mean(axis=0)
        for side in (columns < x, columns >= x, rows < y, rows >= y)
        if side.any()
    ]
    return float(np.ptp(np.array(parts), axis=0).max())
