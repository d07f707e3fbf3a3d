"""Sharpness over the frame: MTF50 by position and direction, evenness, decentring.

Each edge is evaluated in several means of frames; their scatter and the scatter between
edges of one place make the uncertainty, with a floor for what all frames of a take share
(coding, the slant): 0.4 % of a static clip, from rendered studies.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.sharpness.slanted_edge import (
    Edge,
    EdgeSpread,
    Sfr,
    fit_edge,
    response,
    spread,
)

Floats = npt.NDArray[np.float64]
CORNERS = ("top_left", "top_right", "bottom_left", "bottom_right")
FLOOR = 0.004  # of MTF50, fitted on our own rendered clips (7 Mbit/s, seed 3)
FLOOR_TENTH = 0.015
"""The same of MTF10, where little contrast is left that a coder keeps or drops: 1.4 to 1.6 % rms of
our own rendered clips (7 Mbit/s, seed 3)."""
_CLIPPED_SHARE = 0.02  # of the pixels of an edge (a judgement)

FINEST = 0.5
"""MTF50 in cy/px above which an edge is refused: half a cycle a pixel is the finest that pixels
carry (the sampling theorem); what keeps half its contrast beyond it was made by folding, coding
or a hard edge of a drawn picture."""

HIGHEST = 2.5
"""Response from which an edge is refused. Hard sharpening stays under it (by arithmetic: an unsharp
mask of 1.5 over 1.5 px behind a blur of 0.4 px gives 2.0); more is a line beside the edge."""

DRIFT = 0.25
"""Motion in px, from one mean of frames to the next, from which an edge is refused: a box of that
length takes 1 % off the response at 0.3 cy/px (sinc 0.075)."""

CODER = 74.0
"""What coding takes from grainy edges, as a share of MTF50 per squared grain over step. Fitted on
our own rendered clips (4:1, 7 Mbit/s, seed 9): 2.5 % at 330 electrons, 0.9 % at 1000; the same
clips at 80 Mbit/s lose 0.3 % at most."""


@dataclass(frozen=True, slots=True)
class EdgeRegion:
    """Where one edge is.

    Attributes:
        orientation: {"horizontal", "vertical"}. Of the edge.
        corners: array, (4, 2). Outline in px.
    """

    name: str
    position: str
    orientation: str
    corners: Floats


@dataclass(frozen=True, slots=True)
class EdgeResult:
    """One edge: its SFR, `u` of its MTF50 by scatter, the fit in frame coordinates.

    `mtf10`, `u10`: the same at a tenth of the contrast.
    `grain` is the deviation of single pixels in one mean of frames over the step of the edge,
    0 where there is one picture alone.
    """

    region: EdgeRegion
    sfr: Sfr
    mtf50: float
    u: float
    overshoot: float
    u_overshoot: float
    edge: Edge
    offset: tuple[int, int]
    n: int
    grain: float = 0.0
    mtf10: float = 1.0
    u10: float = 0.0


@dataclass(frozen=True, slots=True)
class Place:
    """MTF50 (or a ratio) with standard uncertainty and number of edges."""

    value: float
    u: float
    n: int


def crop(shape: tuple[int, int], corners: Floats) -> tuple[slice, slice, npt.NDArray[np.bool_]]:
    """Return rows, columns and mask of a region inside a frame.

    Raises:
        CannotMeasure: The region leaves the frame.
    """
    x0, y0 = np.floor(corners.min(axis=0)).astype(int)
    x1, y1 = np.ceil(corners.max(axis=0)).astype(int) + 1
    if x0 < 0 or y0 < 0 or x1 > shape[1] or y1 > shape[0]:
        raise CannotMeasure("The region leaves the frame.", "Show all of the target.")
    y, x = np.mgrid[y0:y1, x0:x1]
    inside = np.ones(x.shape, bool)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        side = (b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0])
        inside &= side * _turn(corners) >= 0
    return slice(y0, y1), slice(x0, x1), inside


def _turn(corners: Floats) -> float:
    x, y = corners.T
    return float(np.sign((x * np.roll(y, -1) - np.roll(x, -1) * y).sum()))


def measure_edge(
    frames: Sequence[npt.NDArray[np.floating]], region: EdgeRegion, clip: tuple[float, float]
) -> EdgeResult:
    """Measure one edge in means of frames.

    Args:
        frames: Linear light; independent means of frames (one is enough, its scatter is unknown).
        clip: (low, high). Light at and beyond which pixels are clipped.

    Raises:
        CannotMeasure: See `fit_edge`; or clipped, moving, or not the response of a lens and pixels.
    """
    rows, columns, mask = crop(frames[0].shape, region.corners)
    tiles = [np.asarray(f[rows, columns], float) for f in frames]
    if region.orientation == "horizontal":
        tiles, mask = [t.T for t in tiles], mask.T
    whole = np.mean(tiles, axis=0)
    lost = np.mean((whole[mask] <= clip[0]) | (whole[mask] >= clip[1]))
    if lost > _CLIPPED_SHARE:
        raise CannotMeasure(
            f"{100 * lost:.0f} % of the region is clipped.",
            "Expose so that white paper is not quite white, or use the low-contrast target.",
        )
    edge = fit_edge(whole, mask)
    fits = [fit_edge(t, mask) for t in tiles]
    _check_still(fits)
    spreads = [spread(t, f, mask) for t, f in zip(tiles, fits, strict=True)]
    sfr = response(_mean_spread(spreads))
    _check_response(sfr)
    singles = [response(s) for s in spreads]
    n = len(singles)
    u = _scatter([s.mtf50 for s in singles], 0.02 * sfr.mtf50)
    u10 = _scatter([s.mtf10 for s in singles], 0.03 * sfr.mtf10)
    overshoot = float(np.mean([s.overshoot for s in singles]))
    u_over = _scatter([s.overshoot for s in singles], 1.0)
    offset = (int(columns.start), int(rows.start))
    grain = float(np.mean([f.noise / (f.high - f.low) for f in fits])) if n > 1 else 0.0
    return EdgeResult(
        region, sfr, sfr.mtf50, u, overshoot, u_over, edge, offset, n, grain, sfr.mtf10, u10
    )


def _scatter(values: Sequence[float], alone: float) -> float:
    """Return the standard uncertainty of a mean, `alone` where one value stands alone."""
    if len(values) < 2:
        return alone
    return float(np.std(values, ddof=1)) / math.sqrt(len(values))


def _check_still(fits: Sequence[Edge]) -> None:
    places = [float(f.x(f.middle)) for f in fits]
    if len(places) > 1 and float(np.median(np.abs(np.diff(places)))) > DRIFT:
        raise CannotMeasure(
            "The edge moves while it is filmed, which blurs it.",
            "Film an edge that stands still, the camera on a tripod.",
        )


def _check_response(sfr: Sfr) -> None:
    """Refuse what no lens and no pixels can give."""
    if sfr.mtf50 > FINEST:
        raise CannotMeasure(
            f"Half of the contrast is left at {sfr.mtf50:.2f} cy/px, finer than pixels can show: "
            "this is not an edge as a lens draws it, or the camera sharpens very hard.",
            "Film the target of `seeworthy target edges`, or mark a clean edge of a thing.",
        )
    if sfr.peak > HIGHEST:
        raise CannotMeasure(
            f"The response rises to {sfr.peak:.1f} times: a line runs beside the edge, or the "
            "picture was drawn or repaired.",
            "Mark an edge between two plain surfaces, nothing else near it.",
        )


def _mean_spread(spreads: Sequence[EdgeSpread]) -> EdgeSpread:
    # Averaged in the edge domain: each mean of frames brings its own place of the edge.
    reach = min(-float(s.distance[0]) for s in spreads)
    grid = spreads[0].distance[np.abs(spreads[0].distance) <= reach + 1e-9]
    lights = [np.interp(grid, s.distance, s.light) for s in spreads]
    return EdgeSpread(grid, np.asarray(np.mean(lights, axis=0), np.float64))


def by_place(edges: Sequence[EdgeResult], *, tenth: bool = False) -> dict[tuple[str, str], Place]:
    """Combine edges of one position and orientation: MTF50, or MTF10."""
    groups: dict[tuple[str, str], list[EdgeResult]] = {}
    for e in edges:
        groups.setdefault((e.region.position, e.region.orientation), []).append(e)
    return {key: _combine(found, tenth) for key, found in groups.items()}


def _combine(found: Sequence[EdgeResult], tenth: bool) -> Place:
    values = np.array([e.mtf10 if tenth else e.mtf50 for e in found])
    mean = float(values.mean())
    within = math.sqrt(sum((e.u10 if tenth else e.u) ** 2 for e in found)) / len(found)
    floor = FLOOR_TENTH if tenth else FLOOR
    # Two edges of a square see slightly different places of the lens; half their range is
    # what one value for the place leaves open.
    between = float(np.ptp(values)) / (2 * math.sqrt(3)) if len(found) > 1 else 0.0
    # A coder smooths fine detail along with the grain, in all edges of a take alike.
    coder = CODER * float(np.mean([e.grain for e in found])) ** 2 * mean
    u = math.sqrt(within**2 + between**2 + (floor * mean) ** 2 + coder**2)
    return Place(mean, u, len(found))


def corner_figures(places: Mapping[tuple[str, str], Place]) -> dict[str, Place]:
    """Return corner mean, evenness and decentring where the corners and centre are there."""
    corners = {}
    for corner in CORNERS:
        found = [p for (position, _), p in places.items() if position == corner]
        if found:
            corners[corner] = _mean_place(found)
    centre = [p for (position, _), p in places.items() if position == "centre"]
    out: dict[str, Place] = {}
    if len(corners) == 4:
        mean = _mean_place(list(corners.values()))
        out["mtf50_corner_mean"] = mean
        best = max(corners.values(), key=lambda p: p.value)
        worst = min(corners.values(), key=lambda p: p.value)
        ratio = best.value / worst.value
        u = ratio * math.hypot(best.u / best.value, worst.u / worst.value)
        out["decentring"] = Place(ratio, u, 4)
        if centre:
            middle = _mean_place(centre)
            even = mean.value / middle.value
            u = even * math.hypot(mean.u / mean.value, middle.u / middle.value)
            out["focus_evenness"] = Place(even, u, 5)
    return out


def _mean_place(found: Sequence[Place]) -> Place:
    value = float(np.mean([p.value for p in found]))
    scatter = math.sqrt(sum(p.u**2 for p in found)) / len(found)
    # The floor is common to all places of a take: it does not average out.
    return Place(value, math.hypot(scatter, FLOOR * value / 2), sum(p.n for p in found))


def find_edges(light: npt.NDArray[np.floating], most: int = 12) -> list[EdgeRegion]:
    """Find slanted edges of any scene: long, straight, 2° to 20° off upright or level.

    Args:
        light: Linear light.
        most: Strongest ones that are kept.
    """
    height, width = light.shape
    low, high = np.percentile(light[::4, ::4], (0.5, 99.5))
    fine = np.abs(np.diff(light[::2], axis=1))
    if high - low < 10 * 1.05 * float(np.median(fine)) or high - low < 1e-3:
        return []  # nothing but noise: stretching it would make edges of it
    grey = np.clip((light - low) / max(high - low, 1e-6), 0, 1) ** 0.45 * 255
    smooth = cv2.GaussianBlur(np.asarray(grey, np.uint8), (0, 0), 1.2)
    lines = cv2.HoughLinesP(cv2.Canny(smooth, 30, 80), 1, np.pi / 720, 45, None, 45, 4)
    found: list[tuple[float, EdgeRegion]] = []
    for x1, y1, x2, y2 in (
        np.asarray(lines if lines is not None else []).reshape(-1, 4).astype(float)
    ):
        angle = math.degrees(math.atan2(abs(x2 - x1), abs(y2 - y1)))
        upright = angle < 45
        if not 2 <= (angle if upright else 90 - angle) <= 20:
            continue
        region = _around((x1, y1), (x2, y2), upright, len(found), (height, width))
        if region is not None and not any(_same(region, r) for _, r in found):
            found.append((math.hypot(x2 - x1, y2 - y1), region))
    found.sort(key=lambda p: -p[0])
    return [r for _, r in found[:most]]


def _around(
    a: tuple[float, float],
    b: tuple[float, float],
    upright: bool,
    number: int,
    shape: tuple[int, int],
) -> EdgeRegion | None:
    reach, trim = 14.0, 3.0
    middle = np.array([(a[0] + b[0]) / 2, (a[1] + b[1]) / 2])
    span = abs(b[1] - a[1]) if upright else abs(b[0] - a[0])
    half = min(span / 2 - trim, 60.0)
    lean = abs(b[0] - a[0]) / 2 if upright else abs(b[1] - a[1]) / 2
    lean *= half / max(span / 2, 1.0)
    w, h = (reach + lean, half) if upright else (half, reach + lean)
    if half < 18:
        return None
    corners = middle + np.array([[-w, -h], [w, -h], [w, h], [-w, h]])
    if (
        corners.min() < 0
        or corners[:, 0].max() > shape[1] - 1
        or corners[:, 1].max() > shape[0] - 1
    ):
        return None
    position = position_of(middle, shape)
    return EdgeRegion(
        f"edge {number + 1}", position, "vertical" if upright else "horizontal", corners
    )


def _same(a: EdgeRegion, b: EdgeRegion) -> bool:
    apart = np.abs(a.corners.mean(axis=0) - b.corners.mean(axis=0))
    return a.orientation == b.orientation and bool((apart < 20).all())


def position_of(middle: Floats, shape: tuple[int, int]) -> str:
    """Return the name of the ninth of the frame in which a point lies."""
    column = min(2, int(3 * middle[0] / shape[1]))
    row = min(2, int(3 * middle[1] / shape[0]))
    names = (
        ("top_left", "top", "top_right"),
        ("left", "centre", "right"),
        ("bottom_left", "bottom", "bottom_right"),
    )
    return names[row][column]
