"""A flat target in front of the virtual camera: pose, lens, exact area coverage.

The target comes as plain polygons, each with the step of reflectance that it adds to what lies
under it. Steps add up, so overlapping and touching polygons need no painting order and the sum over
a pixel is exact: every polygon edge deposits its signed area into an accumulation buffer, and one
running sum along the rows turns that into coverage. No texture, no resampling, so what is rendered
has no blur of its own beyond the (sub)pixel's square aperture.

Conventions: pixel centres at integers, x right, y down; camera z forward; the
target lies in its own plane z = 0, x right, y down, millimetres.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Paint:
    """One closed polygon.

    Attributes:
        points: ndarray (n, 2). Corners in mm, either sense of rotation.
        step: Reflectance inside minus reflectance of what it is painted over.
    """

    points: Array
    step: float


@dataclass(frozen=True, slots=True)
class Lens:
    """Intrinsics of the virtual camera.

    Attributes:
        width, height: Frame in px.
        fx, fy: Focal lengths in px; ``fy / fx`` is the pixel aspect ratio.
        cx, cy: Principal point in px.
        kind: {"pinhole", "fisheye"}. ``pinhole``: radial and tangential (Brown 1971), `k` = (k1,
            k2, p1, p2, k3). ``fisheye``: Kannala and Brandt (2006), `k` = (k1, k2, k3, k4) on the
            angle.
    """

    width: int
    height: int
    fx: float
    fy: float
    cx: float
    cy: float
    kind: Literal["pinhole", "fisheye"] = "pinhole"
    k: tuple[float, ...] = ()

    @classmethod
    def of_view(
        cls, width: int, height: int, hfov: float, k: tuple[float, ...] = (), aspect: float = 1.0
    ) -> Lens:
        """Return a centred pinhole lens whose undistorted width spans `hfov` degrees."""
        fx = width / 2 / math.tan(math.radians(hfov) / 2)
        return cls(width, height, fx, fx * aspect, (width - 1) / 2, (height - 1) / 2, k=k)

    def project(self, points: Array) -> Array:
        """Project camera-frame points (N, 3) to px (N, 2).

        Beyond the radius where the radial curve turns back, it is continued in a
        straight line: what lies there is far outside the frame.
        """
        z = np.maximum(points[:, 2], 1e-6)
        if self.kind == "fisheye":
            x, y = self._fisheye(points[:, 0], points[:, 1], points[:, 2])
        else:
            x, y = self._brown(points[:, 0] / z, points[:, 1] / z)
        return np.column_stack([self.fx * x + self.cx, self.fy * y + self.cy])

    def _fisheye(self, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        side = np.hypot(x, y)
        theta = np.arctan2(side, z)
        k1, k2, k3, k4 = (*self.k, 0.0, 0.0, 0.0, 0.0)[:4]
        t2 = theta * theta
        bent = theta * (1 + t2 * (k1 + t2 * (k2 + t2 * (k3 + t2 * k4))))
        scale = np.where(side > 1e-12, bent / np.maximum(side, 1e-12), 1 / np.maximum(z, 1e-12))
        return x * scale, y * scale

    def _brown(self, x: Array, y: Array) -> tuple[Array, Array]:
        k1, k2, p1, p2, k3 = (*self.k, 0.0, 0.0, 0.0, 0.0, 0.0)[:5]
        limit = self._fold()
        r = np.hypot(x, y)
        shrink = np.minimum(1.0, limit / np.maximum(r, 1e-12))
        xs, ys = x * shrink, y * shrink
        r2 = xs * xs + ys * ys
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        xd = xs * radial + 2 * p1 * xs * ys + p2 * (r2 + 2 * xs * xs)
        yd = ys * radial + p1 * (r2 + 2 * ys * ys) + 2 * p2 * xs * ys
        return xd + (x - xs), yd + (y - ys)

    def _fold(self) -> float:
        """Radius where r (1 + k1 r² + k2 r⁴ + k3 r⁶) stops growing."""
        k1, k2, _, _, k3 = (*self.k, 0.0, 0.0, 0.0, 0.0, 0.0)[:5]
        roots = np.roots([7 * k3, 5 * k2, 3 * k1, 1.0]) if any((k1, k2, k3)) else np.array([])
        real = [float(r.real) for r in roots if abs(r.imag) < 1e-9 and r.real > 0]
        return 0.98 * math.sqrt(min(real)) if real else 50.0

    def ray(self, px: Array) -> Array:
        """Return unit rays (N, 3) of px (N, 2), by bisection along the radius (no tangential).

        Tangential terms are undone by a few fixed-point steps first.
        """
        xd = (px[:, 0] - self.cx) / self.fx
        yd = (px[:, 1] - self.cy) / self.fy
        x, y = xd.copy(), yd.copy()
        for _ in range(60):
            px_now, py_now = self._forward(x, y)
            x, y = x + (xd - px_now), y + (yd - py_now)
        if self.kind == "fisheye":  # x, y hold the direction times the angle
            theta = np.hypot(x, y)
            s = np.sinc(theta / math.pi)
            rays = np.column_stack([x * s, y * s, np.cos(theta)])
        else:
            rays = np.column_stack([x, y, np.ones_like(x)])
        unit: Array = rays / np.linalg.norm(rays, axis=1, keepdims=True)
        return unit

    def _forward(self, x: Array, y: Array) -> tuple[Array, Array]:
        if self.kind == "pinhole":
            return self._brown(x, y)
        theta = np.hypot(x, y)
        s = np.sinc(theta / math.pi)
        return self._fisheye(x * s, y * s, np.cos(theta))

    def view_angles(self) -> tuple[float, float, float]:
        """Return true (hfov, vfov, dfov) in degrees, between opposite frame edges."""
        w, h = self.width, self.height
        mx, my = (w - 1) / 2, (h - 1) / 2
        ends = np.array(
            [[-0.5, my], [w - 0.5, my], [mx, -0.5], [mx, h - 0.5], [-0.5, -0.5], [w - 0.5, h - 0.5],
             [w - 0.5, -0.5], [-0.5, h - 0.5]]
        )  # fmt: skip
        rays = self.ray(ends)
        angles = [
            math.degrees(math.acos(float(np.clip(rays[i] @ rays[i + 1], -1, 1))))
            for i in range(0, 8, 2)
        ]
        return angles[0], angles[1], (angles[2] + angles[3]) / 2


@dataclass(frozen=True, slots=True)
class Pose:
    """Where the target is: camera point = rotation · target point + translation (mm)."""

    rotation: Array
    translation: Array

    @classmethod
    def facing(
        cls,
        distance: float,
        *,
        pivot: tuple[float, float] = (0.0, 0.0),
        at: tuple[float, float] = (0.0, 0.0),
        tilt: tuple[float, float] = (0.0, 0.0),
        roll: float = 0.0,
    ) -> Pose:
        """Put the target point `pivot` (mm) at camera (`at`, `distance`), tilted and rolled.

        Args:
            distance: Along the optical axis, mm.
            at: (x, y). Offset of the pivot from the axis, mm.
            tilt: (about_x, about_y). Degrees; the target leans about these camera axes, after the
                roll.
            roll: Degrees clockwise in the picture.
        """
        a, b, c = (math.radians(v) for v in (*tilt, roll))
        rx = np.array([[1, 0, 0], [0, math.cos(a), -math.sin(a)], [0, math.sin(a), math.cos(a)]])
        ry = np.array([[math.cos(b), 0, math.sin(b)], [0, 1, 0], [-math.sin(b), 0, math.cos(b)]])
        rz = np.array([[math.cos(c), -math.sin(c), 0], [math.sin(c), math.cos(c), 0], [0, 0, 1]])
        rotation = ry @ rx @ rz
        place = np.array([*at, distance]) - rotation @ np.array([*pivot, 0.0])
        return cls(rotation, place)

    def apply(self, points: Array) -> Array:
        """Return camera-frame points (N, 3) of target points (N, 2)."""
        moved: Array = points @ self.rotation[:, :2].T + self.translation
        return moved


@dataclass(frozen=True)
class Shot:
    """How one frame is taken.

    Attributes:
        pose: At the middle of the first row's exposure.
        pose_end: At the middle of the last row's exposure (rolling shutter of a moving target).
        exposure_share: Exposure time over the time from first to last row; 0 freezes motion.
        exposures: Sub-exposures averaged for motion blur.
        oversample: Sub-pixels per pixel and direction before the blur.
        mirrored: The file shows the world as in a mirror.
    """

    pose: Pose
    pose_end: Pose | None = None
    exposure_share: float = 0.0
    exposures: int = 1
    oversample: int = 2
    mirrored: bool = False
    spacing_px: float = 16.0


def disc(centre: tuple[float, float], radius: float, corners: int = 720) -> Array:
    """Return a polygon (corners, 2) of the same area as a disc (0.002 % longer radius)."""
    angle = np.arange(corners) * (2 * math.pi / corners)
    area = corners / (2 * math.pi) * math.sin(2 * math.pi / corners)
    r = radius / math.sqrt(area)
    return np.column_stack([centre[0] + r * np.cos(angle), centre[1] + r * np.sin(angle)])


def photograph(paints: Sequence[Paint], base: float, lens: Lens, shot: Shot) -> Array:
    """Return reflectance seen by each sub-pixel, (H·S, W·S), without blur and noise.

    Args:
        base: Reflectance of everything not painted.
    """
    total: Array | None = None
    count = shot.exposures if shot.exposure_share > 0 else 1
    prepared = _prepare(paints, lens, shot)
    for i in range(count):
        shift = shot.exposure_share * ((i + 0.5) / count - 0.5)
        image = _expose(prepared, lens, shot, shift)
        total = image if total is None else total + image
    assert total is not None
    seen: Array = base + total / count
    return seen[:, ::-1] if shot.mirrored else seen


def _prepare(
    paints: Sequence[Paint], lens: Lens, shot: Shot
) -> tuple[Array, npt.NDArray[np.intp], Array]:
    """Subdivide edges so that lens bend is followed; return points, starts, steps."""
    scale = max(lens.fx, lens.fy) / max(float(shot.pose.translation[2]), 1.0)
    spacing = shot.spacing_px / scale
    pieces, starts, steps = [], [0], []
    for paint in paints:
        a = np.asarray(paint.points, float)
        b = np.roll(a, -1, axis=0)
        n = max(1, math.ceil(float(np.hypot(*(b - a).T).max()) / spacing))
        t = np.arange(n)[None, :, None] / n
        dense = (a[:, None] + t * (b - a)[:, None]).reshape(-1, 2)
        pieces.append(dense)
        starts.append(starts[-1] + len(dense))
        steps.append(paint.step)
    return np.concatenate(pieces), np.array(starts), np.array(steps)


def _expose(
    prepared: tuple[Array, npt.NDArray[np.intp], Array], lens: Lens, shot: Shot, shift: float
) -> Array:
    points, starts, steps = prepared
    first = shot.pose.apply(points)
    px = lens.project(first)
    if shot.pose_end is not None:
        last = shot.pose_end.apply(points)
        for _ in range(3):  # a row is read when the picture of the point has reached it
            tau = (px[:, 1:2] / (lens.height - 1)) + shift
            px = lens.project(first + tau * (last - first))
    s = shot.oversample
    # To sub-pixel corner coordinates: the frame's left edge is at -0.5 px.
    grid = (px + 0.5) * s
    follower = np.arange(1, len(grid) + 1)
    follower[starts[1:] - 1] = starts[:-1]
    a, b = grid, grid[follower]
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    area = np.add.reduceat(cross, starts[:-1]) / 2
    weight = np.repeat(steps * np.sign(area), np.diff(starts))
    return coverage(a, b, weight, lens.width * s, lens.height * s)


def coverage(a: Array, b: Array, weight: Array, width: int, height: int) -> Array:
    """Accumulate signed area of directed edges into cells; exact for straight edges.

    Args:
        a, b: ndarray (M, 2). Ends of edges in cell units, cell (0, 0) spanning 0 to 1.
        weight: ndarray (M,). What the inside of the edge's polygon adds.

    Returns:
        ndarray (height, width). Sum over polygons of weight times covered share of the cell.
    """
    a, b, weight = _within_rows(a, b, weight, height)
    a, b, weight = _split(a, b, weight, 1)
    a, b, weight = _split_columns(a, b, weight, width)
    dy = (b[:, 1] - a[:, 1]) * weight
    row = np.clip(np.floor((a[:, 1] + b[:, 1]) / 2), 0, height - 1).astype(np.intp)
    mid = np.clip((a[:, 0] + b[:, 0]) / 2, 0, width)
    column = np.minimum(np.floor(mid), width - 1).astype(np.intp)
    part = mid - column
    flat = row * (width + 1) + column
    size = height * (width + 1)
    # Everything to the right of an edge is inside or outside: a running sum says which.
    cells = np.bincount(flat, -dy * (1 - part), size) + np.bincount(flat + 1, -dy * part, size)
    inside: Array = np.cumsum(cells.reshape(height, width + 1), axis=1)[:, :width]
    return inside


def _within_rows(a: Array, b: Array, weight: Array, height: int) -> tuple[Array, Array, Array]:
    """Clip edges to the band of rows; what lies above or below covers nothing."""
    dy = b[:, 1] - a[:, 1]
    keep = (np.abs(dy) > 1e-12) & (np.maximum(a[:, 1], b[:, 1]) > 0)
    keep &= np.minimum(a[:, 1], b[:, 1]) < height
    a, b, weight, dy = a[keep], b[keep], weight[keep], dy[keep]
    t0 = (np.clip(a[:, 1], 0, height) - a[:, 1]) / dy
    t1 = (np.clip(b[:, 1], 0, height) - a[:, 1]) / dy
    d = b - a
    return a + t0[:, None] * d, a + t1[:, None] * d, weight


def _split_columns(a: Array, b: Array, weight: Array, width: int) -> tuple[Array, Array, Array]:
    """Split at whole columns; beyond the frame one piece is as good as many."""
    outside = (np.maximum(a[:, 0], b[:, 0]) <= 0) | (np.minimum(a[:, 0], b[:, 0]) >= width)
    inner = _split(a[~outside], b[~outside], weight[~outside], 0)
    return (
        np.concatenate([inner[0], a[outside]]),
        np.concatenate([inner[1], b[outside]]),
        np.concatenate([inner[2], weight[outside]]),
    )


def _split(a: Array, b: Array, weight: Array, axis: int) -> tuple[Array, Array, Array]:
    """Cut edges where they cross whole numbers along an axis."""
    start, end = a[:, axis], b[:, axis]
    up = end >= start
    low = np.where(up, np.floor(start) + 1, np.ceil(start) - 1)  # first crossing
    span = np.where(up, np.ceil(end) - low, low - np.floor(end))
    count = np.maximum(span, 0).astype(np.intp) + 1
    index = np.repeat(np.arange(len(a)), count)
    nth = np.arange(len(index)) - np.repeat(np.cumsum(count) - count, count)
    sign = np.where(up, 1.0, -1.0)[index]
    delta = (end - start)[index]
    safe = np.where(np.abs(delta) > 1e-15, delta, 1.0)
    t0 = np.where(nth == 0, 0.0, (low[index] + sign * (nth - 1) - start[index]) / safe)
    t1 = np.where(nth == count[index] - 1, 1.0, (low[index] + sign * nth - start[index]) / safe)
    d = (b - a)[index]
    p0 = a[index] + np.clip(t0, 0, 1)[:, None] * d
    p1 = a[index] + np.clip(t1, 0, 1)[:, None] * d
    return p0, p1, weight[index]


def still(shot: Shot, pose: Pose) -> Shot:
    """Return the same shot of a target that stands still at another pose."""
    return replace(shot, pose=pose, pose_end=None)
