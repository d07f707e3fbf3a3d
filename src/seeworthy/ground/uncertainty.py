"""From value, standard uncertainty and degrees of freedom to intervals, draws and chances.

The one home of coverage factors and quantiles. A 95 % interval that was not stated by a
procedure is Student's t (JCGM 100:2008, G.3), and draws are t-scaled to match it (JCGM
101:2008, 6.4.9). Where a procedure stated an interval of its own (percentiles, bounds),
draws and chances follow that one, so that no floor shows another.

Declarations import this module: NumPy and SciPy are loaded where they are used.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

COVERAGE = 0.95  # of every interval (JCGM 100:2008, 6.2.2)
Interval = tuple[float, float]
X = TypeVar("X", float, "Floats")

FOUR_APART = 2.059
"""How far the largest and the smallest of four normal draws lie apart on the average, in
standard deviations (the constant d2 of control charts, from memory; a test draws it)."""

# A stored interval is taken for Student's t when it is that to one part in a thousand: files of
# the versions before were written with the factor 1.96, which is 2e-5 off.
_SAME = 1e-3
# From here on the factor differs from the normal one by less than that (half of it).
_MANY = 2400.0


@lru_cache(maxsize=4096)
def coverage_factor(dof: float = math.inf, coverage: float = COVERAGE) -> float:
    """Return the two-sided coverage factor of Student's t (JCGM 100:2008, Table G.2).

    Args:
        dof: Degrees of freedom, need not be whole; infinity gives the normal factor.
        coverage: Probability inside, 0 to 1. One-sided at 95 %: 0.90.

    Raises:
        ValueError: `dof` is not above zero.
    """
    from scipy import special

    p = 0.5 + coverage / 2
    if math.isinf(dof):
        return float(special.ndtri(p))
    if not dof > 0:
        raise ValueError("degrees of freedom must be above zero")
    return float(special.stdtrit(dof, p))


def coverage_factors(dof: Floats) -> Floats:
    """Return `coverage_factor` of an array; infinities are welcome."""
    import numpy as np
    from scipy import special

    p = 0.5 + COVERAGE / 2
    few = np.where(np.isfinite(dof), dof, 1.0)
    return np.asarray(np.where(np.isfinite(dof), special.stdtrit(few, p), special.ndtri(p)))


def effective_dof(parts: Sequence[tuple[float, float]]) -> float:
    """Return the Welch–Satterthwaite degrees of freedom (JCGM 100:2008, G.4.1).

    Args:
        parts: sequence of (u_i, dof_i). Contributions to the combined uncertainty, all in the unit
            of the result.
    """
    total = sum(u * u for u, _ in parts) ** 2
    bottom = sum(u**4 / dof for u, dof in parts if not math.isinf(dof))
    return total / bottom if bottom > 0 else math.inf


def interval(
    value: X, u: X, dof: float = math.inf, *, least: float = -math.inf, coverage: float = COVERAGE
) -> tuple[X, X]:
    """Return the interval ``value ± t(dof) u``.

    Args:
        value, u: Value and standard uncertainty, one unit.
        dof: Degrees of freedom of `u`.
        least: What the quantity cannot be below (a share: 0); the interval ends there.
    """
    half = coverage_factor(dof, coverage) * u
    low, high = value - half, value + half
    if least > -math.inf:
        import numpy as np

        low = np.maximum(low, least) if isinstance(low, np.ndarray) else max(low, least)
    return low, high


def of_length(length: float, u: float) -> Interval:
    """Return the interval of the length of a vector of two components, each known to `u`.

    Errors lengthen a short vector: what lies within the circle that holds 95 % of the errors
    (Rayleigh's law) may be none at all, and its interval begins at zero; beyond, the lower half
    goes over from the circle's radius to that of one component.
    """
    circle = math.sqrt(-2 * math.log(1 - COVERAGE)) * u
    low, high = interval(length, u)
    if length <= circle:
        return 0.0, max(high, circle)
    return max(low - (circle - (length - low)) * (circle / length) ** 2, 0.0), high


def upper(value: float, u: float, dof: float = math.inf) -> float:
    """Return the one-sided limit that the quantity is below with 95 % confidence."""
    return value + coverage_factor(dof, 2 * COVERAGE - 1) * u


def lower(value: float, u: float) -> float:
    """Return the one-sided limit that the quantity is above with 95 % confidence."""
    return value - coverage_factor(math.inf, 2 * COVERAGE - 1) * u


def counted(count: float, coverage: float = COVERAGE) -> tuple[float, float]:
    """Return the interval of the mean of a Poisson variable of which `count` was seen.

    Each side takes half of what is left over. Source: Garwood (1936), Biometrika 28, 437.
    """
    from scipy.special import gammaincinv

    tail = (1 - coverage) / 2
    low = float(gammaincinv(count, tail)) if count > 0 else 0.0
    return low, float(gammaincinv(count + 1, 1 - tail))


def two_sided(t: X, dof: X | float = math.inf) -> X:
    """Return the probability of a Student's t as far from zero as `t`, or farther."""
    import numpy as np
    from scipy import special

    size, many = np.abs(t), np.broadcast_to(dof, np.shape(t))
    few = np.isfinite(many)
    tail = np.asarray(special.ndtr(-size), float)
    if few.any():  # Student's t costs twenty times the normal tail
        tail = np.array(tail)
        tail[few] = special.stdtr(many[few], -np.asarray(size)[few])
    both: X = 2 * tail if isinstance(t, np.ndarray) else float(2 * tail)
    return both


def dof_from_interval(value: float, u: float, ends: Interval) -> float:
    """Return the degrees of freedom that a symmetric 95 % interval was built with.

    For benches and files of the versions that stored value, u and interval alone.
    Infinity for a normal interval and for one that the procedure stated (not symmetric,
    open, or narrower than normal): that one is kept as it is.
    """
    low, high = value - ends[0], ends[1] - value
    half = (low + high) / 2
    if not (u > 0 and math.isfinite(half)) or abs(high - low) > _SAME * 2 * half:
        return math.inf
    factor = half / u
    if factor <= coverage_factor(_MANY):
        return math.inf
    if factor >= coverage_factor(1.0):
        return 1.0
    few, many = 1.0, _MANY
    for _ in range(60):
        middle = math.sqrt(few * many)
        if coverage_factor(middle) > factor:
            few = middle
        else:
            many = middle
    return few


def of_draws(drawn: Floats) -> tuple[float, float, Interval]:
    """Return median, standard uncertainty and 95 % interval of draws (JCGM 101:2008, 7.7).

    The uncertainty is half of what holds the middle 68 %: draws of a t with few degrees of
    freedom have no standard deviation.
    """
    import numpy as np
    from scipy import special

    one = float(special.ndtr(1.0))
    points = (0.5 - COVERAGE / 2, 1 - one, 0.5, one, 0.5 + COVERAGE / 2)
    low, less, middle, more, high = (float(q) for q in np.quantile(drawn, points))
    return middle, (more - less) / 2, (low, high)


@dataclass(frozen=True, slots=True)
class Uncertain:
    """A value that is not known exactly, as every floor reads it.

    Attributes:
        value, u: Value and standard uncertainty, one unit.
        dof: Degrees of freedom of `u`.
        ends: 95 % interval where one is stated or stored; None for Student's t.
    """

    value: float
    u: float
    dof: float = math.inf
    ends: Interval | None = None

    @property
    def interval(self) -> Interval:
        """The 95 % interval, the only one."""
        return self.ends or interval(self.value, self.u, self.dof)

    @property
    def shape(self) -> Literal["t", "split t", "rectangular"]:
        """How draws are spread.

        ``t``: value + u t(dof). ``split t``: an interval of its own; half of the draws on
        either side of the value, each side a t scaled so that its end of the interval is met;
        a side without an end has no spread, as nothing says how far beyond the bound it lies.
        ``rectangular``: the value stands on an end of a closed interval, so that it is a bound
        and nothing but the limits is known (JCGM 101:2008, 6.4.2).
        """
        if self.ends is None:
            return "t"
        low, high = interval(self.value, self.u, self.dof)
        room = _SAME * (high - low) / 2
        if abs(self.ends[0] - low) <= room and abs(self.ends[1] - high) <= room:
            return "t"
        low, high = self.ends
        closed = math.isfinite(low) and math.isfinite(high)
        return "rectangular" if closed and low < high and self.value in self.ends else "split t"

    def draws(self, rng: np.random.Generator, n: int) -> Floats:
        """Return `n` draws, shape (n,); their 2.5 and 97.5 % points are the interval's ends.

        (Of a rectangular one all lie inside.) With one or two degrees of freedom draws have
        no variance: ask them for quantiles, never for a standard deviation.
        """
        import numpy as np

        if self.shape == "rectangular":
            return rng.uniform(*self.interval, n)
        unit = rng.standard_normal(n) if math.isinf(self.dof) else rng.standard_t(self.dof, n)
        below, above = self._scales()
        return np.asarray(self.value + np.where(unit < 0, below, above) * unit)

    def chance(self, low: float = -math.inf, high: float = math.inf) -> float:
        """Return the probability that it lies within [low, high], ends included."""
        return max(0.0, self._below(high, True) - self._below(low, False))

    def _scales(self) -> Interval:
        """Return what t is multiplied by below and above the value."""
        if self.ends is None or self.shape == "t":
            return self.u, self.u
        k = coverage_factor(self.dof)
        low, high = self.value - self.ends[0], self.ends[1] - self.value
        return (low / k if math.isfinite(low) else 0.0, high / k if math.isfinite(high) else 0.0)

    def _below(self, x: float, with_x: bool) -> float:
        """Return the probability of less than `x`, or of as much too (`with_x`)."""
        if math.isinf(x):
            return float(x > 0)
        if self.shape == "rectangular":
            low, high = self.interval
            return min(1.0, max(0.0, (x - low) / (high - low)))
        away = x - self.value
        below, above = self._scales()
        if away == 0:  # draws of a side without spread stand on the value itself
            return 0.5 + 0.5 * (above == 0) if with_x else 0.5 * (below > 0)
        scale = below if away < 0 else above
        if scale == 0:
            return float(away > 0)
        tail = two_sided(away / scale, self.dof) / 2
        return tail if away < 0 else 1 - tail
