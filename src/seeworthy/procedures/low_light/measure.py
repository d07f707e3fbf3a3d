"""The light at which the picture stops being usable, from takes at several light levels.

Three things may fail first as the light goes down: grain drowns the picture (SNR at 18 % grey),
denoising washes detail away (sharpness against bright light), or the camera takes fewer frames.
Each has a limit that the user may set; the usable light is where the first of them is crossed,
interpolated over the logarithm of the light.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from seeworthy.ground.budget import Component
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import coverage_factor

Floats = npt.NDArray[np.float64]
State = Literal["known", "failed", "unknown"]
Bound = Literal["", "upper", "lower"]

SNR_LIMIT = 20.0
"""dB, 10:1: the 'acceptable' of the noise-based speed of ISO 12232 (from memory)."""
SHARPNESS_LIMIT = 0.5
"""Of bright light's (common practice, no source)."""
RATE_LIMIT = 0.75
"""Of bright light's frame rate (common practice, no source)."""

SOURCES = {
    "light": ("light", "readings", "light"),
    "own": ("noise and sharpness", "scatter", ""),
    "shared": ("what all takes share", "densities, tone curve, coding", ""),
    "between": ("course between two takes", "judgement", ""),
}
"""What is drawn: name, source and what it has in common with other results, for the budget."""
_ALONE = 300  # draws of one source: 4 % of its spread (derived)
_DRAWS = 2000  # ends of a 95 % interval to 6 % of u (derived)
_ONE_SIDED = coverage_factor(coverage=0.90)
_SMOOTHNESS = 0.06  # a curve's bend off its chord between two lights, of the limit (a judgement)
# Meters share their calibration from reading to reading, and scatter as well: half each.
_SHARED = math.sqrt(0.5)


@dataclass(frozen=True, slots=True)
class Point:
    """One figure of one take.

    Attributes:
        value, u: `u` is what is not shared with the other takes.
        state: {"known", "failed", "unknown"}. ``failed``: so bad that it could not be measured
            (below any limit); ``unknown``: not measured for another reason.
    """

    value: float
    u: float
    state: State = "known"


@dataclass(frozen=True, slots=True)
class Rule:
    """One criterion.

    Attributes:
        limit: Usable at and above it.
        u_shared: Uncertainty of the points that all takes share.
        stepwise: The figure jumps (a frame rate), so that between two takes it may have changed
            anywhere.
    """

    name: str
    limit: float
    u_shared: float = 0.0
    stepwise: bool = False


@dataclass(frozen=True, slots=True)
class Usable:
    """Least usable light.

    Attributes:
        interval: 95 %; open to one side for a bound.
        bound: {"", "upper", "lower"}. ``upper``: usable down to the darkest take, the limit lies
            below; ``lower``: not even the brightest take was usable.
        binds: Name of the rule that is crossed first.
        crossings: Light at which each rule is crossed; None where it is not.
        budget: What `u` is made of, lx.
    """

    lux: float
    u: float
    interval: tuple[float, float]
    bound: Bound
    binds: str
    crossings: Mapping[str, float | None]
    budget: tuple[Component, ...] = ()


def least_usable(
    lux: Sequence[float],
    u_lux: Sequence[float],
    figures: Mapping[str, Sequence[Point]],
    rules: Sequence[Rule],
) -> Usable:
    """Find where the first rule is crossed.

    Args:
        lux, u_lux: sequence of float, (n,). Light of each take and its standard uncertainty, any
            order.
        figures: mapping of rule name to Points, (n,) each

    Raises:
        CannotMeasure: Fewer than two levels, or nothing to judge by.
    """
    if len(lux) < 2 or max(lux) < 1.2 * min(lux):
        raise CannotMeasure(
            "The takes have one light level only.",
            "Film the target at several levels, from bright to dark, and read the meter at each.",
        )
    order = np.argsort(-np.asarray(lux, float))
    x = np.log2(np.asarray(lux, float)[order])
    u_x = np.asarray(u_lux, float)[order] / np.asarray(lux, float)[order] / math.log(2)
    sorted_points = {name: [points[i] for i in order] for name, points in figures.items()}
    known = [r for r in rules if any(p.state != "unknown" for p in sorted_points[r.name])]
    if not known:
        raise CannotMeasure(
            "Neither noise nor sharpness could be measured in any take.",
            "Film the edges target (seeworthy target edges) so that it fills the frame.",
        )
    crossings = {r.name: _crossing(x, sorted_points[r.name], r) for r in known}
    first = max(known, key=lambda r: crossings[r.name])
    draws = _draws(x, u_x, sorted_points, known, np.random.default_rng(0))
    found = _usable(x, u_x, crossings, first, draws)
    if found.bound:
        part = Component("light", found.u, "lx", source="readings", common="light")
        return replace(found, budget=(part,))
    # One source at a time (JCGM 101:2008, Annex B); together they are drawn above.
    alone = [
        _draws(x, u_x, sorted_points, known, np.random.default_rng(1), one, _ALONE)
        for one in SOURCES
    ]
    spread = [float(d[np.isfinite(d)].std()) if np.isfinite(d).any() else 0.0 for d in alone]
    whole = math.hypot(*spread)
    spread, whole = (spread, whole) if whole > 0 else ([1.0, 0.0, 0.0, 0.0], 1.0)
    return replace(
        found,
        budget=tuple(
            Component(name, found.u * s / whole, "lx", source=source, common=common)
            for (name, source, common), s in zip(SOURCES.values(), spread, strict=True)
        ),
    )


