"""Shared statistics: means, comparisons, shares.

Uncertainties are standard uncertainties (``u``); intervals are 95 % unless a
coverage is given. SciPy does the distributions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from seeworthy.ground.uncertainty import effective_dof, interval

Floats = NDArray[np.float64]
_UPPER_QUARTILE = 0.6744897501960817  # of the standard normal; a test holds it against SciPy


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean with Student's t (JCGM 100:2008, 4.2.3).

    Attributes:
        value, u: `u` is the experimental standard deviation of the mean.
        s: Standard deviation of one observation.
    """

    value: float
    u: float
    s: float
    n: int
    dof: float
    interval: tuple[float, float]


def mean_t(values: ArrayLike, u_common: float = 0.0) -> Mean:
    """Return the mean of independent repeats.

    Args:
        values: array_like, shape (n,)
        u_common: Standard uncertainty that all repeats share (a calibration); it does not average
            out and has infinite degrees of freedom.

    Raises:
        ValueError: Fewer than two values: one value says nothing about scatter.
    """
    x = np.asarray(values, dtype=float)
    n = len(x)
    if n < 2:
        raise ValueError("a mean with an uncertainty needs two repeats")
    value = float(x.mean())
    value += float((x - value).mean())  # takes back what rounding lost on long offsets
    s = math.sqrt(float(((x - value) ** 2).sum()) / (n - 1))
    u_mean = s / math.sqrt(n)
    u = math.hypot(u_mean, u_common)
    dof = effective_dof([(u_mean, n - 1), (u_common, math.inf)]) if u_mean else math.inf
    return Mean(value, u, s, n, dof, interval(value, u, dof))


@dataclass(frozen=True, slots=True)
class WeightedMean:
    """A mean weighted by the uncertainties, and whether they explain the scatter.

    Attributes:
        u: `u_internal`, widened by the Birge ratio where that is above one.
        u_internal: From the given uncertainties alone.
        birge: Root of the reduced chi-square: about one when the uncertainties are honest.
        p: Probability of a larger chi-square if they are; small means disagreement.
        dof: Infinite when `u` comes from the given uncertainties, n − 1 when widened.
    """

    value: float
    u: float
    u_internal: float
    birge: float
    p: float
    dof: float
    n: int


def weighted_mean(values: ArrayLike, us: ArrayLike) -> WeightedMean:
    """Combine values with standard uncertainties (Birge 1932, Phys. Rev. 40, 207).

    Args:
        values, us: array_like, shape (n,). All `us` above zero.
    """
    from scipy import special

    x, u = np.asarray(values, dtype=float), np.asarray(us, dtype=float)
    if not (len(x) and np.all(u > 0)):
        raise ValueError("a weighted mean needs values with uncertainties above zero")
    w = (u.min() / u) ** 2
    value = float(np.average(x, weights=w))
    internal = float(u.min() / math.sqrt(w.sum()))
    dof = len(x) - 1
    chi2 = float((((x - value) / u) ** 2).sum())
    birge = math.sqrt(chi2 / dof) if dof else 1.0
    p = float(special.chdtrc(dof, chi2)) if dof else 1.0
    widened = birge > 1
    return WeightedMean(
        value,
        internal * max(1.0, birge),
        internal,
        birge,
        p,
        float(dof) if widened else math.inf,
        len(x),
    )


def robust_spread(values: ArrayLike, about: float | None = None) -> float:
    """Return the standard deviation that a normal scatter of this median has.

    The median distance from the median, or from `about` where the middle is known, over
    the upper quartile of the standard normal: what SciPy's ``median_abs_deviation`` gives
    for ``scale="normal"``, without the half second that `scipy.stats` takes to load.
    """
    x = np.asarray(values, dtype=float)
    middle = np.median(x) if about is None else about
    off = np.abs(x - middle).ravel()
    half = off.size // 2
    if off.size == 0 or np.isnan(off.sum()):
        return math.nan
    # `np.median` of some hundred values is mostly overhead, and fits ask thousands of times.
    pair = np.partition(off, (half - 1, half) if off.size % 2 == 0 else half)
    found = pair[half] if off.size % 2 else (pair[half - 1] + pair[half]) / 2
    return float(found / _UPPER_QUARTILE)


def lag1_autocorrelation(values: ArrayLike) -> float:
    """Return the lag-1 autocorrelation as NIST StRD defines it; NaN for constant values."""
    x = np.asarray(values, dtype=float)
    d = x - x.mean()
    total = float((d * d).sum())
    return float((d[1:] * d[:-1]).sum()) / total if total > 0 else math.nan


def holm(p: ArrayLike) -> Floats:
    """Return Holm's step-down corrected probabilities, same order (Holm 1979).

    Args:
        p: array, (m,). Probabilities of m tests of one family.
    """
    values = np.asarray(p, float)
    order = np.argsort(values, kind="stable")
    steps = (values.size - np.arange(values.size)) * values[order]
    corrected = np.empty_like(values)
    corrected[order] = np.minimum(1.0, np.maximum.accumulate(steps))
    return corrected


def clopper_pearson(k: int, n: int, coverage: float = 0.95) -> tuple[float, float]:
    """Return the two-sided exact interval of a share (Clopper and Pearson 1934)."""
    from scipy import stats

    found: Any = stats.binomtest(k, n).proportion_ci(coverage, method="exact")
    return float(found.low), float(found.high)


def failure_bound(failures: int, trials: int, confidence: float = 0.95) -> float:
    """Return the one-sided upper bound of a failure probability (exact).

    Nothing failed in n trials: ``1 − (1 − confidence)^(1/n)``, near 3/n.
    """
    from scipy import special

    if not 0 <= failures <= trials or trials < 1:
        raise ValueError("failures must be between 0 and the number of trials")
    if failures == trials:
        return 1.0
    return float(special.betaincinv(failures + 1, trials - failures, confidence))
