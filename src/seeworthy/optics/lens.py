"""The lens as a formula: from rays to pixels and back, and the angles of view.

Two families. ``pinhole``: radial and tangential polynomials (Brown, Photogramm. Eng.
37(8):855, 1971) with k1, k2, p1, p2, k3. ``fisheye``: a polynomial in the angle from
the axis (Kannala and Brandt, IEEE TPAMI 28(8):1335, 2006) with k1 to k4. Pixel
centres at integers, x right, y down, so the frame's edges lie at −0.5.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Kind = Literal["pinhole", "fisheye"]
COEFFICIENTS: dict[str, tuple[str, ...]] = {
    "pinhole": ("k1", "k2", "p1", "p2", "k3"),
    "fisheye": ("k1", "k2", "k3", "k4"),
}


@dataclass(frozen=True, slots=True)
class LensCamera:
    """Intrinsics: frame size, focal lengths and principal point in px, distortion."""

    kind: Kind
    width: int
    height: int
    fx: float
    fy: float
    cx: float
    cy: float
    k: tuple[float, ...]

    @classmethod
    def of_vector(cls, kind: Kind, width: int, height: int, vector: Array) -> LensCamera:
        """Build from (fx, fy, cx, cy, coefficients...)."""
        fx, fy, cx, cy, *k = (float(v) for v in vector)
        return cls(kind, width, height, fx, fy, cx, cy, tuple(k))

    def vector(self) -> Array:
        """Return (fx, fy, cx, cy, coefficients...)."""
        return np.array([self.fx, self.fy, self.cx, self.cy, *self.k])

    def distort(self, xy: Array) -> Array:
        """Map tangent-plane coordinates X/Z, Y/Z (N, 2) to px (N, 2)."""
        bent = _brown(xy, self.k) if self.kind == "pinhole" else _angle_polynomial(xy, self.k)
        px: Array = bent * (self.fx, self.fy) + (self.cx, self.cy)
        return px

    def limit(self) -> float:
        """Return the angle from the axis, rad, up to which the model is one to one."""
        if self.kind == "fisheye":
            return _fold((1.0, *self.k), math.pi)
        k1, k2, _, _, k3 = self.k
        return math.atan(_fold((1.0, k1, k2, k3), 20.0))

    def undistort(self, px: Array) -> Array:
        """Map px (N, 2) to tangent-plane coordinates (N, 2); NaN where the model folds."""
        direction, angle = self._directions(px)
        return direction * np.tan(np.where(angle < math.pi / 2, angle, np.nan))[:, None]

    def rays(self, px: Array) -> Array:
        """Return unit rays (N, 3) of px (N, 2); NaN where the model folds."""
        direction, angle = self._directions(px)
        return np.column_stack([direction * np.sin(angle)[:, None], np.cos(angle)])

    def _directions(self, px: Array) -> tuple[Array, Array]:
        """Return the unit direction in the frame (N, 2) and the angle from the axis (N,)."""
        bent = (np.asarray(px, float) - (self.cx, self.cy)) / (self.fx, self.fy)
        if self.kind == "fisheye":
            far = np.hypot(*bent.T)
            angle = _invert(far, (1.0, *self.k), math.pi)
            return bent / np.maximum(far, 1e-15)[:, None], angle
        k1, k2, p1, p2, k3 = self.k
        flat = bent
        for _ in range(30):  # tangential terms are small: they are the outer, radial the inner loop
            x, y = flat.T
            r2 = x * x + y * y
            shift = np.column_stack(
                [2 * p1 * x * y + p2 * (r2 + 2 * x * x), p1 * (r2 + 2 * y * y) + 2 * p2 * x * y]
            )
            target = bent - shift
            far = np.hypot(*target.T)
            r = _invert(far, (1.0, k1, k2, k3), 20.0)
            new = target * (r / np.maximum(far, 1e-15))[:, None]
            done = bool(np.nanmax(np.abs(new - flat), initial=0.0) < 1e-11)
            flat = new
            if done or not (p1 or p2):
                break
        r = np.hypot(*flat.T)
        return flat / np.maximum(r, 1e-15)[:, None], np.arctan(r)


def _brown(xy: Array, k: tuple[float, ...]) -> Array:
    k1, k2, p1, p2, k3 = k
    x, y = xy.T
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return np.column_stack(
        [
            x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
        ]
    )


def _angle_polynomial(xy: Array, k: tuple[float, ...]) -> Array:
    r = np.hypot(*xy.T)
    theta = np.arctan(r)
    t2 = theta * theta
    bent = theta * (1 + t2 * (k[0] + t2 * (k[1] + t2 * (k[2] + t2 * k[3]))))
    scaled: Array = xy * np.where(r > 1e-12, bent / np.maximum(r, 1e-12), 1.0)[:, None]
    return scaled


def _fold(odd: tuple[float, ...], top: float) -> float:
    """Return where ``s (c0 + c1 s² + c2 s⁴ ...)`` stops growing, at most `top`."""
    slope_in_square = [(2 * i + 1) * c for i, c in enumerate(odd)]
    turns = [
        float(r.real) for r in np.roots(slope_in_square[::-1]) if abs(r.imag) < 1e-9 and r.real > 0
    ]
    return min([math.sqrt(t) for t in turns] + [top])


def _invert(value: Array, odd: tuple[float, ...], top: float) -> Array:
    """Solve ``s (c0 + c1 s² + c2 s⁴ ...) = value`` for the smallest s ≥ 0; NaN past the fold."""
    slope_in_square = [(2 * i + 1) * c for i, c in enumerate(odd)]
    limit = _fold(odd, top)

    def bent(s: Array, coefficients: Sequence[float]) -> Array:
        q, total = s * s, np.zeros_like(s)
        for c in reversed(coefficients):
            total = total * q + c
        return total

    low, high = np.zeros_like(value), np.full_like(value, limit)
    s = np.minimum(value / odd[0], limit)
    for _ in range(60):
        error = s * bent(s, odd) - value
        high = np.where(error > 0, s, high)
        low = np.where(error > 0, low, s)
        step = s - error / np.maximum(bent(s, slope_in_square), 1e-9)
        new = np.where((step >= low) & (step <= high), step, (low + high) / 2)
        settled = float(np.max(np.abs(new - s), initial=0.0)) < 1e-13
        s = new
        if settled:
            break
    most = limit * float(bent(np.array([limit]), odd)[0])
    return np.where(value <= most + 1e-12, s, np.nan)


def view_angles(camera: LensCamera) -> tuple[float, float, float]:
    """Return the angles in degrees between the rays of opposite frame edges.

    Horizontal and vertical: midpoints of the sides; diagonal: mean of the two
    diagonals. NaN where the lens model folds before the edge.
    """
    w, h = camera.width - 0.5, camera.height - 0.5
    mx, my = (camera.width - 1) / 2, (camera.height - 1) / 2
    ends = np.array(
        [[-0.5, my], [w, my], [mx, -0.5], [mx, h], [-0.5, -0.5], [w, h], [w, -0.5], [-0.5, h]]
    )
    rays = camera.rays(ends)
    a, b = rays[0::2], rays[1::2]
    # atan2 keeps its precision where acos of a dot product loses it.
    angle = np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), np.sum(a * b, axis=1)))
    return float(angle[0]), float(angle[1]), float((angle[2] + angle[3]) / 2)


def tv_distortion(camera: LensCamera) -> float:
    """Return the bend of a straight line along the long edge, in percent.

    A rectangle that an ideal lens of this focal length would draw as the whole frame: how much
    nearer to (−) or farther from (+) the middle its long edges' corners lie than their middles,
    over the full height at the middle (ISO 17850:2015, dH/H; form from memory).
    """
    half = np.array([camera.width / 2 / camera.fx, camera.height / 2 / camera.fy])
    corners = np.array([[sx, sy] for sy in (-1, 1) for sx in (-1, 0, 1)]) * half
    y = camera.distort(corners)[:, 1]
    middle = y[4] - y[1]
    ends = ((y[3] + y[5]) - (y[0] + y[2])) / 2
    return float((ends - middle) / (2 * middle) * 100)
