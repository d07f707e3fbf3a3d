"""The camera's clock against the bench clock, from the times read in its frames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.errors import CannotMeasure

_BLOCKS = 16
_LEAST = 64
_OUTLIER = 6.0


@dataclass(frozen=True, slots=True)
class ClockFit:
    """Stamps of a file as a straight line over the time of the bench clock.

    Attributes
    ----------
    rate_ppm, u_ppm : float
        How much the file's time runs fast against the clock, and its standard uncertainty.
    dof : float
        Degrees of freedom of `u_ppm`.
    scatter_ms : float
        Root mean square of the residuals that were kept.
    n : int
        Frames kept.
    kept : ndarray (N,) bool
        False for frames far off the line (misread, or stamped wrongly).
    """

    rate_ppm: float
    u_ppm: float
    dof: float
    scatter_ms: float
    n: int
    kept: npt.NDArray[np.bool_]


def unwrap(times: npt.NDArray[np.float64], period: float) -> npt.NDArray[np.float64]:
    """Clock times in file order without the jump where the clock starts again."""
    return np.asarray(np.unwrap(times, period=period), np.float64)


def fit_rate(stamps: npt.NDArray[np.float64], times: npt.NDArray[np.float64]) -> ClockFit:
    """Fit the rate of the file's stamps against the clock.

    Parameters
    ----------
    stamps, times : ndarray (N,)
        Seconds by the file, and by the clock (unwrapped).

    Returns
    -------
    ClockFit
        Residuals of neighbouring frames hang together (screen and camera beat), so the
        uncertainty comes from means over blocks in time, not from single frames. A beat
        slower than the clip looks like a rate; an exposure of at least one screen update
        has none.

    Raises
    ------
    CannotMeasure
        With fewer than 64 frames, or where most lie off every line.
    """
    if stamps.size < _LEAST:
        raise CannotMeasure(
            f"The clock was read in {stamps.size} frames; a rate needs {_LEAST} at least.",
            "Film the clock for a minute or longer, sharp and whole in the picture.",
        )
    origin, shift = float(times[0]), float(np.median(stamps - times))
    x, y = times - origin, stamps - times - shift
    kept = np.ones(x.size, np.bool_)
    for _ in range(5):
        slope, start = np.polyfit(x[kept], y[kept], 1)
        off = y - start - slope * x
        spread = 1.4826 * float(np.median(np.abs(off[kept] - np.median(off[kept]))))
        now = np.abs(off) <= _OUTLIER * max(spread, 1e-5)
        if bool(np.array_equal(now, kept)):
            break
        kept = now
    if kept.sum() < max(_LEAST // 2, x.size // 2):
        raise CannotMeasure(
            "The file's time does not follow the clock: most frames lie off any straight line.",
            "Film the clock in one go, without pausing it or the camera.",
        )
    slope, start = np.polyfit(x[kept], y[kept], 1)
    off = (y - start - slope * x)[kept]
    u = _slope_u(x[kept], off)
    scatter = float(np.sqrt(np.mean(off**2)))
    return ClockFit(
        float(slope) * 1e6, u * 1e6, float(_BLOCKS - 2), scatter * 1e3, int(kept.sum()), kept
    )


def _slope_u(x: npt.NDArray[np.float64], off: npt.NDArray[np.float64]) -> float:
    """Standard uncertainty of a slope from the means of residuals in blocks."""
    where = np.array([part.mean() for part in np.array_split(x, _BLOCKS)])
    means = np.array([part.mean() for part in np.array_split(off, _BLOCKS)])
    spread = where - where.mean()
    return float(np.sqrt(np.sum(means**2) / (_BLOCKS - 2) / np.sum(spread**2)))
