"""Straight lines straight again: where each pixel of the new picture comes from.

The new picture is what an ideal lens of the same ratio of focal lengths would draw (so a
pixel keeps its shape). Its scale is chosen so that the frame is filled and the edges are
cut (``fill``), or so that everything is kept and the edges stay black.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import WrongCall
from seeworthy.judge.correct.data import DataOrigin, LensData
from seeworthy.optics.lens import LensCamera

Array = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

WIDEST = math.radians(75.0)
"""A flat picture cannot show more: beyond 75° from the axis it stretches more than fifteenfold."""

_OUTSIDE = -1e4  # px, far outside of any picture


@dataclass(frozen=True, slots=True)
class Undistortion:
    """How a new picture of the same size is drawn.

    Attributes:
        camera: The lens, in the frame of the clip.
        matrix: (fx, fy, cx, cy). Of the ideal lens that the new picture has.
        narrowed: The lens sees wider than a flat picture can show; the rest is cut.
    """

    camera: LensCamera
    matrix: tuple[float, float, float, float]
    keep_all: bool
    narrowed: bool

    @property
    def hfov(self) -> float:
        """Horizontal angle that the new picture spans, degrees."""
        fx, _, cx, _ = self.matrix
        left, right = (-0.5 - cx) / fx, (self.camera.width - 0.5 - cx) / fx
        return math.degrees(math.atan(right) - math.atan(left))

    def maps(self) -> tuple[Floats, Floats]:
        """Return x and y in the old picture for every pixel of the new one, (H, W) each."""
        width, height = self.camera.width, self.camera.height
        fx, fy, cx, cy = self.matrix
        x = (np.arange(width) - cx) / fx
        y = (np.arange(height) - cy) / fy
        flat = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        px = self.camera.distort(flat)
        px[np.hypot(*flat.T) > _limit(self.camera)] = _OUTSIDE
        old = px.reshape(height, width, 2).astype(np.float32)
        return np.ascontiguousarray(old[..., 0]), np.ascontiguousarray(old[..., 1])

    def to_json(self) -> dict[str, Any]:
        """Return a description from which other programs can draw the same picture."""
        camera = self.camera
        return {
            "kind": "undistortion",
            "size": [camera.width, camera.height],
            "model": camera.kind,
            "matrix": [camera.fx, camera.fy, camera.cx, camera.cy],
            "distortion": list(camera.k),
            "new_matrix": list(self.matrix),
            "edges": "kept" if self.keep_all else "cut",
            "says": "For pixel (u, v) of the new picture: x = (u - cx') / fx', y = (v - cy') / fy' "
            "with new_matrix = [fx', fy', cx', cy']; bend (x, y) by the model (OpenCV's pinhole "
            "with k1, k2, p1, p2, k3, or its fisheye with k1 to k4); the old pixel is "
            "(fx x + cx, fy y + cy). Pixel centres lie at integers.",
        }


def plan_undistortion(lens: LensData, size: tuple[int, int], keep_all: bool) -> Undistortion:
    """Fit a new picture to a clip's frame.

    Args:
        size: (width, height). Of the clip; another size of the same aspect is scaled to.
        keep_all: Keep everything with black edges; else fill the frame.

    Raises:
        WrongCall: The aspect differs, so the clip comes from another mode.
    """
    check_size("lens", lens.size, size, lens.origin)
    camera = scaled(lens.camera, size)
    limit = _limit(camera)
    edges, cut = _edges(camera, limit)
    x, y = (_outer if keep_all else _inner)(edges)
    across, down = (size[0] - 1) / camera.fx, (size[1] - 1) / camera.fy
    zooms = across / (x[1] - x[0]), down / (y[1] - y[0])
    zoom = min(zooms) if keep_all else max(zooms)
    found = Undistortion(camera, _matrix(camera, zoom, x, y), keep_all, cut and keep_all)
    while not keep_all and not _filled(found):
        zoom *= 1.005
        found = replace(found, matrix=_matrix(camera, zoom, x, y))
    return found


def check_size(
    what: str, measured: tuple[int, int], clip: tuple[int, int], origin: DataOrigin
) -> None:
    """Refuse a clip whose frame has another aspect than the one that was measured.

    Raises:
        WrongCall
    """
    if abs(clip[0] * measured[1] - clip[1] * measured[0]) > max(measured):
        raise WrongCall(
            f"The {what} was measured at {measured[0]}×{measured[1]} ({origin}); the clip is "
            f"{clip[0]}×{clip[1]}, another shape of picture.",
            f"Measure the {what} in the mode of this clip.",
        )


def scaled(camera: LensCamera, size: tuple[int, int]) -> LensCamera:
    """Return the same lens for a frame of another size (edges of frames coincide)."""
    sx, sy = size[0] / camera.width, size[1] / camera.height
    return replace(
        camera,
        width=size[0],
        height=size[1],
        fx=camera.fx * sx,
        fy=camera.fy * sy,
        cx=(camera.cx + 0.5) * sx - 0.5,
        cy=(camera.cy + 0.5) * sy - 0.5,
    )


def _limit(camera: LensCamera) -> float:
    """Largest distance from the axis in the flat picture at focal length 1."""
    return math.tan(min(camera.limit() * 0.999, WIDEST))


def _edges(camera: LensCamera, limit: float) -> tuple[list[Array], bool]:
    """Return the left, right, top and bottom edge of the frame, flattened; whether cut."""
    right, bottom = camera.width - 1.0, camera.height - 1.0
    x, y = np.linspace(0, right, 161), np.linspace(0, bottom, 161)
    sides = [(0 * y, y), (0 * y + right, y), (x, 0 * x), (x, 0 * x + bottom)]
    edges, cut = [], False
    for side in sides:
        px = np.column_stack(side)
        flat = camera.undistort(px)
        far = ~(np.hypot(*flat.T) <= limit)  # NaN is far, too
        if far.any():
            cut = True
            ways = (px[far] - (camera.cx, camera.cy)) / (camera.fx, camera.fy)
            flat[far] = ways / np.hypot(*ways.T)[:, None] * limit
        edges.append(flat)
    return edges, cut


Spans = tuple[tuple[float, float], tuple[float, float]]


def _inner(edges: list[Array]) -> Spans:
    left, right, top, bottom = edges
    x = float(left[:, 0].max()), float(right[:, 0].min())
    y = float(top[:, 1].max()), float(bottom[:, 1].min())
    if x[1] - x[0] <= 0 or y[1] - y[0] <= 0:
        raise WrongCall(
            "The lens model bends the frame over; it cannot be undone.",
            "Film the board again so that it reaches into every corner.",
        )
    return x, y


def _outer(edges: list[Array]) -> Spans:
    every = np.concatenate(edges)
    low, high = every.min(axis=0), every.max(axis=0)
    return (float(low[0]), float(high[0])), (float(low[1]), float(high[1]))


def _matrix(
    camera: LensCamera, zoom: float, x: tuple[float, float], y: tuple[float, float]
) -> tuple[float, float, float, float]:
    """Return the ideal lens whose frame lies in the middle of the room given."""
    fx, fy = camera.fx * zoom, camera.fy * zoom
    left = (sum(x) - (camera.width - 1) / fx) / 2
    top = (sum(y) - (camera.height - 1) / fy) / 2
    return fx, fy, -left * fx, -top * fy


def _filled(found: Undistortion) -> bool:
    """Tell whether every pixel along the new frame's edges comes from inside the old one."""
    camera = found.camera
    fx, fy, cx, cy = found.matrix
    x = (np.linspace(0, camera.width - 1, 161) - cx) / fx
    y = (np.linspace(0, camera.height - 1, 161) - cy) / fy
    rim = [(x, 0 * x + y[0]), (x, 0 * x + y[-1]), (0 * y + x[0], y), (0 * y + x[-1], y)]
    flat = np.concatenate([np.column_stack(side) for side in rim])
    px = camera.distort(flat)
    slack = 0.01
    inside = (px >= -slack).all() and (
        px <= (camera.width - 1 + slack, camera.height - 1 + slack)
    ).all()
    return bool(inside and (np.hypot(*flat.T) <= _limit(camera)).all())
