"""Finding rings in a picture and their edges to a small part of a pixel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.optics.corners import sample

Array = npt.NDArray[np.float64]
RAYS = 360  # one a degree
SMALLEST = 20.0
"""Smallest semi-axis in px of a circle's edge that is worth fitting."""

THIN = 8.0
"""A ring whose edges are nearer than this (px) is taken as one line."""


@dataclass(frozen=True, slots=True)
class Ellipse:
    """An ellipse: centre (x, y), semi-axes along its own directions, angle in radians."""

    centre: tuple[float, float]
    axes: tuple[float, float]
    angle: float

    @property
    def size(self) -> float:
        """Geometric mean of the semi-axes, px."""
        return math.sqrt(self.axes[0] * self.axes[1])

    def at(self, t: Array) -> Array:
        """Return points (n, 2) at parameter t."""
        c, s = math.cos(self.angle), math.sin(self.angle)
        x, y = self.axes[0] * np.cos(t), self.axes[1] * np.sin(t)
        return np.column_stack([self.centre[0] + c * x - s * y, self.centre[1] + s * x + c * y])

    def normal(self, t: Array) -> Array:
        """Return outward unit normals (n, 2) at parameter t."""
        c, s = math.cos(self.angle), math.sin(self.angle)
        x, y = np.cos(t) / self.axes[0], np.sin(t) / self.axes[1]
        n = np.column_stack([c * x - s * y, s * x + c * y])
        unit: Array = n / np.linalg.norm(n, axis=1, keepdims=True)
        return unit


@dataclass(frozen=True, slots=True)
class RingEdge:
    """The edge of one circle in the picture.

    Attributes:
        ellipse: Fitted to `points`.
        points: ndarray (n, 2). Sub-pixel edge points, px.
        width: 10 to 90 % width of the edge, px (median over the rays).
        width_ratio: Widest over narrowest direction: well over 1 for motion blur.
        contrast: Step in the picture's units.
        rms: Of the points about the ellipse, px.
        side: 1 where the dark side is inside, −1 where it is outside, 0 for a thin line.
    """

    ellipse: Ellipse
    points: Array
    width: float
    width_ratio: float
    contrast: float
    rms: float
    side: int


@dataclass(frozen=True, slots=True)
class Search:
    """Concentric edges, outermost first, and what stood in the way of more.

    `trouble` is ``""``, ``"none"``, ``"clipped"`` or ``"small"``.
    """

    edges: tuple[RingEdge, ...]
    trouble: str = ""


def fit_ellipse(points: Array) -> Ellipse:
    """Fit an ellipse to at least five points (Fitzgibbon et al., 1999, direct form)."""
    middle = points.mean(axis=0)
    # Centred and scaled: OpenCV works in single precision.
    scale = float(np.abs(points - middle).max())
    shape = ((points - middle) / scale * 100).astype(np.float32)
    (x, y), (d1, d2), angle = cv2.fitEllipseDirect(shape.reshape(-1, 1, 2))
    k = scale / 100
    centre = (float(middle[0] + x * k), float(middle[1] + y * k))
    return Ellipse(centre, (d1 / 2 * k, d2 / 2 * k), math.radians(angle))


def find_rings(image: npt.NDArray[Any], region: tuple[int, int, int, int] | None = None) -> Search:
    """Find the largest set of concentric circle edges.

    Args:
        image: Grey; float keeps its precision.
        region: (x, y, width, height). Look only there, px.
    """
    height, width = image.shape
    x0, y0, w, h = region or (0, 0, width, height)
    part = np.asarray(image[y0 : y0 + h, x0 : x0 + w], np.float32)
    rough, trouble = _candidates(part)
    groups = _concentric(rough)
    if not groups:
        return Search((), trouble or "none")
    picture = np.asarray(image, np.float32)
    best = max(groups, key=lambda g: g[0].size)
    best = [Ellipse((e.centre[0] + x0, e.centre[1] + y0), e.axes, e.angle) for e in best]
    edges = []
    for outer, inner in _pairs(best):
        if inner is not None:
            edge = refine_line(picture, outer, inner)
        else:
            gaps = [abs(outer.size - e.size) for e in best if e is not outer]
            reach = min([0.42 * g for g in gaps] + [0.15 * outer.size])
            edge = refine_edge(picture, outer, reach)
        if edge is None:
            continue
        if min(edge.ellipse.axes) < SMALLEST:
            trouble = "small"
        else:
            edges.append(edge)
    return Search(tuple(edges), "" if edges else trouble or "none")


def _pairs(group: Sequence[Ellipse]) -> list[tuple[Ellipse, Ellipse | None]]:
    """Join edges that are too near each other to be told apart: a thin line has two."""
    found: list[tuple[Ellipse, Ellipse | None]] = []
    i = 0
    while i < len(group):
        thin = i + 1 < len(group) and group[i].size - group[i + 1].size < THIN
        found.append((group[i], group[i + 1] if thin else None))
        i += 2 if thin else 1
    return found


