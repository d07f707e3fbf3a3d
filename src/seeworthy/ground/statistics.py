"""Shared statistics: means, bootstraps, comparisons, shares; one door to all of them.

Uncertainties are standard uncertainties (``u``); intervals are 95 % unless a
coverage is given. SciPy does the distributions.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from seeworthy.ground.lines import (
    Line,
    LinearFit,
    fit_linear,
    robust_line,
    straight_line,
    york_line,
)
from seeworthy.ground.propagation import (
    MonteCarlo,
    Propagated,
    propagate,
    propagate_mc,
    propagate_vector,
    u_arcsine,
    u_rectangular,
    u_triangular,
)
from seeworthy.ground.uncertainty import coverage_factor, effective_dof, interval, two_sided

__all__ = [
    "Bootstrap",
    "Difference",
    "Line",
    "LinearFit",
    "Mean",
    "MonteCarlo",
    "OneWay",
    "Propagated",
    "WeightedMean",
    "block_bootstrap",
    "block_length",
    "clopper_pearson",
    "coverage_factor",
    "effective_dof",
    "failure_bound",
    "fit_linear",
    "lag1_autocorrelation",
    "mean_t",
    "one_way",
    "paired",
    "propagate",
    "propagate_mc",
    "propagate_vector",
    "robust_line",
    "straight_line",
    "u_arcsine",
    "u_rectangular",
    "u_triangular",
    "weighted_mean",
    "welch",
    "welch_samples",
    "york_line",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean with Student's t (JCGM 100:2008, 4.2.3).

    Attributes
    ----------
    value, u : float
        `u` is the experimental standard deviation of the mean.
    s : float
        Standard deviation of one observation.
    n : int
    dof : float
    interval : (float, float)
    """

    value: float
    u: float
    s: float
    n: int
    dof: float
    interval: tuple[float, float]


def mean_t(values: ArrayLike, u_common: float = 0.0, coverage: float = 0.95) -> Mean:
    """Return the mean of independent repeats.

    Parameters
    ----------
    values : array_like, shape (n,)
    u_common : float
        Standard uncertainty that all repeats share (a calibration); it does not
        average out and has infinite degrees of freedom.
    coverage : float

    Raises
    ------
    ValueError
        Fewer than two values: one value says nothing about scatter.
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
    return Mean(value, u, s, n, dof, interval(value, u, dof, coverage=coverage))


@dataclass(frozen=True, slots=True)
class WeightedMean:
    """A mean weighted by the uncertainties, and whether they explain the scatter.

    Attributes
    ----------
    value : float
    u : float
        `u_internal`, widened by the Birge ratio where that is above one.
    u_internal : float
        From the given uncertainties alone.
    birge : float
        Root of the reduced chi-square: about one when the uncertainties are honest.
    p : float
        Probability of a larger chi-square if they are; small means disagreement.
    dof : float
        Infinite when `u` comes from the given uncertainties, n − 1 when widened.
    n : int
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

    Parameters
    ----------
    values, us : array_like, shape (n,)
        All `us` above zero.
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


def lag1_autocorrelation(values: ArrayLike) -> float:
    """Return the lag-1 autocorrelation as NIST StRD defines it; NaN for constant values."""
    x = np.asarray(values, dtype=float)
    d = x - x.mean()
    total = float((d * d).sum())
    return float((d[1:] * d[:-1]).sum()) / total if total > 0 else math.nan


