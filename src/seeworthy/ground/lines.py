"""Straight lines: fitted, robust, with errors in both variables; predicted and read backwards."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from seeworthy.ground.uncertainty import interval

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LinearFit:
    """A fit that is linear in its coefficients.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
    s : float
        Residual standard deviation; with given uncertainties that of the reduced
        residuals (1 when they are honest). NaN without degrees of freedom.
    dof : int
    residuals : ndarray, shape (n,)
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

    Parameters
    ----------
    design : array_like, shape (n, p)
    y : array_like, shape (n,)
    u : array_like, shape (n,), optional
        Standard uncertainties of `y`; they weigh the points.
    known : bool
        True: the covariance comes from `u` alone. False: it is scaled by the
        scatter about the fit (`u` are only relative weights).

    Raises
    ------
    ValueError
        Fewer points than coefficients, or columns that say the same.
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
    """``y = intercept + slope · (x − x0)`` with what is needed to predict and invert.

    Attributes
    ----------
    intercept, slope : float
    covariance : ndarray, shape (2, 2)
        Of intercept and slope.
    s : float
        Standard deviation of one observation about the line; with known
        uncertainties the root of the reduced chi-square.
    dof : float
    x0 : float
    n : int
    low, high : float
        Range of x that carries the line.
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
    def u_intercept(self) -> float:
        """Standard uncertainty of the intercept."""
        return float(np.sqrt(self.covariance[0, 0]))

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

    def predict(self, x: Any, u_new: float | None = None) -> tuple[Any, Any]:
        """Return the next observation at `x` and its standard uncertainty.

        `u_new` is the scatter of that observation; `s` when not given. The 95 %
        prediction interval is ``value ± t(dof) · u``.
        """
        y, u = self.at(x)
        scatter = self.s if u_new is None else u_new
        return y, _plain(np.hypot(u, scatter))

    def prediction_interval(self, x: float, coverage: float = 0.95) -> tuple[float, float]:
        """Return the interval that holds the next observation at `x`."""
        y, u = self.predict(x)
        return interval(y, u, self.dof, coverage=coverage)

    def solve(self, y: float, u_y: float | None = None) -> tuple[float, float]:
        """Read the calibration line backwards: x for an observed `y`, and its uncertainty.

        First order (JCGM 100:2008, 5.2); `u_y` is `s` when not given.

        Raises
        ------
        ValueError
            The slope is not known to be different from zero.
        """
        if not abs(self.slope) > 2 * self.u_slope:
            raise ValueError("the line is too flat to be read backwards")
        x = self.x0 + (y - self.intercept) / self.slope
        _, u_line = self.at(x)
        return x, math.hypot(u_line, self.s if u_y is None else u_y) / abs(self.slope)


def _plain(value: Any) -> Any:
    return float(value) if np.ndim(value) == 0 else np.asarray(value)


def straight_line(
    x: ArrayLike,
    y: ArrayLike,
    u: ArrayLike | None = None,
    *,
    x0: float = 0.0,
    known: bool = False,
) -> Line:
    """Fit a straight line by least squares; arguments as in `fit_linear`.

    Raises
    ------
    ValueError
        Fewer than two different x.
    """
    a = np.asarray(x, dtype=float)
    fit = fit_linear(np.column_stack([np.ones(len(a)), a - x0]), y, u, known=known)
    c = fit.coefficients
    dof = math.inf if known else float(fit.dof)
    return Line(
        float(c[0]),
        float(c[1]),
        fit.covariance,
        fit.s,
        dof,
        x0,
        len(a),
        float(a.min()),
        float(a.max()),
    )


def robust_line(x: ArrayLike, y: ArrayLike, *, x0: float = 0.0) -> Line:
    """Fit a straight line that a few wrong points do not bend.

    Huber's M-estimate (k = 1.345, 95 % efficient on normal scatter) started from
    the Theil–Sen line, scale from the median absolute deviation. Covariance after
    Huber (1981), Robust Statistics, 7.6 (from memory).

    Raises
    ------
    ValueError
        Fewer than three points, or all at one x.
    """
    from scipy import stats

    a, b = np.asarray(x, dtype=float) - x0, np.asarray(y, dtype=float)
    if len(a) < 3 or np.ptp(a) == 0:
        raise ValueError("a robust line needs three points at different places")
    slope, intercept = stats.theilslopes(b, a)[:2]
    design = np.column_stack([np.ones(len(a)), a])
    c = np.array([intercept, slope])
    for _ in range(50):
        r = b - design @ c
        scale = _mad(r)
        if not scale > 0:
            break
        weight = np.minimum(1.0, 1.345 * scale / np.maximum(np.abs(r), 1e-300))
        new = fit_linear(design, b, 1 / np.sqrt(weight)).coefficients
        done = bool(np.all(np.abs(new - c) <= 1e-9 * (1e-12 + np.abs(new))))
        c = new
        if done:
            break
    return _huber_line(a, b, c, x0)


def _mad(residuals: Floats) -> float:
    """Return the spread of residuals, as a standard deviation, from their median size."""
    n = len(residuals)
    # Two residuals of a line are free to be zero; the larger n−2 carry the scatter.
    largest = np.sort(np.abs(residuals))[2:] if n > 4 else np.abs(residuals)
    return float(np.median(largest) * 1.482602)


def _huber_line(a: Floats, b: Floats, c: Floats, x0: float) -> Line:
    n, dof = len(a), len(a) - 2
    r = b - (c[0] + c[1] * a)
    scale = _mad(r)
    psi = np.clip(r, -1.345 * scale, 1.345 * scale)
    kept = float(np.mean(np.abs(r) <= 1.345 * scale)) or 1.0
    correction = 1 + 2 / n * (1 - kept) / kept
    variance = correction**2 * float((psi**2).sum()) / max(dof, 1) / kept**2
    design = np.column_stack([np.ones(n), a])
    covariance = variance * np.linalg.inv(design.T @ design)
    return Line(
        float(c[0]),
        float(c[1]),
        covariance,
        scale,
        float(max(dof, 1)),
        x0,
        n,
        float(a.min() + x0),
        float(a.max() + x0),
    )


def york_line(
    x: ArrayLike,
    y: ArrayLike,
    ux: ArrayLike,
    uy: ArrayLike,
    r: ArrayLike = 0.0,
    *,
    known: bool = False,
) -> Line:
    """Fit a straight line to points with uncertainties in both variables.

    York, Evensen, López Martínez and De Basabe Delgado (2004), Unified equations
    for the slope, intercept, and standard errors of the best straight line,
    American Journal of Physics 72(3), 367–375 (from memory).

    Parameters
    ----------
    x, y, ux, uy : array_like, shape (n,)
        Points and standard uncertainties, all above zero.
    r : array_like
        Correlation of the errors of x and y of one point.
    known : bool
        False: the covariance is widened by the reduced chi-square where that is
        above one (the points scatter more than they should).

    Raises
    ------
    ValueError
        Fewer than three points, or no convergence.
    """
    a, b = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    wx, wy = np.asarray(ux, dtype=float) ** -2.0, np.asarray(uy, dtype=float) ** -2.0
    rho = np.broadcast_to(np.asarray(r, dtype=float), a.shape)
    if len(a) < 3:
        raise ValueError("a line with errors in both variables needs three points")
    slope = straight_line(a, b, uy).slope
    alpha = np.sqrt(wx * wy)
    for _ in range(200):
        w = wx * wy / (wx + slope**2 * wy - 2 * slope * rho * alpha)
        u, v = a - np.average(a, weights=w), b - np.average(b, weights=w)
        beta = w * (u / wy + slope * v / wx - (slope * u + v) * rho / alpha)
        new = float((w * beta * v).sum() / (w * beta * u).sum())
        done = abs(new - slope) <= 1e-14 * abs(new) + 1e-300
        slope = new
        if done:
            break
    else:
        raise ValueError("the line with errors in both variables did not settle")
    return _york_result(a, b, w, beta, slope, known)


def _york_result(a: Floats, b: Floats, w: Floats, beta: Floats, slope: float, known: bool) -> Line:
    mean_x, mean_y = float(np.average(a, weights=w)), float(np.average(b, weights=w))
    intercept = mean_y - slope * mean_x
    adjusted = mean_x + beta
    centre = float(np.average(adjusted, weights=w))
    var_slope = 1 / float((w * (adjusted - centre) ** 2).sum())
    var_intercept = 1 / float(w.sum()) + centre**2 * var_slope
    covariance = np.array([[var_intercept, -centre * var_slope], [-centre * var_slope, var_slope]])
    dof = len(a) - 2
    reduced = float((w * (b - intercept - slope * a) ** 2).sum()) / dof
    if not known:
        covariance = covariance * max(1.0, reduced)
    return Line(
        intercept,
        slope,
        covariance,
        math.sqrt(reduced),
        math.inf if known else float(dof),
        0.0,
        len(a),
        float(a.min()),
        float(a.max()),
    )
