"""The camera's clock against the bench clock, from the times read in its frames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.statistics import robust_spread

_BLOCKS = 16  # of a clip: 14 degrees of freedom for the slope (a judgement)
_LEAST = 64  # frames: four a block (derived)
_OUTLIER = 6.0  # robust standard deviations (a judgement)
_SINGLE_S = 0.4e-3
"""Uncertainty of one frame's time that frames do not share, s."""
_WANDER_S = 0.06e-3
"""What coding and pixels add to the wander over a clip, as rendered clips show, s."""
_LONGEST = 50.0
"""Longest beat, in clips: 30.001 pictures a second on a screen of 60 Hz beat in 500 s, and a
longer one drifts by less than an eighth of the common error. A judgement."""
_LENGTHS = 24
"""Lengths tried between: steps of a sixth, finer than residuals tell."""


@dataclass(frozen=True, slots=True)
class ClockFit:
    """Stamps of a file as a straight line over the time of the bench clock.

    Attributes:
        rate_ppm, u_ppm: How much the file's time runs fast against the clock, and its standard
            uncertainty.
        dof: Degrees of freedom of `u_ppm`.
        scatter_ms: Root mean square of the residuals that were kept.
        n: Frames kept.
        kept: ndarray (N,) bool. False for frames far off the line (misread, or stamped wrongly).
        off: ndarray (n,). Seconds by which the kept frames' stamps stand off the line.
    """

    rate_ppm: float
    u_ppm: float
    dof: float
    scatter_ms: float
    n: int
    kept: npt.NDArray[np.bool_]
    off: npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lost:
    """Pictures that are missing by the clock.

    Attributes:
        interval: Seconds between pictures by the stamps.
        hidden: Places (in the arrays given) before a picture that is missing without a gap in the
            stamps, once per picture.
        shown: The same for pictures whose absence the stamps show.
        kept: Places before a gap of the stamps where no picture is missing by the clock.
    """

    interval: float
    hidden: tuple[int, ...]
    shown: tuple[int, ...]
    kept: tuple[int, ...]


def find_lost(
    index: npt.NDArray[np.int64], stamps: npt.NDArray[np.float64], times: npt.NDArray[np.float64]
) -> Lost:
    """Find pictures that the camera lost, by the clock and by the stamps.

    Args:
        index: ndarray (N,) int. Numbers of the frames; only neighbours in the file are compared.
        stamps, times: ndarray (N,). Seconds by the file and by the clock.
    """
    next_to = np.diff(index) == 1
    by_file, by_clock = np.diff(stamps), np.diff(times)
    interval = float(np.median(by_file[next_to])) if next_to.any() else 0.0
    hidden: list[int] = []
    shown: list[int] = []
    kept: list[int] = []
    if interval <= 0:
        return Lost(interval, (), (), ())
    for place in map(int, np.flatnonzero(next_to)):
        # A misread frame makes one step too long and the next one too short by as much.
        step = min(
            (float(times[b] - times[a]) - (b - a - 1) * interval for a, b in _around(place, index)),
            key=lambda each: abs(each - interval),
        )
        missing = max(0, round(step / interval) - 1)
        gap = max(0, round(float(by_file[place]) / interval) - 1)
        shown += [place] * min(missing, gap)
        hidden += [place] * max(0, missing - gap)
        if gap and not missing and by_clock[place] < 1.5 * interval:
            kept.append(place)
    return Lost(interval, tuple(hidden), tuple(shown), tuple(kept))


def _around(place: int, index: npt.NDArray[np.int64]) -> list[tuple[int, int]]:
    """Pairs of places on either side of a step: next to it, and one further out each way."""
    pairs = [(place, place + 1)]
    if place > 0 and index[place + 1] - index[place - 1] == 2:
        pairs.append((place - 1, place + 1))
    if place + 2 < len(index) and index[place + 2] - index[place] == 2:
        pairs.append((place, place + 2))
    return pairs


