"""Uncertainty of a computed figure from the uncertainties of what went into it.

Two ways that check each other: the law of propagation (first order; JCGM
100:2008, 5.1 and 5.2) and drawing from distributions (JCGM 101:2008), which also
serves where the model bends within the uncertainties.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from seeworthy.ground.uncertainty import effective_dof, interval

Floats = NDArray[np.float64]
Shape = Literal["normal", "rectangular", "triangular", "arcsine"]
Correlations = Mapping[tuple[int, int], float]


def u_rectangular(half_width: float) -> float:
    """Return the standard uncertainty of 'anywhere within ± half_width' (JCGM 100, 4.3.7)."""
    return abs(half_width) / math.sqrt(3)


def u_triangular(half_width: float) -> float:
    """Return it where values near the middle are likelier (JCGM 100, 4.3.9)."""
    return abs(half_width) / math.sqrt(6)


def u_arcsine(half_width: float) -> float:
    """Return it for something that swings like a sine (JCGM 101, 6.4.6)."""
    return abs(half_width) / math.sqrt(2)


@dataclass(frozen=True, slots=True)
class Propagated:
    """A computed figure with first-order uncertainty.

    Attributes
    ----------
    value, u : float
        Standard uncertainty `u` in the unit of `value`.
    dof : float
        Effective degrees of freedom (Welch–Satterthwaite).
    parts : tuple of float
        Signed contribution of each input, ``c_i u_i``, in the unit of `value`.
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

    Parameters
    ----------
    f : callable
        ``f(x1, x2, …) -> float``.
    values, us : sequences of float, one per input
    correlations : mapping of (i, j) to r, optional
        Correlation coefficients of input pairs; missing pairs are independent.
    dofs : sequence of float, optional
        Degrees of freedom of each `us`; infinite where not given. With correlated
        inputs the Welch–Satterthwaite formula is only a guide (JCGM 100, G.4.1).
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

    Parameters
    ----------
    f : callable
        ``f(x1, …, xn) -> sequence of m floats``.
    values : sequence of n floats
    covariance : array_like, shape (n, n)

    Returns
    -------
    values : ndarray, shape (m,)
    covariance : ndarray, shape (m, m)
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


@dataclass(frozen=True, slots=True)
class MonteCarlo:
    """A computed figure by drawing from distributions.

    Attributes
    ----------
    value, u : float
        Mean and standard deviation of the draws.
    interval : (float, float)
        Probabilistically symmetric 95 % interval (as much below as above).
    shortest : (float, float)
        Shortest 95 % interval (JCGM 101:2008, 5.3.4).
    draws : int
    """

    value: float
    u: float
    interval: tuple[float, float]
    shortest: tuple[float, float]
    draws: int


def propagate_mc(
    f: Callable[..., Any],
    values: Sequence[float],
    us: Sequence[float],
    correlations: Correlations | None = None,
    *,
    shapes: Sequence[Shape] | None = None,
    dofs: Sequence[float] | None = None,
    draws: int = 200_000,
    seed: int = 0,
    coverage: float = 0.95,
) -> MonteCarlo:
    """Propagate distributions (JCGM 101:2008).

    Parameters
    ----------
    f : callable
        As in `propagate`, but called once with arrays of shape (draws,).
    values, us : sequences of float
        Means and standard uncertainties.
    correlations : mapping of (i, j) to r, optional
        Of normal inputs only.
    shapes : sequence of str, optional
        ``normal`` where not given, ``rectangular``, ``triangular``, ``arcsine``.
    dofs : sequence of float, optional
        Finite ones draw a normal input from Student's t (JCGM 101, 6.4.9).
    draws, seed : int
    coverage : float

    Returns
    -------
    MonteCarlo
        Draws that are not finite are left out; more than 1 % of them is an error.

    Raises
    ------
    ValueError
        Correlated inputs that are not normal, or a model that mostly fails.
    """
    rng = np.random.default_rng(seed)
    kinds: Sequence[Shape] = shapes or ["normal"] * len(us)
    if any(kinds[i] != "normal" for pair in (correlations or {}) for i in pair):
        raise ValueError("only normal inputs can be correlated")
    normal = rng.standard_normal((draws, len(us)))
    if correlations:
        normal = normal @ _root(_correlation_matrix(len(us), correlations)).T
    columns = []
    for i, (value, u, kind) in enumerate(zip(values, us, kinds, strict=True)):
        unit = _unit_draws(rng, normal[:, i], kind, dofs[i] if dofs else math.inf)
        columns.append(value + u * unit)
    out = np.broadcast_to(np.asarray(f(*columns), dtype=float), (draws,))
    good = out[np.isfinite(out)]
    if len(good) < 0.99 * draws:
        raise ValueError(f"the model gave no number in {draws - len(good)} of {draws} draws")
    ordered = np.sort(good)
    return MonteCarlo(
        float(ordered.mean()),
        float(ordered.std(ddof=1)),
        _symmetric(ordered, coverage),
        _shortest(ordered, coverage),
        len(ordered),
    )


def _root(matrix: Floats) -> Floats:
    """Return R with R Rᵀ = matrix; also where the matrix is singular (r = ±1)."""
    values, vectors = np.linalg.eigh(matrix)
    if values[0] < -1e-9:
        raise ValueError("these correlations contradict each other")
    return np.asarray(vectors * np.sqrt(np.clip(values, 0, None)), dtype=float)


def _unit_draws(rng: np.random.Generator, normal: Floats, kind: Shape, dof: float) -> Floats:
    """Return draws with mean 0 and standard deviation 1 (t: scale 1)."""
    n = len(normal)
    if kind == "rectangular":
        return rng.uniform(-math.sqrt(3), math.sqrt(3), n)
    if kind == "triangular":
        return rng.triangular(-math.sqrt(6), 0, math.sqrt(6), n)
    if kind == "arcsine":
        return math.sqrt(2) * np.sin(rng.uniform(0, 2 * math.pi, n))
    if math.isinf(dof):
        return normal
    return np.asarray(normal / np.sqrt(rng.chisquare(dof, n) / dof), dtype=float)


def _symmetric(ordered: Floats, coverage: float) -> tuple[float, float]:
    low, high = np.quantile(ordered, [0.5 - coverage / 2, 0.5 + coverage / 2])
    return float(low), float(high)


def _shortest(ordered: Floats, coverage: float) -> tuple[float, float]:
    inside = min(math.ceil(coverage * len(ordered)), len(ordered) - 1)
    widths = ordered[inside:] - ordered[: len(ordered) - inside]
    first = int(np.argmin(widths))
    return float(ordered[first]), float(ordered[first + inside])