def _candidates(part: npt.NDArray[np.float32]) -> tuple[list[Ellipse], str]:
    """Return rough ellipses from contours at a few thresholds, and what was wrong with others."""
    # A thin ring is a small share of the picture: smoothed extremes, not percentiles.
    smooth = cv2.GaussianBlur(part, (5, 5), 1.2)
    low, high = float(smooth.min()), float(smooth.max())
    grey = np.clip((smooth - low) / max(high - low, 1e-6) * 255, 0, 255).astype(np.uint8)
    found: list[Ellipse] = []
    trouble = ""
    for mask in _masks(grey):
        contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for contour in contours:
            if len(contour) < 60:
                continue
            kind, ellipse = _as_ellipse(np.asarray(contour[:, 0, :], float), grey.shape)
            if ellipse is not None and all(not _same(ellipse, old) for old in found):
                found.append(ellipse)
            trouble = trouble or kind
    return found, trouble


def _masks(grey: npt.NDArray[np.uint8]) -> list[npt.NDArray[np.uint8]]:
    _, global_mask = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    reach = max(31, int(0.12 * max(grey.shape)) | 1)
    local = cv2.adaptiveThreshold(
        grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY, reach, 4
    )
    return [np.asarray(global_mask, np.uint8), np.asarray(local, np.uint8)]


def _as_ellipse(points: Array, shape: tuple[int, ...]) -> tuple[str, Ellipse | None]:
    """Return an ellipse that explains a whole contour, or why there is none."""
    edge = 2
    inside = (points > edge).all(axis=1) & (points[:, 0] < shape[1] - 1 - edge)
    inside &= points[:, 1] < shape[0] - 1 - edge
    if inside.sum() < 60:
        return "", None
    ellipse = fit_ellipse(points[inside])
    if not (math.isfinite(ellipse.size) and ellipse.size > 5):
        return "", None
    if min(ellipse.axes) < 0.3 * max(ellipse.axes) or max(ellipse.axes) > 2 * max(shape):
        return "", None
    away = _distance(ellipse, points[inside])
    if np.quantile(np.abs(away), 0.95) > 0.015 * ellipse.size + 1.0:
        return "", None
    if not inside.all():
        return "clipped", None
    if min(ellipse.axes) < SMALLEST:
        return "small", None
    return "", ellipse


def _distance(ellipse: Ellipse, points: Array) -> Array:
    """Return the signed distance (n,) to an ellipse, to first order."""
    c, s = math.cos(ellipse.angle), math.sin(ellipse.angle)
    d = points - ellipse.centre
    x, y = c * d[:, 0] + s * d[:, 1], -s * d[:, 0] + c * d[:, 1]
    a, b = ellipse.axes
    level = (x / a) ** 2 + (y / b) ** 2 - 1
    slope = 2 * np.hypot(x / a**2, y / b**2)
    distance: Array = level / np.maximum(slope, 1e-12)
    return distance


def _same(a: Ellipse, b: Ellipse) -> bool:
    apart = math.dist(a.centre, b.centre)
    return apart < max(2.0, 0.02 * b.size) and abs(a.size - b.size) < 2.0


def _concentric(found: Sequence[Ellipse]) -> list[list[Ellipse]]:
    """Group ellipses with nearly one centre and shape, outermost first."""
    groups: list[list[Ellipse]] = []
    for ellipse in sorted(found, key=lambda e: -e.size):
        for group in groups:
            first = group[0]
            near = math.dist(ellipse.centre, first.centre) < 0.08 * first.size
            ratio = (max(e.axes) / min(e.axes) for e in (first, ellipse))
            if near and abs(math.log(next(ratio) / next(ratio))) < 0.1:
                group.append(ellipse)
                break
        else:
            groups.append([ellipse])
    return groups


def refine_edge(image: npt.NDArray[np.float32], rough: Ellipse, reach: float) -> RingEdge | None:
    """Locate the edge along normals where brightness crosses half of the step.

    Args:
        reach: How far (px) the profile may go to each side without meeting another edge.

    Returns:
        None where there is no clear step.
    """
    reach = float(np.clip(reach, 2.0, 12.0))
    ellipse = rough
    t = np.linspace(0, 2 * math.pi, RAYS, endpoint=False)
    step = 0.25
    along = np.arange(-reach, reach + step / 2, step)
    for _ in range(3):
        base, normal = ellipse.at(t), ellipse.normal(t)
        where = base[:, None] + along[None, :, None] * normal[:, None]
        profiles = sample(image, where.reshape(-1, 2)).reshape(len(t), -1)
        offset, width, contrast, good = _crossings(profiles, along)
        if good.sum() < 0.7 * RAYS:
            return None
        points = base[good] + offset[good, None] * normal[good]
        keep = np.abs(offset[good] - _smooth(t[good], offset[good])) < max(
            0.5, 4 * float(np.median(np.abs(offset[good] - _smooth(t[good], offset[good]))))
        )
        points = points[keep]
        ellipse = fit_ellipse(points)
    rms = float(np.sqrt(np.mean(_distance(ellipse, points) ** 2)))
    return RingEdge(
        ellipse, points, float(np.median(width[good])), _directional(t[good], width[good]),
        float(np.median(np.abs(contrast[good]))), rms, int(np.sign(np.median(contrast[good]))),
    )  # fmt: skip


