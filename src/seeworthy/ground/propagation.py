"""Uncertainty of a computed figure from the uncertainties of what went into it.

The law of propagation, first order (JCGM 100:2008, 5.1 and 5.2). Draws of a figure are
made in `seeworthy.ground.uncertainty`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from seeworthy.ground.uncertainty import effective_dof, interval

Floats = NDArray[np.float64]
Correlations = Mapping[tuple[int, int], float]


def u_rectangular(half_width: float) -> float:
    """Return the standard uncertainty of 'anywhere within ± half_width' (JCGM 100, 4.3.7)."""
    return abs(half_width) / math.sqrt(3)


@dataclass(frozen=True, slots=True)
class Propagated:
    """A computed figure with first-order uncertainty.

    Attributes:
        value, u: Standard uncertainty `u` in the unit of `value`.
        dof: Effective degrees of freedom (Welch–Satterthwaite).
        parts: Signed contribution of each input, ``c_i u_i``, in the unit of `value`.
    """

    value: float
    u: float
    dof: float
    parts: tuple[float, ...]

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval, Student's t."""
        return interval(self.value, self.u, self.dof)


def propagate(
    f: Callable[..., Any],
    values: Sequence[float],
    us: Sequence[float],
    correlations: Correlations | None = None,
    dofs: Sequence[float] | None = None,
) -> Propagated:
    """Propagate uncertainties through a function, first order.

    Derivatives are taken over ± one standard uncertainty of each input, which is
    the numerical form that JCGM 100:2008, 5.1.3 NOTE 2 gives.

    Args:
        f: ``f(x1, x2, …) -> float``.
        values, us: sequences of float, one per input
        correlations: mapping of (i, j) to r. Correlation coefficients of input pairs; missing pairs
            are independent.
        dofs: Degrees of freedom of each `us`; infinite where not given. With correlated inputs the
            Welch–Satterthwaite formula is only a guide (JCGM 100, G.4.1).
    """
    covariance = _covariance(us, correlations)
    value, _ = propagate_vector(lambda *x: [f(*x)], values, covariance)
    parts = _sensitivities(lambda *x: [f(*x)], values, us)[0] * np.asarray(us, dtype=float)
    variance = float(parts @ _correlation_matrix(len(us), correlations) @ parts)
    u = math.sqrt(max(variance, 0.0))
    dof = effective_dof(list(zip(parts.tolist(), dofs, strict=True))) if dofs else math.inf
    return Propagated(float(value[0]), u, dof, tuple(float(p) for p in parts))


def propagate_vector(
    f: Callable[..., Any], values: Sequence[float], covariance: ArrayLike
) -> tuple[Floats, Floats]:
    """Propagate a covariance matrix through a function with several outputs.

    Args:
        f: ``f(x1, …, xn) -> sequence of m floats``.
        values: sequence of n floats
        covariance: array_like, shape (n, n)

    Returns:
        values: ndarray, shape (m,)
        covariance: ndarray, shape (m, m)
    """
    matrix = np.asarray(covariance, dtype=float)
    jacobian = _sensitivities(f, values, np.sqrt(np.diag(matrix)))
    out = np.asarray(f(*[float(v) for v in values]), dtype=float)
    return out, jacobian @ matrix @ jacobian.T


def _sensitivities(f: Callable[..., Any], values: Sequence[float], us: ArrayLike) -> Floats:
    """Return ∂f/∂x, shape (outputs, inputs); zero where the input is exact."""
    x = np.asarray(values, dtype=float)
    u = np.asarray(us, dtype=float)
    columns = []
    size = len(np.atleast_1d(np.asarray(f(*x.tolist()), dtype=float)))
    for i, step in enumerate(u):
        if not step > 0:
            columns.append(np.zeros(size))
            continue
        up, down = x.copy(), x.copy()
        up[i] += step
        down[i] -= step
        rise = np.asarray(f(*up.tolist()), float) - np.asarray(f(*down.tolist()), float)
        columns.append(rise / (up[i] - down[i]))
    return np.column_stack(columns) if columns else np.zeros((size, 0))


def _correlation_matrix(n: int, correlations: Correlations | None) -> Floats:
    matrix = np.eye(n)
    for (i, j), r in (correlations or {}).items():
        if not -1 <= r <= 1:
            raise ValueError(f"the correlation of inputs {i} and {j} must be within ±1, got {r}")
        matrix[i, j] = matrix[j, i] = r
    return matrix


def _covariance(us: Sequence[float], correlations: Correlations | None) -> Floats:
    u = np.asarray(us, dtype=float)
    return np.asarray(_correlation_matrix(len(u), correlations) * np.outer(u, u), dtype=float)
