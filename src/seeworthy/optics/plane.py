"""Where the points of a flat target lie in the frame: a homography behind a lens.

When the lens is not known, one or two radial terms about the middle of the frame take up most of
its bend; with a known `LensCamera` the homography is fitted to undistorted points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.optics.lens import LensCamera

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PlaneMap:
    """From target millimetres to px and back.

    Attributes:
        camera: Known lens, or the stand-in that was fitted.
        homography: ndarray (3, 3). From millimetres to the camera's tangent plane.
        rms: Of the fitted points, px.
    """

    camera: LensCamera
    homography: Array
    rms: float

    def to_image(self, plane: Array) -> Array:
        """Map points (N, 2) in mm to px."""
        return self.camera.distort(_apply(self.homography, np.asarray(plane, float)))

    def to_plane(self, image: Array) -> Array:
        """Map px (N, 2) to mm; NaN where the lens model folds."""
        flat = self.camera.undistort(np.asarray(image, float))
        back: Array = np.asarray(np.linalg.inv(self.homography), np.float64)
        return _apply(back, flat)

    def reaches(self, plane: Array) -> npt.NDArray[np.bool_]:
        """Tell which points (N, 2) lie before the radius where the lens model folds back."""
        p = np.asarray(plane, float)
        back = self.to_plane(self.to_image(p))
        lifted = np.column_stack([p, np.ones(len(p))]) @ self.homography[2]
        middle = np.array([0.0, 0.0, 1.0]) @ np.linalg.inv(self.homography).T
        ahead = lifted * np.sign(middle[2]) > 0
        return np.asarray((np.abs(back - p).max(axis=1) < 1.0) & ahead, np.bool_)

    def mirrored(self, plane: Array) -> bool:
        """Tell whether the target's face is seen as in a mirror."""
        return bool(np.median(np.linalg.det(self.scale(plane))) < 0)

    def scale(self, plane: Array) -> Array:
        """Return the local Jacobian px per mm, (N, 2, 2), at points in mm."""
        p = np.asarray(plane, float)
        right, down = np.array([0.5, 0.0]), np.array([0.0, 0.5])
        dx = self.to_image(p + right) - self.to_image(p - right)
        dy = self.to_image(p + down) - self.to_image(p - down)
        return np.stack([dx, dy], axis=-1)


def _apply(h: Array, points: Array) -> Array:
    lifted = np.column_stack([points, np.ones(len(points))]) @ h.T
    flat: Array = lifted[:, :2] / lifted[:, 2:]
    return flat


def blank_camera(width: int, height: int, k1: float = 0.0, k2: float = 0.0) -> LensCamera:
    """Return the stand-in for an unknown lens."""
    f = float(max(width, height))
    centre = (width - 1) / 2, (height - 1) / 2
    return LensCamera("pinhole", width, height, f, f, *centre, (k1, k2, 0.0, 0.0, 0.0))


def direct_homography(plane: Array, flat: Array) -> Array:
    """Return the least-squares homography of at least four points (Hartley's scaling)."""
    t1, t2 = _scaling(plane), _scaling(flat)
    a, b = _apply(t1, plane), _apply(t2, flat)
    one, zero = np.ones(len(a)), np.zeros((len(a), 3))
    lifted = np.column_stack([a, one])
    top = np.hstack([lifted, zero, -b[:, :1] * lifted])
    bottom = np.hstack([zero, lifted, -b[:, 1:] * lifted])
    _, _, vt = np.linalg.svd(np.vstack([top, bottom]), full_matrices=False)
    h: Array = np.linalg.inv(t2) @ vt[-1].reshape(3, 3) @ t1
    h /= h[2, 2]
    return h


def _scaling(points: Array) -> Array:
    centre = points.mean(axis=0)
    spread = float(np.mean(np.hypot(*(points - centre).T))) or 1.0
    s = np.sqrt(2) / spread
    return np.array([[s, 0, -s * centre[0]], [0, s, -s * centre[1]], [0, 0, 1]])


def fit_plane(
    plane: Array, image: Array, width: int, height: int, camera: LensCamera | None = None
) -> PlaneMap:
    """Fit the map to point pairs, robustly (soft-L1 at 1 px).

    Args:
        plane, image: ndarray (N, 2). Millimetres and px; N ≥ 4. The stand-in's radial terms need 12
            and 32 points.
        width, height: Of the frame.
        camera: The lens, when known.
    """
    free = 0 if camera is not None else int(len(plane) >= 12) + int(len(plane) >= 32)
    lens = camera or blank_camera(width, height)
    h0 = direct_homography(plane, lens.undistort(image))
    h0 = h0 / np.linalg.norm(h0)
    start = np.append(h0.ravel(), np.zeros(free))

    def of(v: Array) -> tuple[LensCamera, Array]:
        used = blank_camera(width, height, *map(float, v[9:])) if free else lens
        return used, v[:9].reshape(3, 3)

    def residual(v: Array) -> Array:
        used, h = of(v)
        off = (used.distort(_apply(h, plane)) - image).ravel()
        # The homography's scale is free: pin it. A weak pull on the radial terms, so
        # that few points do not invent a bend.
        tail = np.append(float(np.sum(v[:9] ** 2)) - 1.0, v[9:] * 0.2)
        return np.append(off, tail)

    from scipy import optimize  # half a second that only a target in view needs

    found = optimize.least_squares(
        residual, start, loss="soft_l1", x_scale="jac", ftol=1e-5, max_nfev=30
    )
    used, h = of(found.x)
    off = used.distort(_apply(h, plane)) - image
    return PlaneMap(used, h, float(np.sqrt(np.mean(np.sum(off**2, axis=1)))))
