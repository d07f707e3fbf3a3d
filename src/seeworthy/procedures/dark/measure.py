"""Level, growth, hot pixels and bands of a dark picture; all in code values."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.signal import savgol_coeffs, savgol_filter
from scipy.special import ndtr

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

STRETCHES = 20
"""Equal stretches of the clip whose levels are fitted: four in each fifth (a judgement)."""
_FIT = 3  # parameters of the parabola that stands for a warming camera
_CELL = 16
"""Px of a cell whose median is the surroundings: wide against a hot pixel's 3 to 5 px after
demosaicing, narrow against the glow of a warm chip (a judgement)."""
_BLOCK = 16
"""Px of the stripes that make two halves of a picture: a macroblock of H.264, so that neither
demosaicing nor coding ties the halves together."""
_TREND = 4
"""Bands are what a parabola over this part of the side does not follow; wider is glow (a
judgement)."""


@dataclass(frozen=True, slots=True)
class DarkFigure:
    """A value with its standard uncertainty and degrees of freedom."""

    value: float
    u: float
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class DarkLevel:
    """Mean code value and what makes it uncertain.

    Attributes:
        scatter: Standard uncertainty by the stretches, `dof` degrees of freedom.
        rounding: Standard uncertainty by whole code values.
    """

    value: float
    scatter: float
    rounding: float
    dof: float


@dataclass(frozen=True, slots=True)
class Dot:
    """A hot pixel: its place and how far it stands above its surroundings."""

    x: int
    y: int
    strength: float
    u: float


@dataclass(frozen=True, slots=True)
class Bands:
    """Mean square of what whole rows (or columns) do together.

    Attributes:
        power, u: Mean square and its standard uncertainty by noise.
        trend: Share of the rms that the trend takes of bands without any order, and none of fine
            regular ones; `power` is filled up for the former.
    """

    power: float
    u: float
    trend: float


def rounding(histogram: Floats, black: int) -> float:
    """Return the standard uncertainty of a mean by whole code values.

    Rounding moves the mean of a normal spread σ by up to exp(-2 π² σ²) / π code values, a sine
    of where the mean lies (Widrow's theory of quantisation, from memory); nothing that has no
    spread is known to better than its code (rectangular). Where black cuts the spread the sum of
    the saw-tooth that begins there is 1/24 of the density at black (Euler and Maclaurin).

    Args:
        histogram: How often each code value came.
    """
    whole = histogram.sum()
    share = histogram / whole
    codes = np.arange(histogram.size)
    mean = float(share @ codes)
    power = max(float(share @ (codes - mean) ** 2) - 1 / 12, 0.0)
    sine = math.exp(-2 * math.pi**2 * power) / math.pi / math.sqrt(2)
    cut = 0.0
    if share[: black + 1].sum() > 0 and black + 1 < share.size:
        cut = float(share[black + 1]) / 24
    return min(math.hypot(sine, cut), 1 / math.sqrt(12))


def stretches(levels: Floats, times: Floats) -> tuple[Floats, Floats]:
    """Return mean level and mean time of `STRETCHES` equal stretches of a clip."""
    parts = np.array_split(np.arange(levels.size), STRETCHES)
    return (np.array([levels[p].mean() for p in parts]), np.array([times[p].mean() for p in parts]))


def _scatter(means: Floats, times: Floats) -> float:
    """Return the scatter of the stretches about a parabola in time."""
    at = (times - times.mean()) / max(float(np.ptp(times)), 1e-9)
    left = means - np.polyval(np.polyfit(at, means, _FIT - 1), at)
    return float(np.sqrt((left**2).sum() / (means.size - _FIT)))


def level(levels: Floats, times: Floats, round_u: float) -> DarkLevel:
    """Return the mean level of a clip."""
    means, at = stretches(levels, times)
    spread = _scatter(means, at) / math.sqrt(means.size)
    return DarkLevel(float(levels.mean()), spread, round_u, means.size - _FIT)


def growth(levels: Floats, times: Floats, round_u: float) -> tuple[DarkFigure, float]:
    """Return code values a minute from the first to the last fifth, and the part of rounding.

    No law of warming is taken for granted: it is a difference, over the time between the
    fifths' middles.
    """
    means, at = stretches(levels, times)
    fifth = STRETCHES // 5
    apart = (at[-fifth:].mean() - at[:fifth].mean()) / 60
    rise = means[-fifth:].mean() - means[:fifth].mean()
    scatter = _scatter(means, at) * math.sqrt(2 / fifth) / apart
    by_codes = math.sqrt(2) * round_u / apart
    return DarkFigure(rise / apart, scatter, means.size - _FIT), by_codes


def surroundings(mean: Floats) -> Floats:
    """Return the smooth part of a picture: medians of cells, joined by straight lines."""
    height, width = mean.shape
    rows, columns = max(height // _CELL, 1), max(width // _CELL, 1)
    cut = mean[: rows * _CELL, : columns * _CELL] if min(mean.shape) >= _CELL else mean
    cells = cut.reshape(rows, cut.shape[0] // rows, columns, cut.shape[1] // columns)
    medians = np.median(cells, axis=(1, 3)).astype(np.float32)
    wide = cv2.resize(medians, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide, np.float64)


def stand_outs(mean: Floats) -> Floats:
    """Return how far each pixel stands above its surroundings, its row and its column."""
    left = mean - surroundings(mean)
    left = left - np.median(left, axis=1, keepdims=True)
    return np.asarray(left - np.median(left, axis=0, keepdims=True))


def error_of_mean(halves: tuple[Floats, Floats], deviation: Floats, count: int) -> Floats:
    """Return the standard error of each pixel's mean, (H, W).

    Noise that hangs together over time counts for fewer frames: the halves of the clip differ
    by more than independent frames would, and by that much the error is more.
    """
    plain = deviation / math.sqrt(count)
    seen = 1.4826 * float(np.median(np.abs(halves[0] - halves[1]))) / 2
    typical = float(np.median(plain))
    more = max(seen / typical, 1.0) if typical > 0 else 1.0
    # A pixel that never changes is known to a code value.
    whole = np.where(deviation < 0.3, 1 / math.sqrt(12), 0.0)
    return np.asarray(np.hypot(plain * more, whole))


def hot_pixels(out: Floats, error: Floats, above: float) -> tuple[list[Dot], DarkFigure]:
    """Return the hot pixels, strongest first, and how many they are.

    Neighbours that stand out together are one. Whether one near the limit is above it is a
    matter of chance, and the count's variance is the sum of p (1 - p).

    Args:
        out: From `stand_outs`.
        error: From `error_of_mean`.
        above: Limit, code values.
    """
    near = out > above / 2
    _, marks = cv2.connectedComponents(near.astype(np.uint8), connectivity=8)
    ys, xs = np.nonzero(near)
    order = np.argsort(-out[ys, xs], kind="stable")
    ys, xs = ys[order], xs[order]
    _, first = np.unique(marks[ys, xs], return_index=True)  # the strongest of each
    peaks = [Dot(int(xs[i]), int(ys[i]), float(out[ys[i], xs[i]]), float(error[ys[i], xs[i]]))
             for i in np.sort(first)]  # fmt: skip
    chances = np.array([ndtr((d.strength - above) / max(d.u, 1e-9)) for d in peaks])
    hot = [d for d in peaks if d.strength > above]
    spread = float(np.sqrt((chances * (1 - chances)).sum()))
    return hot, DarkFigure(float(len(hot)), spread)


def bands(halves: tuple[Floats, Floats], use: Mask) -> Bands:
    """Return the mean square of what whole rows do together, without what noise adds.

    Rows are averaged in two sets of stripes and two sets of frames. What a row's mean in one set
    of stripes and of frames has in common with that in the others is the band; noise and single
    pixels have nothing in common.

    Args:
        halves: Mean pictures, (H, W).
        use: (H, W), False where a pixel is hot or left out.
    """
    wide = max(use.shape[0] // _TREND // 2 * 2 + 1, 5)
    # A least-squares filter keeps 1 - c of white noise, c its middle coefficient: a projection.
    taken = float(savgol_coeffs(wide, 2)[wide // 2])
    stripe = np.arange(use.shape[1]) // _BLOCK % 2
    profile = {}
    for half in (0, 1):
        left = np.where(use, halves[half], 0.0)
        for side in (0, 1):
            mine = stripe == side
            number = use[:, mine].sum(axis=1)
            mean = left[:, mine].sum(axis=1) / np.maximum(number, 1)
            profile[half, side] = mean - savgol_filter(mean, wide, 2)
    n = use.shape[0]
    common = (profile[0, 0] * profile[1, 1] + profile[0, 1] * profile[1, 0]).mean() / 2
    same = (profile[0, 0] * profile[1, 0] + profile[0, 1] * profile[1, 1]).mean() / 2
    whole = np.mean([(p**2).mean() for p in profile.values()])
    noise = max(float(whole - common), 0.0)
    fixed = min(max(float(same - common) / noise, 0.0), 1.0) if noise > 0 else 0.0
    power = max(float(common), 0.0)
    variance = (power * noise * (1 + fixed) + noise**2 * (1 + fixed**2) / 2) / n
    full = 1 / (1 - taken)
    return Bands(float(common) * full, math.sqrt(variance) * full, taken / 2)
