"""Rotation of a craft on three axes from its clip: rates, their sizes, swing and unrest."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from seeworthy.ground.budget import Component, Composed, combined
from seeworthy.ground.errors import CannotMeasure
from seeworthy.observe.motion_flow import turns
from seeworthy.observe.motion_tracks import FramePair
from seeworthy.optics.turning import RECTILINEAR, Flow, Shape, Turn, TurningLens

Floats = npt.NDArray[np.float64]

LEAST_PAIRS = 30  # one second at 30 frames/s
# Share of frames that must show texture to follow (a judgement).
_LEAST_FOLLOWED = 0.5
# Bends tried: from equal angles to beyond straight lines, where lenses of small cameras lie.
_BENDS = (0.0, RECTILINEAR)
# Corners are followed a little short or long, all alike: 0.5 % on our own rendered clips, but
# coders hold weak texture back. Fitted so that 95 % of 111 sizes of 37 flights of another renderer
# (three coders, noise and photographs; docs/accuracy/motion.md) lie inside; a real flight was 3.3 %
# off its gyroscope.
_FOLLOWING = 0.035
# What is near moves with the way flown, and most of that passes for turning. Beside it stands
# what turning cannot explain, place by place. By the geometry of level flight over flat ground the
# first is up to 16 times the second, for views of 70 degrees and more (50 degrees: up to 60 degrees
# downwards; straight down 28).
_WAY_PER_DRIFT = 16.0
_PLACE_SEEN = 20  # points that a place must have shown
_WAY = "way flown, which passes for turning"
_BLOCKS = 12  # at least so many stretches for the scatter of unrest


@dataclass(frozen=True, slots=True, eq=False)
class Scale:
    """One influence on the size of all rates, (3,) shares; the rest as of `Component`."""

    name: str
    u: Floats
    source: str
    common: str = ""
    distribution: str = "normal"


@dataclass(frozen=True, slots=True, eq=False)
class RotationRates:
    """Rotation over time.

    Attributes:
        time: (n,). s, middle of the stretch that the rate is the mean of.
        rate: (n, 3). rad/s: pitch up, yaw right, roll clockwise; NaN where not followed.
        noise: (n, 3). Variance, (rad/s)².
        interval: Median time between frames, s.
        scale: What the size of each axis is uncertain by in all frames alike.
        drift: rad/s. What turning leaves in the picture's places all the time: the way flown.
        followed: Share of pairs of frames with an answer.
        points: Mean number of points per frame.
    """

    time: Floats
    rate: Floats
    noise: Floats
    interval: float
    scale: tuple[Scale, ...]
    followed: float
    points: float
    drift: float = 0.0

    @property
    def scale_u(self) -> Floats:
        """Relative standard uncertainty of the size of each axis, (3,)."""
        return np.sqrt(sum((s.u**2 for s in self.scale), np.zeros(3)))

    def scale_parts(self, size: float, axis: int) -> list[Component]:
        """Return what the scale leaves open of a size of one axis."""
        return [
            Component(s.name, float(s.u[axis]), "", size, s.distribution, s.source, s.common)
            for s in self.scale if s.u[axis] > 0
        ]  # fmt: skip


def measure_rates(
    pairs: Sequence[FramePair],
    lenses: Sequence[TurningLens],
    u_view: float,
    width: int,
    height: int,
    row_times: Sequence[float],
) -> RotationRates:
    """Return the rotation between all frames.

    Args:
        lenses: One that is known, or the two between which it lies: what they differ by goes into
            the uncertainty.
        u_view: Relative standard uncertainty of the scale of the lens.
        row_times: s per row: one that is known, or both ends of what it may be.

    Raises:
        CannotMeasure: Too short, no texture.
    """
    if len(pairs) < LEAST_PAIRS:
        raise CannotMeasure(
            f"Only {len(pairs)} pairs of frames: too few to speak of motion.",
            "Give a clip of some seconds at least.",
        )
    interval = float(np.median([p.end - p.start for p in pairs]))
    found, drifts = [], []
    for lens, row in itertools.product(lenses, row_times):
        both = list(turns(pairs, lens, width, height, row))
        solved = [t for _, t in both]
        drifts.append(_drift(both))
        rate = np.concatenate([t.rate for t in solved])
        noise = np.concatenate([t.noise for t in solved])
        time = np.concatenate([t.time for t in solved])
        rate[_leaps(pairs, interval) | _wild(pairs, noise)] = np.nan
        found.append((time, rate, noise))
    followed = float(np.isfinite(found[0][1]).all(1).mean())
    if followed < _LEAST_FOLLOWED:
        raise CannotMeasure(
            f"Only {100 * followed:.0f} % of the frames show something that stands still and can "
            "be followed.",
            "Film ground, houses or trees rather than sky or water, in focus and in light; give "
            "the part of the clip that was flown.",
        )
    rate = np.mean([r for _, r, _ in found], axis=0)
    noise = np.mean([n for _, _, n in found], axis=0)
    sizes = np.array([np.sqrt(np.nanmean(r**2, axis=0)) for _, r, _ in found])
    # Most lenses lie near one end of what they may be or the other: arcsine between them.
    # (JCGM 101:2008, 6.4.6: half the width by the root of two).
    half = (sizes.max(0) - sizes.min(0)) / 2
    spread = half / math.sqrt(2) / np.maximum(sizes.mean(0), 1e-9)
    scale = (
        Scale("angle of view", np.array([u_view, u_view, 0.0]), "reading", "hfov"),
        Scale(
            "lens and read-out", spread, "judgement: between the two ends of what they may be",
            distribution="U-shaped",
        ),
        Scale("following of the corners", np.full(3, _FOLLOWING), "fitted on rendered flights"),
    )  # fmt: skip
    points = float(np.mean([len(p.points) for p in pairs]))
    return RotationRates(found[0][0], rate, noise, interval, scale, followed, points, min(drifts))


def lenses_of_view(hfov: float, width: int, height: int, kind: str = "") -> tuple[Shape, ...]:
    """Return the lenses between which one of this view (rad) lies.

    Args:
        kind: ``straight`` or ``equal`` where it is known.
    """
    bends = {"straight": _BENDS[1:], "equal": _BENDS[:1]}.get(kind, _BENDS)
    return tuple(Shape.of_view(hfov, bend, width, height) for bend in bends)


def u_of_view(hfov: float, u: float) -> float:
    """Return the relative uncertainty of the scale for a view (rad) and its u.

    A focal length is all but inverse to the view; straight lenses go a little faster.
    """
    return u / hfov * (hfov / math.sin(min(hfov, 2.6)))


def _drift(solved: Sequence[tuple[Flow, Turn]]) -> float:
    """Return the rms over places of the picture of what drifts there all the time, rad/s.

    A wrong lens leaves a drift as well, if the craft spins: the least over the lenses counts.
    """
    squares = []
    for flow, turn in solved:
        use = flow.there & np.isfinite(turn.rate[:, :1])
        rate = turn.residual[use] / (flow.end - flow.start)[use][:, None]
        cell = flow.cell[use]
        for place in np.unique(cell):
            mine = rate[cell == place]
            if len(mine) >= _PLACE_SEEN:
                squares.append(float((np.median(mine, axis=0) ** 2).sum()))
    return math.sqrt(float(np.mean(squares))) if squares else 0.0


def _u_way(rate: Floats, drift: float, size: Callable[[Floats], float]) -> float:
    """Return how far the way flown may carry the size of an axis (rad/s), from its drift.

    It is steady, so it hides in the mean: none of that may be turning, or as much again.
    """
    shift = min(_WAY_PER_DRIFT * drift, abs(float(rate.mean())))
    ends = [size(rate - shift), size(rate), size(rate + shift)]
    return (max(ends) - min(ends)) / 4  # ends of 95 %


def _root(rate: Floats) -> float:
    return math.sqrt(float((rate**2).mean()))


def _high(rate: Floats) -> float:
    return float(np.quantile(np.abs(rate), 0.95))


def _leaps(pairs: Sequence[FramePair], interval: float) -> npt.NDArray[np.bool_]:
    """Tell which pairs span a cut or a hole: a time much longer than the others."""
    lengths = np.array([p.end - p.start for p in pairs])
    return np.asarray(lengths > 3.5 * interval)


def _wild(pairs: Sequence[FramePair], noise: Floats) -> npt.NDArray[np.bool_]:
    """Tell which pairs were hardly followed: few points are left, and their halves disagree.

    That square difference is of one degree of freedom, whose median is 0.455: 64 times of it is
    5.4 standard deviations. Brisk frames may scatter as much: with points enough they stay.
    """
    usual = np.nanmedian(noise, axis=0)
    points = np.array([len(p.points) for p in pairs])
    few = points < 0.5 * np.median(points)
    return np.asarray(few & (noise > 64 * np.maximum(usual, 1e-12)).any(1))


def rms(rates: RotationRates, axis: int) -> Composed:
    """Return the root mean square of one axis without what the tracking's noise adds."""
    rate, noise = _seen(rates, axis)
    n = len(rate)
    square = float((rate**2).mean())
    # Noise of one pair is known by one difference of halves only; its mean over time counts.
    v = float(noise.mean())
    clean = max(square - v, 0.0)
    value = math.sqrt(clean)
    u_square = math.sqrt((4 * clean * v + 2 * v * v) / n + (0.5 * v) ** 2)
    u_noise = u_square / (2 * max(value, math.sqrt(v) / 2, 1e-9))
    return _size(rates, axis, value, (u_noise,), _u_way(rate, rates.drift, _root))


