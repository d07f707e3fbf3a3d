"""Recording time: what the card holds, what the cell lasts, how large a file may grow."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.budget import Component, combined

Floats = NDArray[np.float64]
Value = tuple[float, float]

FAT32_LIMIT = 2**32 - 1
"""Largest file on FAT32, bytes (Microsoft FAT32 File System Specification 1.03; from memory)."""
USABLE = (0.97, 1.0)
"""Share of a card's label that takes recordings: label tolerance and file system (a judgement)."""
ASSUMED_SPREAD = 0.05
"""Spread of the mean bit rate between scenes where none was measured, share (a judgement)."""
STRETCH = 10
"""Seconds that one scene lasts at least; shorter neighbours are not independent."""
SPEED_CLASSES: dict[str, tuple[tuple[str, float], ...]] = {
    "speed class": (("C2", 2), ("C4", 4), ("C6", 6), ("C10", 10)),
    "UHS speed class": (("U1", 10), ("U3", 30)),
    "video speed class": (("V6", 6), ("V10", 10), ("V30", 30), ("V60", 60), ("V90", 90)),
}
"""Least sequential writing in MB/s that a mark promises (SD Association)."""


@dataclass(frozen=True, slots=True)
class Rate:
    """What the card has to take, everything included.

    Attributes:
        mean, u, dof: Mbit/s; `u` is the uncertainty of the mean rate of the *next* recording.
        low, high: 5th and 95th percentile of single seconds, Mbit/s; NaN where not measured.
        peak: Fullest second, Mbit/s; NaN where not measured.
        n: Independent stretches behind it.
    """

    mean: float
    u: float
    dof: float
    low: float = math.nan
    high: float = math.nan
    peak: float = math.nan
    n: int = 1


def rate_of_seconds(clips: Sequence[Floats], peak: float = 0.0) -> Rate:
    """Return the rate from the seconds of one clip or several.

    The next flight may look like any stretch of what was filmed, so the spread of
    stretches is the uncertainty, not that spread over the root of their number; with
    several clips the spread of the clips, where that is larger.

    Args:
        clips: sequence of ndarray, shape (seconds,). Mbit/s in each second, everything included.
        peak: Fullest second of any beginning, where it is known better than from `clips`.

    Raises:
        ValueError: No second at all.
    """
    everything = np.concatenate(clips)
    if not everything.size:
        raise ValueError("a rate needs at least one second")
    mean = float(everything.mean())
    stretches = [s.mean() for clip in clips for s in _stretches(clip)]
    means = [float(clip.mean()) for clip in clips if clip.size]
    spreads = [_spread(values) for values in (stretches, means)]
    u, count = max(spreads, key=lambda pair: pair[0])
    dof = count - 1.0
    if len(stretches) < 3:
        u, dof = max(u, ASSUMED_SPREAD * mean), math.inf
    low, high = np.quantile(everything, [0.05, 0.95])
    return Rate(
        mean,
        u,
        dof,
        float(low),
        float(high),
        max(peak, float(everything.max())),
        max(1, len(stretches)),
    )


def _spread(values: Sequence[float]) -> tuple[float, int]:
    """Return the standard deviation of the next value about the mean, and how many there are."""
    n = len(values)
    return (float(np.std(values, ddof=1)) * math.sqrt(1 + 1 / n), n) if n > 1 else (0.0, n)


def _stretches(clip: Floats) -> list[Floats]:
    whole = len(clip) // STRETCH
    return list(clip[: whole * STRETCH].reshape(whole, STRETCH)) if whole else [clip]


def typed_rate(value: float, u: float, stated: bool) -> Rate:
    """Return the rate for a typed figure; one without uncertainty gets the assumed spread."""
    return (
        Rate(value, u, math.inf)
        if stated
        else Rate(value, max(u, ASSUMED_SPREAD * value), math.inf)
    )


def card_hours(card_gb: float, rate_mbit: float, usable: float = 1.0) -> float:
    """Return hours that a card of decimal gigabytes holds at a rate in Mbit/s."""
    return card_gb * 8e3 * usable / rate_mbit / 3600


def file_minutes(rate_mbit: float, limit_bytes: float = FAT32_LIMIT) -> float:
    """Return minutes until a file has grown to the limit."""
    return limit_bytes * 8 / (rate_mbit * 1e6) / 60


@dataclass(frozen=True, slots=True)
class Endurance:
    """How long it records, and why it stops.

    Attributes:
        interval: 95 %.
        binds: The limit that most likely stops it.
        shares: mapping of limit to float. Probability that it is this limit.
        limits: mapping of limit to (hours, u)
        budget: What `u` is made of.
    """

    hours: float
    u: float
    interval: tuple[float, float]
    binds: str
    shares: Mapping[str, float]
    limits: Mapping[str, Value]
    budget: tuple[Component, ...] = ()


