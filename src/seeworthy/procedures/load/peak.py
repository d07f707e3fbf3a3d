"""The peak of an acceleration log, and what sampling and filtering leave of it.

The largest of many noisy samples is too high; the largest of a few far apart is too
low. The first is met by fitting short parabolas and widening them only as long as the
peak agrees with that of every narrower one (Lepski's rule), the second by what the
neighbouring samples leave room for, or, where the log has only a few samples in the
push, by calling the figure a lower bound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from seeworthy.ground.errors import CannotMeasure

Floats = NDArray[np.float64]

LEAST_SAMPLES = 10
"""Fewer samples than this within a push cannot show its peak: lower bound."""
HIDDEN = 0.3
"""Share of a peak that may stand unseen between samples before it is a lower bound; a judgement."""
COARSE = 60
"""Samples of a push below which its top may stand between them: 0.3 s, the longest push of a bottle
(common practice, no source), at the 200 Hz of the bottles that `_pointed` was fitted on."""
RINGS, RINGS_U = 0.014, 0.02
"""What a filter of two poles adds to a sudden push, and how uncertain that is: such a filter
overshoots by 4.3 % (Butterworth, any textbook of filters), and one logger in three is taken to
have one (a judgement)."""
_WIDTHS = (0, 2, 3, 4, 6, 8, 11, 15, 20, 28)  # samples, each about 1.4 times the one before


@dataclass(frozen=True, slots=True)
class Peak:
    """A peak with its random and its unseen part.

    Attributes:
        time: s.
        u: From noise, choice of the window, and what may lie between samples; without bias and
            scale of the sensor.
        width: Length of the fitted parabola, s; 0 for a single sample.
        single: One sample stands alone above its neighbours.
        few: Too few samples in the push: a lower bound.
    """

    value: float
    time: float
    u: float
    width: float
    single: bool
    few: bool


def find_peak(time: Floats, y: Floats, sigma: float, inside: slice) -> Peak:
    """Find the peak of `y` among the samples of one push.

    Args:
        time, y: arrays (N,)
        sigma: White noise of one sample.
        inside: The samples of the push; fits never reach over its ends, where dv/dt may jump.
    """
    t, v = time[inside], y[inside]
    n = v.size
    j0 = int(np.argmax(v))
    tied = max(int(np.count_nonzero(v > v[j0] - 3 * sigma)), 1)
    # What the largest of `tied` equal samples exceeds them by, in the mean.
    lift = sigma * np.sqrt(2 * np.log(tied)) if tied > 1 else 0.0
    chosen = (float(v[j0]), j0, sigma, 0)
    low, high = v[j0] - lift - 2 * sigma, v[j0] + 2 * sigma
    previous = float(v[j0])
    for w in _WIDTHS[1:]:
        if 2 * w + 1 > n:
            break
        value, j, factor = _local_peak(t, v, w)
        u = sigma * factor
        if value + 2 * u < low or value - 2 * u > high:
            break
        low, high = max(low, value - 2 * u), min(high, value + 2 * u)
        previous = chosen[0]
        chosen = (value, j, u, w)
    value, j, u, w = chosen
    shift, unseen = _unseen(time, y, inside, j, w)
    soft = _softened(y, (inside.start or 0) + j, w)
    shift += soft / 2
    # A parabola over several samples flattens the top besides.
    unseen = float(np.hypot(unseen, soft * (1.5 if w else 0.5)))
    # In a push of many samples a point is a knock, and is said to be one.
    point = _pointed(y, (inside.start or 0) + j0, 5 * sigma) if n < COARSE else 0.0
    if point > 2 * (shift + unseen):
        shift, unseen = point / 2, point / np.sqrt(12)
    ringing = value * _ringing(v, j)
    shift, unseen = shift - RINGS * ringing, float(np.hypot(unseen, RINGS_U * ringing))
    spread = abs(value - previous) / np.sqrt(12) if w else lift / 2
    alone = w == 0 and 0 < j < n - 1 and v[j] - max(v[j - 1], v[j + 1]) > 6 * sigma
    u_all = float(np.sqrt(u * u + spread**2 + unseen**2))
    width = float(t[min(j + w, n - 1)] - t[max(j - w, 0)]) if w else 0.0
    few = n < LEAST_SAMPLES or point > HIDDEN * value
    return Peak(value + shift, float(t[j]), u_all, width, bool(alone), few)


def _local_peak(t: Floats, v: Floats, w: int) -> tuple[float, int, float]:
    """Return the highest value of running parabolas of 2w+1 samples, its place, its √variance."""
    n = v.size
    best = (-np.inf, 0, 1.0)
    # Only places whose running mean comes near the top can hold the peak.
    mean = np.convolve(v, np.ones(2 * w + 1) / (2 * w + 1), "valid")
    order = np.argsort(mean)[::-1][:12] + w
    places = sorted({*order.tolist(), w, n - 1 - w})
    for c in places:
        low, high = c - w, c + w + 1
        x = t[low:high] - t[c]
        scale = max(float(np.abs(x).max()), 1e-12)
        design = np.vander(x / scale, 3)
        inverse = np.linalg.pinv(design)
        fit = inverse @ v[low:high]
        curve = design @ fit
        k = int(np.argmax(curve))
        if curve[k] > best[0]:
            row = design[k] @ inverse
            best = (float(curve[k]), low + k, float(np.sqrt(row @ row)))
    return best


def _unseen(time: Floats, y: Floats, inside: slice, j: int, w: int) -> tuple[float, float]:
    """Return what to add for a peak at the edge of a push, and u for what no sample shows."""
    start = inside.start or 0
    k, n = start + j, y.size
    if 0 < j < (inside.stop - start) - 1 and 0 < k < n - 1:
        if w:
            return 0.0, 0.0
        bend = abs(float(y[k - 1] - 2 * y[k] + y[k + 1]))
        return 0.0, bend / 8 / np.sqrt(3)
    # Peak on the first or last sample: the curve went on rising outward by up to one step.
    stop = inside.stop
    m = min(4, stop - start)
    if m < 3:
        return 0.0, 0.0
    part = slice(start, start + m) if j == 0 else slice(stop - m, stop)
    slope = abs(float(np.polyfit(time[part] - time[k], y[part], 1)[0]))
    room = slope * float(np.median(np.diff(time[max(k - 3, 0) : k + 4])))
    return room / 2, room / np.sqrt(12)


def _pointed(y: Floats, k: int, noise: float) -> float:
    """Return how far a pointed top may stand above the largest sample `k`; 0 for a rounded one.

    Where a bottle runs out of water its push breaks off at its highest, between samples and
    behind filters. From one step to two the fall beside the top doubles for a point and is
    four times as large for a parabola, wherever the samples lie. Three steps of the gentler side
    are the most that was hidden (rendered bottles, logged at 100 and 200 Hz behind filters of one
    pole or a running mean, seed 1).
    """
    if k < 2 or k + 2 >= y.size:
        return 0.0
    near = float(y[k] - (y[k - 1] + y[k + 1]) / 2)
    far = float(y[k] - (y[k - 2] + y[k + 2]) / 2)
    # A break inside the next sample: the one after falls by more than a parabola's three steps.
    up, down, then = y[k] - y[k - 1], y[k] - y[k + 1], y[k + 1] - y[k + 2]
    if then > max(3.2 * max(up, down), noise):
        return max(3 * float(up) - noise, 0.0)
    if near <= noise:
        return 0.0
    point = float(np.clip((4 - far / near) / 1.2, 0.0, 1.0))
    gentler = float(y[k] - max(y[k - 2], y[k + 2])) / 2
    return max(3 * gentler * point - noise, 0.0)


def _ringing(v: Floats, j: int) -> float:
    """Tell (1 or 0) whether the peak may be the ringing of a filter behind a sudden push."""
    risen = int(np.argmax(v >= 0.9 * v[j]))
    return float(risen <= 4 and j <= 3 * max(risen, 1) and v.size > 2 * j + 4)


def _softened(y: Floats, k: int, w: int) -> float:
    """Return what a first-order filter at half the sample rate takes off a peak.

    Loggers filter, and few say so: a filter of time constant 1/(π·rate) lowers a peak by
    its square times the curvature, which is the second difference over π². Taken or not
    taken, so half of it is added and half of it stays in doubt.
    """
    s = max(1, w // 2)
    if not s <= k < y.size - s:
        return 0.0
    bend = max(0.0, float(2 * y[k] - y[k - s] - y[k + s])) / s**2
    return bend / np.pi**2


def cfc(time: Floats, y: Floats, channel_class: int) -> Floats:
    """Filter by a channel frequency class of SAE J211-1: four poles, no phase.

    Args:
        time: array (N,). s; resampled evenly inside and back.
        y: array (N,)
        channel_class: 60, 180, 600 or 1000; −3 dB at about 1.65 times that in Hz.

    Raises:
        CannotMeasure: The log is too slow for the class.

    Two-pole Butterworth run forth and back with the design frequency 2.0775 · CFC (SAE J211-1,
    appendix C; from memory).
    """
    dt = float(np.median(np.diff(time)))
    rate = 1 / dt
    if rate < 6 * channel_class:
        raise CannotMeasure(
            f"The log has {rate:.0f} samples per second; CFC {channel_class} needs at least "
            f"{6 * channel_class} (SAE J211 asks for {10 * channel_class}).",
            "Choose a lower class, or leave the filter out.",
        )
    even = np.arange(time[0], time[-1] + dt / 2, dt)
    b, a = signal.butter(2, 2.0775 * channel_class, fs=rate)
    smooth = signal.filtfilt(b, a, np.interp(even, time, y))
    return np.asarray(np.interp(time, even, smooth))
