"""Uncertainty over the frame: how well the angle of every place from the middle is known.

One angle of view stands for the frame's edge; what a plan or a correction needs elsewhere is the
direction of a pixel. Angles from the middle pixel's ray are taken, which do not feel how the
camera's own axes are laid.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.propagation import u_rectangular
from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.optics.lens import LensCamera
from seeworthy.procedures.lens.board import BoardView
from seeworthy.procedures.lens.calibrate import LensFit
from seeworthy.procedures.lens.halves import difference, widened

Array = npt.NDArray[np.float64]
_COLUMNS, _ROWS = 9, 5  # odd: the middle and the edges are among the places


@dataclass(frozen=True)
class DirectionMap:
    """Angles from the middle of the frame, on a grid that reaches its edges.

    Attributes:
        x, y: (columns,), (rows,), px.
        angle, u: (rows, columns), degrees, with the standard uncertainty: scatter between views,
            models that are as good, and what two halves of the views disagree about. NaN where
            the model folds.
    """

    x: Array
    y: Array
    angle: Array
    u: Array

    def finding(self) -> dict[str, Any]:
        """Return the map as plain JSON, null where the model does not reach."""

        def plain(grid: Array, digits: int) -> list[list[float | None]]:
            return [[round(float(v), digits) if math.isfinite(v) else None for v in row]
                    for row in grid]  # fmt: skip

        return {
            "x_px": self.x.round(1).tolist(), "y_px": self.y.round(1).tolist(),
            "angle_deg": plain(self.angle, 3), "u_deg": plain(self.u, 5),
        }  # fmt: skip

    def figure(self) -> Figure:
        """Return the uncertainties as cells over the frame."""
        places = [(c, r) for r in range(len(self.y)) for c in range(len(self.x))
                  if math.isfinite(self.u[r, c])]  # fmt: skip
        return Figure(
            "directions",
            "How well directions are known over the frame",
            "Standard uncertainty of each place's angle from the middle, in thousandths of a "
            "degree: it grows towards what the board reached last.",
            {
                "x": [round(100 * c / (len(self.x) - 1)) for c, _ in places],
                "y": [round(100 * r / (len(self.y) - 1)) for _, r in places],
                "u": [round(1e3 * float(self.u[r, c]), 2) for c, r in places],
            },
            Axis("x", "across", "%"),
            Axis("y", "down", "%"),
            (Mark("cells", shade="u", label="u, 0.001°"),),
        )


def direction_map(
    views: Sequence[BoardView], fit: LensFit, rivals: Sequence[LensFit], dof: float
) -> DirectionMap:
    """Return the map of a fitted lens.

    Args:
        rivals: Models that foretell held-out views as well.
        dof: Degrees of freedom of the scatter between views.
    """
    camera = fit.camera
    x = np.linspace(-0.5, camera.width - 0.5, _COLUMNS)
    y = np.linspace(-0.5, camera.height - 0.5, _ROWS)
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    middle = np.array([[(camera.width - 1) / 2, (camera.height - 1) / 2]])

    def angles(lens: LensCamera) -> Array:
        rays, ahead = lens.rays(places), lens.rays(middle)[0]
        # By the sine, which rounding leaves alone where the angle is small.
        sine = np.linalg.norm(np.cross(rays, ahead), axis=1)
        return np.asarray(np.degrees(np.arctan2(sine, rays @ ahead)), np.float64)

    centre, u = angles(camera), fit.uncertainty(angles)
    for other in rivals:
        away = np.abs(angles(other.camera) - centre)
        u = np.where(np.isfinite(away), np.hypot(u, u_rectangular(1.0) * away), u)
    apart = difference(views, fit, angles)
    if apart is not None:
        u = np.array([widened(float(s), float(d), dof) for s, d in zip(u, apart, strict=True)])
    u = np.where(np.isfinite(centre), u, np.nan)
    shape = (_ROWS, _COLUMNS)
    return DirectionMap(x, y, centre.reshape(shape), u.reshape(shape))
