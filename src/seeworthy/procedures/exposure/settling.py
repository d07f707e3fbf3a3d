"""The level at which a picture settles, from a curve where the clip ends a little early."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from seeworthy.ground.errors import CannotMeasure

Doubles = npt.NDArray[np.float64]

_LEFT = 0.06  # of the way that may be missing when the clip ends, taken by a curve (a judgement)
_LEFT_PLAIN = 0.04  # drift of the end, of the way, where no curve fits (a judgement)
HOW = (
    "Film a still scene, wait five seconds, switch a lamp on (or take a dark cloth off the lens), "
    "and keep still for ten seconds more."
)


def settled_level(time: Doubles, lag: Doubles, noise: float) -> tuple[float, float]:
    """Return the level that the picture settles at and its uncertainty, in stops.

    Args:
        time, lag: s; stops over the mean of the end, NaN where clipped.
        noise: Of one frame, stops.

    Raises:
        CannotMeasure: The clip ends too early.
    """
    seen = np.isfinite(lag)
    t, y = time[seen], lag[seen]
    way = float(y[0] - y[-1])
    tail = y[-max(6, len(y) // 4) :]
    half = int(np.argmax(np.abs(y - y[-1]) <= 0.5 * abs(way)))
    fit = _exponential(t[half:], y[half:]) if len(y) - half >= 8 else None
    if fit is None or fit.rms > max(3 * noise, 0.02 * abs(way)):
        drift = abs(float(np.mean(tail[len(tail) // 2 :]) - np.mean(tail[: len(tail) // 2])))
        if drift > _LEFT_PLAIN * max(abs(way), 0.15):
            raise CannotMeasure("The clip ends before the exposure has settled.", HOW)
        return 0.0, noise / math.sqrt(len(tail) / 4)
    whole = abs(float(y[0]) - fit.end)
    if abs(fit.left) > _LEFT * whole or fit.u > _LEFT * whole:
        raise CannotMeasure("The clip ends before the exposure has settled.", HOW)
    return fit.end, fit.u


@dataclass(frozen=True)
class _Curve:
    """An exponential: its end, how much is left at the last frame, scatter about it."""

    end: float
    u: float
    left: float
    rms: float


def _exponential(t: Doubles, y: Doubles) -> _Curve | None:
    span = float(t[-1] - t[0])
    when = t - t[0]

    def off(p: Doubles) -> Doubles:
        return np.asarray(p[0] + p[1] * np.exp(-when / abs(p[2])) - y)

    found = least_squares(off, (float(y[-1]), float(y[0] - y[-1]), span / 4))
    rms = float(np.sqrt(np.sum(found.fun**2) / max(1, len(t) - 3)))
    normal = found.jac.T @ found.jac
    if not np.isfinite(normal).all() or np.linalg.cond(normal) > 1e12:
        return None
    # An encoder ties neighbouring frames together: a quarter of them count.
    u = 2 * rms * math.sqrt(float(np.linalg.inv(normal)[0, 0]))
    left = float(found.x[1] * math.exp(-span / abs(found.x[2])))
    return _Curve(float(found.x[0]), u, left, rms)
