"""Desirability: a figure turned into 0 (useless) to 1 (as good as wanted).

One-sided and two-sided power functions and their weighted geometric mean, after
Derringer and Suich, J. Qual. Technol. 12 (1980) 214.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def one_sided(x: npt.ArrayLike, worst: float, best: float, shape: float = 1.0) -> Floats:
    """Return the desirability of `x` between a worst and a best value.

    Args:
        worst, best: 0 at and beyond `worst`, 1 at and beyond `best`; `worst` may be the larger.
        shape: Power: above 1 asks for nearly the best, below 1 is content early.
    """
    share = (np.asarray(x, float) - worst) / (best - worst)
    return np.asarray(np.clip(share, 0.0, 1.0) ** shape)


def two_sided(
    x: npt.ArrayLike, low: float, aim: float, high: float, shapes: tuple[float, float] = (1.0, 1.0)
) -> Floats:
    """Return the desirability of `x` around an aim: 1 there, 0 at and beyond `low` and `high`."""
    values = np.asarray(x, float)
    below = one_sided(values, low, aim, shapes[0])
    above = one_sided(values, high, aim, shapes[1])
    return np.where(values <= aim, below, above)


def overall(d: npt.ArrayLike, weights: npt.ArrayLike) -> Floats:
    """Return the weighted geometric mean over the last axis; one zero makes it zero.

    Args:
        d: array, (..., k)
        weights: array, (k,). Above zero.
    """
    values, w = np.asarray(d, float), np.asarray(weights, float)
    with np.errstate(divide="ignore"):
        logs = np.log(values)
    return np.asarray(np.exp(logs @ w / w.sum()))