def without_hidden(stamps: npt.NDArray[np.float64], lost: Lost) -> npt.NDArray[np.float64]:
    """Stamps as they would be had the camera counted the pictures it hid."""
    late = np.zeros(stamps.size)
    np.add.at(late, np.array(lost.hidden, np.intp) + 1, lost.interval)
    return np.asarray(stamps + np.cumsum(late), np.float64)


def fit_rate(stamps: npt.NDArray[np.float64], times: npt.NDArray[np.float64]) -> ClockFit:
    """Fit the rate of the file's stamps against the clock.

    Args:
        stamps, times: ndarray (N,). Seconds by the file, and by the clock (unwrapped).

    Returns:
        Residuals of neighbouring frames hang together (screen and camera beat), so the uncertainty
        comes from means over blocks in time, not from single frames. A beat slower than the clip
        looks like a rate; an exposure of at least one screen update has none.

    Raises:
        CannotMeasure: With fewer than 64 frames, or where most lie off every line.
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
        spread = robust_spread(off[kept])
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
        float(slope) * 1e6, u * 1e6, float(_BLOCKS - 2), scatter * 1e3, int(kept.sum()), kept, off
    )


def _slope_u(x: npt.NDArray[np.float64], off: npt.NDArray[np.float64]) -> float:
    """Standard uncertainty of a slope from the means of residuals in blocks."""
    where = np.array([part.mean() for part in np.array_split(x, _BLOCKS)])
    means = np.array([part.mean() for part in np.array_split(off, _BLOCKS)])
    spread = where - where.mean()
    return float(np.sqrt(np.sum(means**2) / (_BLOCKS - 2) / np.sum(spread**2)))


def beat_u(
    times: npt.NDArray[np.float64], u: npt.NDArray[np.float64], off: npt.NDArray[np.float64]
) -> float:
    """Standard uncertainty of a rate, ppm, from errors that frames have in common.

    Where frames and updates of the screen step almost together, the error of a frame wanders
    slowly over its whole range; over a clip that is shorter it looks like a rate. How long the
    beat lasts is not known: every length from one clip to `_LONGEST` is as likely beforehand (in
    its logarithm), and what the residuals bend by says which of them it may be. A wander of
    variance c² and period P has the covariance c² cos(2π t / P); line and wander are told apart
    by generalised least squares.

    Args:
        times, u: ndarray (N,). Seconds by the clock, and their standard uncertainties.
        off: ndarray (N,). Seconds by which the file's stamps stand off a straight line.
    """
    lasts = float(np.ptp(times))
    common = float(np.sqrt(np.mean(np.clip(u**2 - _SINGLE_S**2, 0, None))))
    if common == 0:
        return _WANDER_S / lasts * 1e6
    x = np.array([part.mean() for part in np.array_split(times, _BLOCKS)]) / lasts
    y = np.array([part.mean() for part in np.array_split(off, _BLOCKS)])
    # Third differences of independent means have twenty times their variance; a wander has next
    # to none.
    noise = max(_WANDER_S, float(np.sqrt(np.mean(np.diff(y, 3) ** 2) / 20)))
    apart = x[:, None] - x
    line = np.column_stack([np.ones_like(x), x])
    ordinary = float(np.polyfit(x, y, 1)[0])
    likely, squares = [], []
    for length in np.geomspace(1.0, _LONGEST, _LENGTHS):
        covariance = common**2 * np.cos(2 * np.pi * apart / length)
        covariance += noise**2 * np.eye(len(x))
        inverse = np.linalg.inv(covariance)
        normal = line.T @ inverse @ line
        spread = np.linalg.inv(normal)
        found = spread @ line.T @ inverse @ y
        rest = y - line @ found
        signs = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(normal)[1]
        likely.append(-0.5 * (signs + float(rest @ inverse @ rest)))
        squares.append(float(spread[1, 1]) + (float(found[1]) - ordinary) ** 2)
    weight = np.exp(np.array(likely) - max(likely))
    drift = float(np.sqrt(np.average(squares, weights=weight)))
    return float(np.hypot(drift, _WANDER_S)) / lasts * 1e6
