"""Straight lines and fits that are linear in their coefficients."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LinearFit:
    """A fit that is linear in its coefficients.

    Attributes:
        coefficients: ndarray, shape (p,)
        covariance: ndarray, shape (p, p)
        s: Residual standard deviation; with given uncertainties that of the reduced residuals (1
            when they are honest). NaN without degrees of freedom.
        residuals: ndarray, shape (n,)
    """

    coefficients: Floats
    covariance: Floats
    s: float
    dof: int
    residuals: Floats

    @property
    def us(self) -> Floats:
        """Standard uncertainties of the coefficients."""
        return np.sqrt(np.diag(self.covariance))


def fit_linear(
    design: ArrayLike, y: ArrayLike, u: ArrayLike | None = None, *, known: bool = False
) -> LinearFit:
    """Fit ``y = design · c`` by least squares.

    Args:
        design: array_like, shape (n, p)
        y: array_like, shape (n,)
        u: array_like, shape (n,). Standard uncertainties of `y`; they weigh the points.
        known: True: the covariance comes from `u` alone. False: it is scaled by the scatter about
            the fit (`u` are only relative weights).

    Raises:
        ValueError: Fewer points than coefficients, or columns that say the same.
    """
    a, b = np.asarray(design, dtype=float), np.asarray(y, dtype=float)
    weight = np.ones(len(b)) if u is None else 1 / np.asarray(u, dtype=float)
    n, p = a.shape
    if n < p:
        raise ValueError(f"{p} coefficients need at least {p} points, got {n}")
    scale = np.sqrt(((a * weight[:, None]) ** 2).sum(axis=0))
    scale[scale == 0] = 1.0
    # Columns of one size: the quadratic of a load cell spans twelve decades.
    q, r = np.linalg.qr(a * weight[:, None] / scale)
    if np.abs(np.diag(r)).min() < 1e-10:
        raise ValueError("the points do not tell the coefficients apart")
    inverse = np.linalg.inv(r) / scale[:, None]
    c = inverse @ (q.T @ (b * weight))
    c = c + inverse @ (q.T @ ((b - a @ c) * weight))  # one step of refinement
    residuals = b - a @ c
    dof = n - p
    s = float(np.sqrt(((residuals * weight) ** 2).sum() / dof)) if dof else math.nan
    covariance = inverse @ inverse.T
    return LinearFit(c, covariance if known else covariance * s**2, s, dof, residuals)


@dataclass(frozen=True)
class Line:
    """``y = intercept + slope · (x − x0)`` with its covariance.

    Attributes:
        covariance: ndarray, shape (2, 2). Of intercept and slope.
        s: Standard deviation of one observation about the line; with known uncertainties the root
            of the reduced chi-square.
        low, high: Range of x that carries the line.
    """

    intercept: float
    slope: float
    covariance: Floats
    s: float
    dof: float
    x0: float = 0.0
    n: int = 0
    low: float = math.nan
    high: float = math.nan

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of the slope."""
        return float(np.sqrt(self.covariance[1, 1]))

    def at(self, x: Any) -> tuple[Any, Any]:
        """Return the height of the line at `x` and its standard uncertainty."""
        t = np.asarray(x, dtype=float) - self.x0
        c = self.covariance
        variance = c[0, 0] + 2 * t * c[0, 1] + t * t * c[1, 1]
        return _plain(self.intercept + self.slope * t), _plain(np.sqrt(np.maximum(variance, 0)))


def _plain(value: Any) -> Any:
    return float(value) if np.ndim(value) == 0 else np.asarray(value)


def straight_line(x: ArrayLike, y: ArrayLike, *, x0: float = 0.0) -> Line:
    """Fit a straight line by least squares.

    Raises:
        ValueError: Fewer than two different x.
    """
    a = np.asarray(x, dtype=float)
    fit = fit_linear(np.column_stack([np.ones(len(a)), a - x0]), y)
    c = fit.coefficients
    return Line(
        float(c[0]), float(c[1]), fit.covariance, fit.s, float(fit.dof), x0, len(a),
        float(a.min()), float(a.max()),
    )  # fmt: skip
