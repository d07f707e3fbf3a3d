"""How a camera turns, from the motion of picture points: rays, and the rotation between frames.

Camera axes: x right, y down, z forward (of the stored picture). Rotation is given about
them by the right-hand rule, so that positive values are pitch up, yaw to the right and
roll clockwise as the camera is seen from behind.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

AXES = ("pitch", "yaw", "roll")
RECTILINEAR = 1.0  # `Shape.k` of a lens that keeps straight lines straight
_TUKEY = 4.685  # 95 % efficiency on normal noise (Holland and Welsch 1977)
_ROUNDS = 6  # reweightings of the fit (a judgement: it has settled)
_FLAT = 1e-4  # below, tan x and x are the same number


class TurningLens(Protocol):
    """What turns px into rays: `Shape` here, `seeworthy.optics.lens.LensCamera` from the board."""

    def rays(self, px: Floats) -> Floats:
        """Return unit rays (N, 3) of px (N, 2)."""


@dataclass(frozen=True, slots=True)
class Shape:
    """A lens by one focal length and one bend: ``r = f tan(√k θ) / √k`` from the middle.

    Attributes:
        focal: px, in the middle of the picture.
        k: 1 for a lens that keeps straight lines straight, 1/4 for a stereographic one, 0 for one
            that draws equal angles equally long; below, edges are squeezed more (tanh).
    """

    focal: float
    k: float
    width: int
    height: int

    @classmethod
    def of_view(cls, hfov: float, k: float, width: int, height: int) -> Shape:
        """Build from the angle of view across, rad."""
        return cls(width / 2 / float(_far(np.array(hfov / 2), k)), k, width, height)

    @property
    def hfov(self) -> float:
        """Angle of view across, rad."""
        return 2 * float(self._angle(np.array([self.width / 2]))[0])

    def rays(self, px: Floats) -> Floats:
        """Return unit rays (N, 3) of px (N, 2)."""
        middle = ((self.width - 1) / 2, (self.height - 1) / 2)
        off = np.asarray(px, float) - middle
        far = np.hypot(off[:, 0], off[:, 1])
        angle = self._angle(far)
        sine = np.where(far > 1e-9, np.sin(angle) / np.maximum(far, 1e-9), 1 / self.focal)
        return np.column_stack([off * sine[:, None], np.cos(angle)])

    def project(self, rays: Floats) -> Floats:
        """Return px (N, 2) of rays (N, 3) of any length."""
        far = np.hypot(rays[:, 0], rays[:, 1])
        angle = np.arctan2(far, rays[:, 2])
        scale = self.focal * _far(angle, self.k) / np.maximum(far, 1e-12)
        middle = ((self.width - 1) / 2, (self.height - 1) / 2)
        px: Floats = rays[:, :2] * scale[:, None] + middle
        return px

    def _angle(self, far: Floats) -> Floats:
        r = far / self.focal
        root = math.sqrt(abs(self.k))
        if root < _FLAT:
            return np.asarray(np.minimum(r, math.pi), float)
        if self.k > 0:
            return np.asarray(np.arctan(root * r) / root, float)
        # Past the edge of what such a lens draws, the last angle it does.
        return np.asarray(np.arctanh(np.minimum(root * r, 0.999)) / root, float)


def _far(angle: Floats, k: float) -> Floats:
    """Return the distance from the middle in focal lengths."""
    root = math.sqrt(abs(k))
    if root < _FLAT:
        return angle
    if k > 0:
        return np.asarray(np.tan(np.minimum(root * angle, 1.55)) / root)
    return np.asarray(np.tanh(root * angle) / root)


@dataclass(frozen=True, slots=True)
class Flow:
    """Points of many pairs of frames, padded to one shape.

    Attributes:
        middle: (M, N, 3). Mean of both rays of a point.
        change: (M, N, 3). Ray in the later frame minus ray in the earlier.
        start, end: When the point's rows were read, s.
        cell: Place in the picture, see `cells`.
        there: False where there is no point.
    """

    middle: Floats
    change: Floats
    start: Floats
    end: Floats
    cell: npt.NDArray[np.int64]
    there: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Turn:
    """Rotation between the frames of many pairs.

    Attributes:
        rate: (M, 3), rad/s about x, y, z; NaN where it could not be had.
        noise: (M, 3). Variance of `rate` by halves of the points, (rad/s)².
        time: (M,). Middle of the stretch that a rate is the mean of, s.
        weight: 0 (not believed) to 1 for each point.
        residual: (M, N, 3), rad, what rotation and approach do not explain.
        approach: (M,), 1/s, how fast everything comes nearer.
        scatter: (M,). Robust standard deviation of the residuals, rad.
    """

    rate: Floats
    noise: Floats
    time: Floats
    weight: Floats
    residual: Floats
    approach: Floats
    scatter: Floats


GRID = (8, 6)  # cells across and down, for what differs from place to place


def cells(px: Floats, width: int, height: int) -> npt.NDArray[np.int64]:
    """Return the cell of each px (N, 2), 0 to 47."""
    column = np.clip((px[:, 0] + 0.5) / width * GRID[0], 0, GRID[0] - 1).astype(np.int64)
    row = np.clip((px[:, 1] + 0.5) / height * GRID[1], 0, GRID[1] - 1).astype(np.int64)
    return row * GRID[0] + column


def solve(flow: Flow, place_weight: Floats | None = None, *, approach: bool = True) -> Turn:
    """Return the rotation of every pair, robust against what moves by itself.

    Between the frames a far point's ray turns by ``m × ω``; an approach to everything at once is
    taken out beside it, so that flying ahead does not pass for rotation. Iterated Tukey weights.

    Args:
        place_weight: (48,) array. How far each cell of the picture is believed, see `believed`.
        approach: False leaves the approach in, to see where in the picture it shows.
    """
    m, there = flow.middle, flow.there
    dt = np.where(there, flow.end - flow.start, 1.0)
    design = np.zeros((*m.shape[:2], 3, 4))
    # m × ω as a matrix on ω
    design[..., 0, 1], design[..., 0, 2] = -m[..., 2], m[..., 1]
    design[..., 1, 0], design[..., 1, 2] = m[..., 2], -m[..., 0]
    design[..., 2, 0], design[..., 2, 1] = -m[..., 1], m[..., 0]
    design[..., 3] = m[..., 2:3] * m
    design[..., 2, 3] -= 1
    if not approach:
        design[..., 3] = 0.0
    design *= dt[..., None, None]
    place = there.astype(float)
    if place_weight is not None:
        place = place * place_weight[flow.cell]
    weight = place
    for _ in range(_ROUNDS):
        answer = _least_squares(design, flow.change, weight)
        residual = flow.change - np.einsum("mnij,mj->mni", design, answer)
        # in units of what the place scatters
        size = np.sqrt((residual**2).sum(2) / 2 * place)
        scatter = _scatter(size, place)
        far = size / np.maximum(_TUKEY * scatter[:, None], 1e-12)
        believed_ = np.clip(1 - far**2, 0, None) ** 2
        weight = place * believed_
    odd = (np.arange(m.shape[1]) % 2).astype(bool)
    halves = [_least_squares(design, flow.change, weight * part) for part in (odd, ~odd)]
    noise = ((halves[0] - halves[1]) ** 2 / 4)[:, :3]
    total = weight.sum(1)
    middle = np.where(there, (flow.start + flow.end) / 2, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        time = (weight * middle).sum(1) / total
    enough = (believed_ > 0.3).sum(1, where=there) >= 8
    rate = np.where(enough[:, None], answer[:, :3], np.nan)
    return Turn(rate, noise, time, weight, residual, answer[:, 3], scatter)


def _least_squares(design: Floats, change: Floats, weight: Floats) -> Floats:
    normal = np.einsum("mnij,mn,mnik->mjk", design, weight, design)
    right = np.einsum("mnij,mn,mni->mj", design, weight, change)
    # Keeps pairs without points from failing; next to nothing beside those with any.
    ridge = 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] + 1e-15
    normal = normal + ridge * np.eye(normal.shape[1])
    return np.asarray(np.linalg.solve(normal, right[..., None])[..., 0])


def _scatter(size: Floats, place: Floats) -> Floats:
    """Robust standard deviation per coordinate of each pair, from sizes of 2-D residuals."""
    shown = np.where(place > 0, size, np.nan)
    with np.errstate(all="ignore"):
        middle = np.nanmedian(
            np.where(np.isnan(shown).all(axis=1, keepdims=True), 0.0, shown), axis=1
        )
    # `size` is r/√2; the median of a Rayleigh r is 1.1774 σ.
    return np.asarray(np.maximum(middle * math.sqrt(2) / 1.1774, 1e-7))


def believed(flow: Flow, turn: Turn) -> Floats:
    """Return a weight per cell of the picture, 1 for the best.

    What is near shows the flight's own way as well as the rotation: its points drift
    steadily or scatter. A cell is believed by the inverse square of both together: the
    drift counts as if it were error, since the way flown changes as the rotation does.

    Args:
        turn: Solved without the approach, which would hide the drift.
    """
    count = GRID[0] * GRID[1]
    use: npt.NDArray[np.bool_] = np.logical_and(flow.there, np.isfinite(turn.rate[:, :1]))
    index = flow.cell[use]
    residual = turn.residual[use]
    spread = np.full(count, np.nan)
    for cell in range(count):
        mine = residual[index == cell]
        if len(mine) < 12:
            continue
        drift = np.median(mine, axis=0)
        scatter = np.median(np.linalg.norm(mine - drift, axis=1)) / 1.1774
        spread[cell] = math.hypot(float(scatter), float(np.linalg.norm(drift)))
    known = spread[np.isfinite(spread)]
    if not len(known):
        return np.ones(count)
    # A lucky cell must not carry all: none counts more than one at the lower quartile.
    floor = float(np.quantile(known, 0.25))
    weight = (floor / np.maximum(spread, floor)) ** 2
    return np.asarray(np.where(np.isfinite(weight), weight, 0.0))