def endurance(
    *,
    card: Value | None = None,
    rate: Rate | None = None,
    battery: Value | None = None,
    file_limit: float | None = None,
    file_hours: float | None = None,
    draws: int = 100_000,
) -> Endurance:
    """Draw every limit from its distribution (JCGM 101:2008) and take the first that stops it.

    Args:
        card: (value, u). GB, decimal, as on the label; needs `rate`.
        battery: (value, u). Running time in hours.
        file_limit: Bytes at which the camera stops; needs `rate`.
        file_hours: Hours after which the camera stops.

    Raises:
        ValueError: No limit at all.
    """
    rng = np.random.default_rng(0)
    drawn: dict[str, Floats] = {}
    inputs: dict[tuple[str, str, str, str], Floats] = {}
    best: dict[str, float] = {}
    if rate is not None:
        rates = _positive(rate.mean + rate.u * _unit(rng, rate.dof, draws), rate.mean)
        inputs["bit rate", "Mbit/s", "normal", "scatter of scenes, or as typed"] = rates
        if card is not None:
            size = _positive(card[0] + card[1] * rng.standard_normal(draws), card[0])
            usable = rng.uniform(*USABLE, draws)
            inputs["size of the card", "GB", "normal", "reading"] = size
            inputs["share of it that takes recordings", "", "rectangular",
                   f"judgement: {USABLE[0]:.0%} to {USABLE[1]:.0%}"] = usable  # fmt: skip
            drawn["card"] = size * 8e3 * usable / rates / 3600
            best["card"] = card_hours(card[0], rate.mean, sum(USABLE) / 2)
        if file_limit is not None:
            drawn["file rule"] = file_limit * 8 / (rates * 1e6) / 3600
            best["file rule"] = file_minutes(rate.mean, file_limit) / 60
    if file_hours is not None and file_hours < best.get("file rule", math.inf):
        drawn["file rule"], best["file rule"] = np.full(draws, file_hours), file_hours
    if battery is not None:
        spread = battery[1] * rng.standard_normal(draws)
        drawn["battery"], best["battery"] = _positive(battery[0] + spread, battery[0]), battery[0]
        inputs["running time of the battery", "h", "normal", "reading"] = drawn["battery"]
    if not drawn:
        raise ValueError("a recording time needs a limit")
    return _first_limit(drawn, best, inputs)


def _unit(rng: np.random.Generator, dof: float, draws: int) -> Floats:
    normal = rng.standard_normal(draws)
    if math.isinf(dof):
        return normal
    return np.asarray(normal / np.sqrt(rng.chisquare(dof, draws) / dof), dtype=float)


def _positive(draws: Floats, centre: float) -> Floats:
    """Keep the tails of wide distributions on the possible side."""
    return np.clip(draws, 0.05 * centre, None)


def _budget(
    first: Floats, u: float, inputs: Mapping[tuple[str, str, str, str], Floats]
) -> tuple[Component, ...]:
    """Return the parts of `u` by the regression of the drawn times on what was drawn.

    What no straight line has (which limit comes first) is the last part.
    """
    moving = {key: x for key, x in inputs.items() if float(x.std()) > 0}
    centred = np.column_stack([x - x.mean() for x in moving.values()] or [np.zeros(len(first))])
    slope = np.linalg.lstsq(centred, first - first.mean(), rcond=None)[0]
    rest = float((first - first.mean() - centred @ slope).std())
    parts = [
        Component(name, float(x.std(ddof=1)), unit, float(c), shape, source)
        for ((name, unit, shape, source), x), c in zip(moving.items(), slope, strict=False)
    ]
    parts.append(Component("which limit comes first, and curvature", rest, "h", source="draws"))
    whole = combined(parts)
    if not whole > 0:
        return ()
    # A width between percentiles is u where the draws have long tails.
    return tuple(replace(c, sensitivity=c.sensitivity * u / whole) for c in parts)


def _first_limit(
    draws: Mapping[str, Floats],
    best: Mapping[str, float],
    inputs: Mapping[tuple[str, str, str, str], Floats],
) -> Endurance:
    names = list(draws)
    table = np.vstack([draws[name] for name in names])
    first = table.min(axis=0)
    counts = np.bincount(table.argmin(axis=0), minlength=len(names)) / table.shape[1]
    shares = {name: float(share) for name, share in zip(names, counts, strict=True)}
    binds = max(shares, key=lambda name: shares[name])
    low, high = np.quantile(first, [0.025, 0.975])
    # Where one limit is clear its plain figure is the answer, else the mean of the first.
    hours = best[binds] if shares[binds] > 0.99 else float(first.mean())
    limits = {
        name: (best[name], float(np.diff(np.quantile(draws[name], [0.1587, 0.8413]))[0] / 2))
        for name in names
    }
    u = limits[binds][1] if shares[binds] > 0.99 else float(first.std(ddof=1))
    return Endurance(
        hours,
        u,
        (min(float(low), hours), max(float(high), hours)),
        binds,
        shares,
        limits,
        _budget(first, u, inputs),
    )


def speed_class(peak_mbit: float) -> dict[str, str | None]:
    """Return the smallest mark of each family that promises the peak; None where none does."""
    need = peak_mbit / 8
    return {
        family: next((mark for mark, promised in marks if promised >= need), None)
        for family, marks in SPEED_CLASSES.items()
    }


def lost_share(gap_s: Value, segment_min: Value) -> Value:
    """Return the share of time lost at new files, in percent, and its uncertainty."""
    gap, length = gap_s[0], segment_min[0] * 60
    share = gap / (length + gap)
    relative = math.hypot(gap_s[1] / gap, segment_min[1] / segment_min[0])
    return 100 * share, 100 * share * (1 - share) * relative
