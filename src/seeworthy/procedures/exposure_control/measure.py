"""The curve of an exposure control over light: slope of mid-grey, shortest exposure.

An automatic control of exposure (ISO 2721 has the terms, from memory) changes exposure time and
gain so that mid-grey stays where it is. Where it can go no shorter, twice the light is twice the
light in the picture.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.uncertainty import coverage_factor

_STEP = 0.7  # stops between two levels that can tell whether the exposure follows (a judgement)
_CLIPS = 0.01  # of the picture more that is clipped: more than sparkle (a judgement)
_METER = math.sqrt(0.5)
"""Of a meter's u, what two of its readings do not share (a judgement, as in `low-light`)."""


@dataclass(frozen=True, slots=True)
class Shutter:
    """Exposure of one take, ms: value and what its u is made of, or a bound; its interval."""

    value: float
    parts: tuple[Component, ...]
    low: float
    high: float
    bound: bool
    n: int = 1

    @property
    def u(self) -> float:
        """Standard uncertainty."""
        return combined(self.parts)


@dataclass(frozen=True, slots=True)
class Level:
    """One take.

    Attributes:
        lux, u_lux: Light.
        shutter: None where nothing tells it.
        grey, u_grey: Linear light of 18 % grey, share of white, and what differs from take to take;
            None where it is clipped, black or not in the picture.
        clipped: Share of the picture that is clipped.
    """

    lux: float
    u_lux: float
    shutter: Shutter | None
    grey: float | None
    u_grey: float
    clipped: float


@dataclass(frozen=True, slots=True)
class GreySlope:
    """Stops of mid-grey per stop of light."""

    value: float
    u_scatter: float
    u_light: float
    dof: float
    count: int


def grey_slope(levels: Sequence[Level]) -> GreySlope | None:
    """Return the slope of a straight line through mid-grey over light; None below three levels.

    A control does not follow a straight line: what the levels scatter about it is in its u.
    """
    seen = [v for v in levels if v.grey is not None]
    x = np.array([math.log2(v.lux) for v in seen])
    if len(seen) < 3 or float(np.ptp(x)) < 1:
        return None
    y = np.array([math.log2(v.grey or 1.0) for v in seen])
    d = x - x.mean()
    square = float(d @ d)
    slope = float(d @ y) / square
    left = y - y.mean() - slope * d
    dof = len(seen) - 2
    own = np.array([v.u_grey / (v.grey or 1.0) / math.log(2) for v in seen])
    each = math.sqrt(max(float(left @ left) / dof, float(np.mean(own**2))))
    u_x = np.array([_METER * v.u_lux / v.lux / math.log(2) for v in seen])
    return GreySlope(
        slope, each / math.sqrt(square), abs(slope) * float(np.sqrt(np.mean(u_x**2) / square)),
        float(dof), len(seen),
    )  # fmt: skip


def shortest(levels: Sequence[Level]) -> tuple[Shutter, bool] | None:
    """Return the shortest exposure and whether the camera can go no shorter.

    It cannot where it exposes as long in more light (by `_STEP` stops and more) as in less, grey
    or what is clipped grows with that light, and it was seen to expose longer in less: a plateau
    that gain makes up for, or the long end of the control, is no least exposure.
    """
    seen = sorted((v for v in levels if v.shutter is not None), key=lambda v: -v.lux)
    if not seen:
        return None
    best = min((v.shutter for v in seen if v.shutter is not None), key=lambda s: s.high)
    top = seen[0]
    assert top.shutter is not None
    for other in seen[1:]:
        gap = math.log2(top.lux / other.lux)
        if gap < _STEP or other.shutter is None or other.shutter.bound or top.shutter.bound:
            continue
        ratio = math.log2(other.shutter.value / top.shutter.value)
        u = math.hypot(
            other.shutter.u / other.shutter.value, top.shutter.u / top.shutter.value
        ) / math.log(2)
        room = coverage_factor() * u
        # Alike, and plainly less than half of what the light asks for.
        alike = abs(ratio) <= room and ratio + room < gap / 2
        longer = any(v.shutter is not None and v.shutter.low > top.shutter.high for v in seen)
        if alike and longer and _brightened(top, other, gap):
            return _mean(top.shutter, other.shutter), True
        break
    return best, False


def _brightened(top: Level, other: Level, gap: float) -> bool:
    if top.grey is not None and other.grey is not None:
        return math.log2(top.grey / other.grey) > gap / 2
    return top.clipped > other.clipped + _CLIPS


def _mean(a: Shutter, b: Shutter) -> Shutter:
    """Return the weighted mean; what both have in common (the method) does not shrink."""
    wa, wb = 1 / a.u**2, 1 / b.u**2
    value, best = (wa * a.value + wb * b.value) / (wa + wb), min(a, b, key=lambda s: s.u)
    half = max(best.high - best.value, best.value - best.low)
    return Shutter(value, best.parts, max(0.0, value - half), value + half, False, a.n + b.n)


def gain_stops(level: Level, bright: Level) -> float | None:
    """Return how much more a take amplifies than the brightest: grey over light and exposure."""
    if level.grey is None or bright.grey is None or level.shutter is None or bright.shutter is None:
        return None
    if level.shutter.bound or bright.shutter.bound:
        return None
    ratio = level.grey / bright.grey * bright.lux / level.lux
    return math.log2(ratio * bright.shutter.value / level.shutter.value)
