"""A smooth surface through block means, robust against what stands out of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.statistics import robust_spread

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Surface:
    """A fitted surface: values per block, its terms, uncertainty in a corner."""

    smooth: Floats
    coefficients: Floats
    degree: int
    u_corner: float

    def at(self, x: float, y: float) -> float:
        """Return its value at a place, -1 to 1 across and down."""
        terms = _terms(np.array([[float(x)]]), np.array([[float(y)]]), self.degree)
        return float((terms @ self.coefficients)[0])


def _terms(x: Floats, y: Floats, degree: int) -> Floats:
    columns = [(x**i * y**j).ravel() for i in range(degree + 1) for j in range(degree + 1 - i)]
    return np.stack(columns, axis=1)


def fit_surface(
    x: Floats, y: Floats, z: Floats, degree: int, least_scale: float, bump: Floats | None = None
) -> Surface:
    """Fit a polynomial surface, robust against compact deviations (Tukey's biweight).

    A hot spot's shape is fitted along as `bump` and left out of the surface.
    """
    terms = _terms(x, y, degree)
    a = terms if bump is None else np.column_stack([terms, bump])
    c, weight, scale = robust_fit(a, z.ravel(), least_scale)
    c = c[: terms.shape[1]]
    normal = np.linalg.pinv(terms.T @ (terms * weight[:, None]))
    corner = _terms(np.array([[1.0]]), np.array([[1.0]]), degree)[0]
    # Blocks next to each other share coding and wall texture: a quarter of them count.
    u = 2 * scale * math.sqrt(float(corner @ normal @ corner))
    return Surface(np.asarray((terms @ c).reshape(z.shape)), c, degree, u)


def robust_fit(a: Floats, b: Floats, least_scale: float) -> tuple[Floats, Floats, float]:
    """Return coefficients, weights and scale (Tukey's biweight).

    Residuals are weighed against their scale, but never against less than `least_scale`.
    """
    weight = np.ones_like(b)
    scale = 0.0
    for _ in range(10):
        root = np.sqrt(weight)
        c = np.linalg.lstsq(a * root[:, None], b * root, rcond=None)[0]
        rest = b - a @ c
        scale = robust_spread(rest, about=0) + 1e-9
        weight = np.clip(1 - (rest / (5 * max(scale, least_scale))) ** 2, 0, None) ** 2
    return np.asarray(c, np.float64), weight, scale