def _usable(
    x: Floats, u_x: Floats, crossings: dict[str, float], first: Rule, draws: Floats
) -> Usable:
    found = crossings[first.name]
    shown = {n: (2.0**c if math.isfinite(c) else None) for n, c in crossings.items()}
    if math.isinf(found):
        # Beyond the last take: that take's light is the bound, as well as it is known.
        end = x[-1] if found < 0 else x[0]
        u_end = u_x[-1] if found < 0 else u_x[0]
        lux = 2.0 ** float(end)
        u = lux * math.log(2) * float(u_end)
        # A chance of more than one in forty that the rule is crossed within the takes.
        inside = draws[np.isfinite(draws)]
        if found < 0:
            high = 2.0 ** float(np.quantile(np.maximum(draws, end + _ONE_SIDED * u_end), 0.975))
            lux = max(lux, high) if len(inside) > 0.025 * len(draws) else lux
            return Usable(lux, u, (0.0, max(high, lux)), "upper", first.name, shown)
        low = 2.0 ** float(np.quantile(np.minimum(draws, end - _ONE_SIDED * u_end), 0.025))
        return Usable(lux, u, (min(low, lux), math.inf), "lower", first.name, shown)
    low, high = np.quantile(draws, [0.025, 0.975], method="nearest")
    lux = 2.0**found
    finite = draws[np.isfinite(draws)]
    u = lux * math.log(2) * max(float(finite.std()), 1e-4)
    ends = (2.0 ** float(low) if low > -math.inf else 0.0, 2.0 ** float(high))
    return Usable(lux, u, (min(ends[0], lux), max(ends[1], lux)), "", first.name, shown)


def _draws(
    x: Floats,
    u_x: Floats,
    figures: Mapping[str, Sequence[Point]],
    rules: Sequence[Rule],
    rng: np.random.Generator,
    only: str = "",
    count: int = _DRAWS,
) -> Floats:
    """Return crossings of perturbed curves, in log2 of the light; ±inf where there is none.

    Args:
        only: Of `SOURCES`, the one that is drawn; left out: all.
    """
    u_x = u_x * (only in ("", "light"))
    u_own, u_shared = float(only in ("", "own")), float(only in ("", "shared"))
    between = rng if only in ("", "between") else None
    found = np.empty(count)
    for k in range(count):
        light = x + _SHARED * u_x * rng.standard_normal(len(x))
        light = np.minimum.accumulate(light + _SHARED * float(u_x.mean()) * rng.standard_normal())
        best = -math.inf
        for rule in rules:
            shift = u_shared * rule.u_shared * rng.standard_normal()
            drawn = [
                Point(p.value + u_own * p.u * rng.standard_normal() + shift, 0.0, p.state)
                for p in figures[rule.name]
            ]
            best = max(best, _crossing(light, drawn, rule, between))
        found[k] = best
    return found


def _crossing(
    x: Floats, points: Sequence[Point], rule: Rule, rng: np.random.Generator | None = None
) -> float:
    """Return log2 of the light where a rule is first crossed, going from bright to dark.

    −inf: never. +inf: crossed at the brightest already. With `rng` one draw of what lies
    between two takes; without, the middle of that.
    """
    seen = [(a, p) for a, p in zip(x, points, strict=True) if p.state != "unknown"]
    last: tuple[float, Point] | None = None
    for at, point in seen:
        if point.state == "known" and point.value >= rule.limit:
            last = (float(at), point)
            continue
        if last is None:
            return math.inf
        bright, dark = last[0], float(at)
        if rule.stepwise or point.state == "failed":
            share = 0.5 if rng is None else float(rng.random())
            return bright + (dark - bright) * share
        share = (last[1].value - rule.limit) / (last[1].value - point.value)
        bend = 0.0
        if rng is not None:
            # The curve between two takes bends, most in the middle between them.
            bend = _SMOOTHNESS * 4 * share * (1 - share) * float(rng.standard_normal())
        return bright + (dark - bright) * min(max(share + bend, 0.0), 1.0)
    return -math.inf