def refine_line(image: npt.NDArray[np.float32], outer: Ellipse, inner: Ellipse) -> RingEdge | None:
    """Locate a thin ring along normals at the centroid of its darkness (or lightness).

    Returns:
        With `side` 0; None where there is no clear line.
    """
    ellipse = Ellipse(
        outer.centre,
        ((outer.axes[0] + inner.axes[0]) / 2, (outer.axes[1] + inner.axes[1]) / 2),
        outer.angle,
    )
    t = np.linspace(0, 2 * math.pi, RAYS, endpoint=False)
    reach = (outer.size - inner.size) / 2 + 4.0
    along = np.arange(-reach, reach + 0.125, 0.25)
    for _ in range(3):
        base, normal = ellipse.at(t), ellipse.normal(t)
        where = base[:, None] + along[None, :, None] * normal[:, None]
        profiles = sample(image, where.reshape(-1, 2)).reshape(len(t), -1)
        ground = (profiles[:, :4].mean(axis=1) + profiles[:, -4:].mean(axis=1)) / 2
        line = profiles - ground[:, None]
        line = line * (np.sign(np.nanmedian(line[:, len(along) // 2])) or 1.0)
        peak = line.max(axis=1)
        weight = np.maximum(line - 0.2 * peak[:, None], 0.0)
        total = weight.sum(axis=1)
        offset = (weight @ along) / np.where(total > 0, total, 1.0)
        good = np.isfinite(offset) & (peak > max(1.0, 0.4 * float(np.nanmedian(peak))))
        if good.sum() < 0.7 * RAYS:
            return None
        points = base[good] + offset[good, None] * normal[good]
        ellipse = fit_ellipse(points)
    rms = float(np.sqrt(np.mean(_distance(ellipse, points) ** 2)))
    wide = weight.sum(axis=1) / np.where(peak > 0, peak, 1.0) * 0.25
    return RingEdge(
        ellipse, points, float(np.median(wide[good])), _directional(t[good], wide[good]),
        float(np.median(peak[good])), rms, 0,
    )  # fmt: skip


def _crossings(profiles: Array, along: Array) -> tuple[Array, Array, Array, npt.NDArray[np.bool_]]:
    """Return offset, 10–90 % width, step and validity of each profile."""
    tail = max(3, profiles.shape[1] // 6)
    inner, outer = profiles[:, :tail].mean(axis=1), profiles[:, -tail:].mean(axis=1)
    step = outer - inner
    sign = np.sign(np.nanmedian(step)) or 1.0
    share = (profiles - inner[:, None]) / np.where(np.abs(step) > 1e-9, step, 1e-9)[:, None]
    places = [_cross(share, along, level) for level in (0.1, 0.5, 0.9)]
    width = places[2] - places[0]
    good = np.isfinite(share).all(axis=1) & (step * sign > 0.4 * np.nanmedian(step * sign))
    good &= np.isfinite(places[1]) & np.isfinite(width)
    return places[1], width, step, np.asarray(good & (np.abs(step) > 1.0), np.bool_)


def _cross(share: Array, along: Array, level: float) -> Array:
    """Return where each row crosses a level nearest the middle of the rise; NaN if nowhere."""
    above = share >= level
    rising = ~above[:, :-1] & above[:, 1:]
    score = np.where(rising, -np.abs(along[:-1])[None, :], -np.inf)
    at = np.argmax(score, axis=1)
    rows = np.arange(len(share))
    a, b = share[rows, at], share[rows, at + 1]
    safe = np.where(np.abs(b - a) > 1e-12, b - a, 1.0)
    place = along[at] + (level - a) / safe * (along[1] - along[0])
    return np.where(rising[rows, at], place, np.nan)


def _smooth(t: Array, values: Array, order: int = 4) -> Array:
    """Return the low harmonics of values around the ellipse (outliers stand out from them)."""
    columns = [np.ones_like(t)]
    for n in range(1, order + 1):
        columns += [np.cos(n * t), np.sin(n * t)]
    design = np.column_stack(columns)
    weights = np.ones_like(t)
    for _ in range(3):
        w = np.sqrt(weights)[:, None]
        fit = design @ np.linalg.lstsq(design * w, values * w[:, 0], rcond=None)[0]
        off = np.abs(values - fit)
        weights = 1 / np.maximum(off, 1e-3 + float(np.median(off)))
    return np.asarray(fit, np.float64)


def _directional(t: Array, width: Array) -> float:
    """Return widest over narrowest direction of the second harmonic of the edge width."""
    design = np.column_stack([np.ones_like(t), np.cos(2 * t), np.sin(2 * t)])
    mean, c, s = np.linalg.lstsq(design, width, rcond=None)[0]
    swing = min(math.hypot(c, s), 0.95 * abs(mean))
    return float((mean + swing) / max(mean - swing, 1e-6))
