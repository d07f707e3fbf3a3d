"""Duration and bit rate of a stream from its packets' stamps and sizes.

Sizes and stamps are read, not estimated: what is uncertain is the rounding of the stamps
to ticks of the time base. It is the clock of the recorder that counts here; how wrong
that clock is, is another question (`timing` with the on-screen clock).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class RateSpan:
    """How long a stream is shown: seconds, and standard uncertainty of that."""

    seconds: float
    u: float


@dataclass(frozen=True, slots=True, eq=False)
class BitRates:
    """Bit rates of a stream.

    Attributes:
        mean, mean_u: bit/s over the whole stream.
        peak, peak_u: bit/s in the fullest second; None for streams shorter than a second.
        times, window: float arrays, (m,). Start of each second looked at, and bit/s in it.
    """

    mean: float
    mean_u: float
    peak: float | None
    peak_u: float | None
    times: Doubles
    window: Doubles


def shown_span(stamps: Ints, tick: float, last: int = 0) -> RateSpan | None:
    """Return how long pictures are shown, from the first stamp to the end of the last picture.

    Args:
        stamps: int array, (n,). Presentation times in ticks, ascending.
        tick: Seconds per tick.
        last: Ticks for which the last picture is shown; 0 where the file does not say: then the
            median interval is taken and its spread counts as uncertainty.

    Returns:
        None where the stamps do not advance, or most repeat the one before. Each of the
        two ends is rounded to a tick: u = tick·√(2/12).
    """
    if stamps.size < 2 or 2 * np.unique(stamps).size <= stamps.size:
        return None
    steps = np.diff(stamps)
    guess_u = 0.0
    if last <= 0:
        last = int(np.median(steps))
        guess_u = float(np.std(steps)) * tick
    ticks = int(stamps[-1]) - int(stamps[0]) + last
    return RateSpan(ticks * tick, math.hypot(tick / math.sqrt(6), guess_u))


def bit_rates(
    seconds: Doubles, size: Ints, span: RateSpan, tick: float, window: float = 1.0
) -> BitRates:
    """Return the mean bit rate and that of the fullest window.

    Args:
        seconds: float array, (n,). When each packet is stored; put in order here.
        size: int array, (n,). Bytes.
        span: How long the stream is.
        tick: Seconds per tick of the stamps.
        window: Seconds.

    Notes:
        A packet's bits are spread evenly until the next packet's time, so that a window holds
        the share of a packet that belongs to it; counting whole packets would give one frame
        too many in every jittered second.
    """
    order = np.argsort(seconds, kind="stable")
    at, bits = seconds[order], size[order] * 8.0
    mean = float(bits.sum()) / span.seconds
    mean_u = mean * span.u / span.seconds
    edges = np.concatenate([at, [max(at[0] + span.seconds, at[-1] + tick)]])
    steps = np.diff(edges)
    filled = np.concatenate([[0.0], np.cumsum(bits)])
    if edges[-1] - edges[0] < window:
        return BitRates(mean, mean_u, None, None, np.empty(0), np.empty(0))
    # The sum in a sliding window is piecewise linear: its greatest value is at a corner.
    corners = np.concatenate([edges, edges - window])
    starts = np.unique(corners[(corners >= edges[0]) & (corners <= edges[-1] - window)])
    held = np.interp(starts + window, edges, filled) - np.interp(starts, edges, filled)
    rates = held / window
    place = int(np.argmax(rates))
    # Both ends of the window fall into packets whose stamps are rounded.
    flow = bits / np.maximum(steps, tick)
    ends = np.clip(np.searchsorted(edges, [starts[place], starts[place] + window]) - 1, 0, None)
    near = np.max(flow[np.clip(ends, 0, flow.size - 1)])
    peak_u = float(near) * tick / math.sqrt(6) / window
    times = np.arange(edges[0], edges[-1] - window + 1e-9, window / 2)
    shown = np.interp(times + window, edges, filled) - np.interp(times, edges, filled)
    return BitRates(mean, mean_u, float(rates[place]), peak_u, times, shown / window)


def stretch(stored: float | None, claimed: float | None, tolerance: float = 0.005) -> float | None:
    """Return how much wider a player shows the picture than the stream says, as a ratio.

    Args:
        stored, claimed: Sample aspect ratio in the stream and in the container; a missing one means
            square.
        tolerance: Smaller disagreements are rounding.

    Returns:
        claimed over stored, None where both agree.
    """
    ratio = (claimed or 1.0) / (stored or 1.0)
    return ratio if abs(ratio - 1) > tolerance else None