def percentile(rates: RotationRates, axis: int) -> Composed:
    """Return the 95th percentile of the size of one axis' rate, noise taken out to first order."""
    rate, noise = _seen(rates, axis)
    n = len(rate)
    size = np.abs(rate)
    raw = _high(rate)
    square = float((rate**2).mean())
    share = math.sqrt(max(1 - float(noise.mean()) / max(square, 1e-18), 0.0))
    value = raw * share
    near = np.sort(size)[max(0, int(0.95 * n) - max(2, n // 50)) :][: max(4, n // 25)]
    slope = float(near[-1] - near[0]) / max(len(near) - 1, 1)
    u_pick = slope * math.sqrt(0.25) + math.sqrt(float(noise.mean())) / math.sqrt(max(0.05 * n, 1))
    u_way = _u_way(rate, rates.drift, _high)
    return _size(rates, axis, value, (u_pick, raw * (1 - share) / 2), u_way)


def _size(
    rates: RotationRates, axis: int, value: float, noise: Sequence[float], way: float
) -> Composed:
    """Return a size from rad/s."""
    size, u_noise = math.degrees(value), math.degrees(math.hypot(*noise))
    return Composed(size, (
        Component("noise of the following", u_noise, "deg/s", source="halves of the points"),
        *rates.scale_parts(size, axis),
        Component(_WAY, math.degrees(way), "deg/s", source="drift of the picture's places"),
    ))  # fmt: skip


def unrest(rates: RotationRates) -> tuple[Composed, tuple[float, float], int]:
    """Return the rms of all axes together, and what another flight like it would show.

    The interval comes from stretches of the clip taken as if each were a flight (block
    bootstrap): it is what two suspensions are compared by, wider than the reading of this
    clip alone.
    """
    use = np.isfinite(rates.rate).all(1)
    whole = np.maximum((rates.rate**2 - rates.noise)[use].sum(1), 0.0)
    n = len(whole)
    length = max(round(2.0 / rates.interval), 1)
    blocks = max(min(n // length, 400), min(_BLOCKS, n // 4))
    sums = np.array([part.mean() for part in np.array_split(whole, blocks)])
    rng = np.random.default_rng(0)
    drawn = sums[rng.integers(0, blocks, (2000, blocks))].mean(1)
    # n/(n-1): a bootstrap of few blocks is too narrow.
    middle = sums.mean()
    drawn = np.maximum(middle + (drawn - middle) * math.sqrt(blocks / (blocks - 1)), 0)
    weights = np.nanmean(rates.rate**2, axis=0) + 1e-12
    scale = float(np.average(rates.scale_u, weights=weights))
    roots = np.sqrt(drawn) * (1 + scale * rng.standard_normal(len(drawn)))
    ways = [_root(rate) * _u_way(rate, rates.drift, _root) for rate in rates.rate[use].T]
    way = math.hypot(*ways) / max(math.sqrt(middle), 1e-9)
    roots += way * rng.standard_normal(len(drawn))
    roots = np.maximum(roots, 0.0)
    value = math.degrees(math.sqrt(middle))
    low, high = (math.degrees(float(v)) for v in np.quantile(roots, [0.025, 0.975]))
    parts = _unrest_parts(rates, value, weights, scale, math.degrees(way))
    u = math.degrees(float(roots.std()))
    # What is left is the scatter of the stretches. A size near nothing is cut off there, so that
    # scale and way may add up to more than all: each is then as much smaller.
    known = combined(parts)
    if known > u:
        parts = [replace(p, u=p.u * u / known) for p in parts]
    left = math.sqrt(max(u**2 - combined(parts) ** 2, 0.0))
    parts = [Component("stretches that differ", left, "deg/s", source="block bootstrap"), *parts]
    return Composed(value, tuple(parts)), (min(max(low, 0.0), value), max(high, value)), blocks


def _unrest_parts(
    rates: RotationRates, value: float, weights: Floats, scale: float, way: float
) -> list[Component]:
    """Return scale and way as parts of the unrest, deg/s."""
    shares = [float(np.average(s.u, weights=weights)) for s in rates.scale]
    grow = scale / max(math.hypot(*shares), 1e-12)
    return [
        *(
            Component(s.name, share * grow, "", value, s.distribution, s.source, s.common)
            for s, share in zip(rates.scale, shares, strict=True)
        ),
        Component(_WAY, way, "deg/s", source="drift of the picture's places"),
    ]


def _seen(rates: RotationRates, axis: int) -> tuple[Floats, Floats]:
    use = np.isfinite(rates.rate[:, axis])
    return rates.rate[use, axis], rates.noise[use, axis]