def block_length(values: ArrayLike) -> int:
    """Return a block length for `block_bootstrap` from the lag-1 autocorrelation.

    Carlstein (1986), Annals of Statistics 14, 1171: best for a first-order
    autoregression (from memory).
    """
    x = np.asarray(values, dtype=float)
    n, r = len(x), abs(lag1_autocorrelation(x))
    if n < 4 or not r < 1:
        return 1
    best = (math.sqrt(6) * r / (1 - r * r)) ** (2 / 3) * n ** (1 / 3)
    return int(min(max(1, round(best)), n // 2))


@dataclass(frozen=True, slots=True)
class Bootstrap:
    """What resampling says of a statistic: `u`, percentile `interval`, the `samples`."""

    value: float
    u: float
    interval: tuple[float, float]
    samples: Floats


def block_bootstrap(
    data: ArrayLike,
    statistic: Callable[[Floats], float],
    block: int | None = None,
    *,
    draws: int = 1000,
    seed: int = 0,
    coverage: float = 0.95,
) -> Bootstrap:
    """Resample neighbours together (circular blocks; Politis and Romano 1992).

    Scatter between frames of one take says nothing about what they share (scene,
    track, encoder): add that separately.

    Parameters
    ----------
    data : array_like, shape (n, ...)
        In time order along the first axis.
    statistic : callable
        ``resampled data -> float``; NaN results are left out.
    block : int, optional
        Length of a block; from `block_length` of one-dimensional data, else n^(1/3).
    """
    x = np.asarray(data, dtype=float)
    n = len(x)
    if n < 2:
        raise ValueError("a bootstrap needs two observations")
    size = block or (block_length(x) if x.ndim == 1 else round(n ** (1 / 3)))
    size = min(max(1, size), n)
    rng = np.random.default_rng(seed)
    blocks = math.ceil(n / size)
    starts = rng.integers(0, n, (draws, blocks))
    index = (starts[:, :, None] + np.arange(size)).reshape(draws, -1)[:, :n] % n
    samples = np.array([statistic(x[row]) for row in index], dtype=float)
    samples = samples[np.isfinite(samples)]
    if len(samples) < draws / 2:
        raise ValueError("the statistic fails on most resamples")
    low, high = np.quantile(samples, [0.5 - coverage / 2, 0.5 + coverage / 2])
    u = float(samples.std(ddof=1))
    return Bootstrap(float(statistic(x)), u, (float(low), float(high)), samples)


@dataclass(frozen=True, slots=True)
class Difference:
    """Difference of two figures.

    Attributes
    ----------
    value, u, dof : float
    interval : (float, float)
    t, p : float
        Student's t and the two-sided probability of a larger one by chance.
    """

    value: float
    u: float
    dof: float
    interval: tuple[float, float]
    t: float
    p: float


def _difference(value: float, u: float, dof: float, coverage: float) -> Difference:
    t = value / u if u > 0 else math.copysign(math.inf, value) if value else 0.0
    ends = interval(value, u, dof, coverage=coverage)
    return Difference(value, u, dof, ends, t, two_sided(t, dof))


def welch(
    a: float,
    u_a: float,
    b: float,
    u_b: float,
    dof_a: float = math.inf,
    dof_b: float = math.inf,
    coverage: float = 0.95,
) -> Difference:
    """Compare two figures with their own uncertainties (Welch 1947): ``a − b``."""
    dof = effective_dof([(u_a, dof_a), (u_b, dof_b)])
    return _difference(a - b, math.hypot(u_a, u_b), dof, coverage)


def welch_samples(a: ArrayLike, b: ArrayLike, coverage: float = 0.95) -> Difference:
    """Compare the means of two sets of independent repeats: ``mean(a) − mean(b)``."""
    one, two = mean_t(a), mean_t(b)
    return welch(one.value, one.u, two.value, two.u, one.n - 1, two.n - 1, coverage)


def paired(a: ArrayLike, b: ArrayLike, coverage: float = 0.95) -> Difference:
    """Compare pairs taken on the same thing: mean of ``a − b``."""
    mean = mean_t(np.asarray(a, dtype=float) - np.asarray(b, dtype=float))
    return _difference(mean.value, mean.u, mean.n - 1, coverage)


@dataclass(frozen=True, slots=True)
class OneWay:
    """One-way analysis of variance.

    Attributes
    ----------
    f, p : float
        F statistic and the probability of a larger one when all groups are alike.
    ms_between, ms_within : float
        Mean squares.
    s_within, s_between : float
        Standard deviation within a group, and of the groups' true means (0 when
        the scatter within explains it all).
    """

    f: float
    p: float
    ms_between: float
    ms_within: float
    s_within: float
    s_between: float


def one_way(groups: Sequence[ArrayLike]) -> OneWay:
    """Split scatter into within and between groups (takes, specimens, days)."""
    from scipy import special

    sets = [np.asarray(g, dtype=float) for g in groups]
    sizes = np.array([len(g) for g in sets], dtype=float)
    total, k = float(sizes.sum()), len(sets)
    if k < 2 or total <= k:
        raise ValueError("an analysis of variance needs two groups with repeats")
    everything = np.concatenate(sets)
    origin = float(everything.mean())  # subtracting it first keeps the leading digits out
    means = np.array([float((g - origin).mean()) for g in sets])
    grand = float((means * sizes).sum() / total)
    between = float((sizes * (means - grand) ** 2).sum()) / (k - 1)
    within = sum(float((((g - origin) - m) ** 2).sum()) for g, m in zip(sets, means, strict=True))
    within /= total - k
    f = between / within if within > 0 else math.inf
    p = float(special.fdtrc(k - 1, total - k, f)) if math.isfinite(f) else 0.0
    per_group = (total - float((sizes**2).sum()) / total) / (k - 1)
    s_between = math.sqrt(max(0.0, (between - within) / per_group))
    return OneWay(f, p, between, within, math.sqrt(within), s_between)


def holm(p: ArrayLike) -> Floats:
    """Return Holm's step-down corrected probabilities, same order (Holm 1979).

    Parameters
    ----------
    p : array, (m,)
        Probabilities of m tests of one family.
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
