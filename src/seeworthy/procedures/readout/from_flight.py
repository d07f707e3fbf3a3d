"""Read-out time from a clip of anything: how rows lean as the camera's turning changes.

A steady turn leans nothing from picture to picture; a turn that changes does, by the read-out time
times that change. Every frequency of the motion tells it, on both axes: they must agree.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.errors import CannotMeasure
from seeworthy.observe.motion_tracks import FramePair
from seeworthy.procedures.readout.own_motion import THIRDS, OwnMotion, filtered, own_motion

Floats = npt.NDArray[np.float64]

_LEAST_PAIRS = 120  # four seconds at 30 frames/s: twelve stretches of a third (a judgement)
_SLOW, _FAST = 0.4, 0.35  # Hz; share of the frame rate, off which false frequencies stay (judged)
_SPLIT = 0.12  # of the frame rate: above it, what near ground adds has gone (by its square)
_EDGE = 8  # pairs at both ends that a filter does not know
_STRETCH = 0.7  # s, of whose scatter the uncertainty is made; more than a swing lasts (a judgement)
_ROUNDS = 4  # of solving: the answer of the rows depends on the read-out (it has settled)
_RIGID = 0.93
"""Share of points that one stiff motion must explain. A shake within a picture bends its rows: 0.87
to 0.93 in made clips, 0.97 and more without one (seed 7)."""
_FARTHEST = 3.0  # standard deviations between axes, and between slow and fast
_APART = 0.1  # of the frame interval, by which they must differ to be called different (judged)
_MODEL = 0.015
"""Of the read-out: bend of the lens, near ground and how corners are followed. Fitted: 26 made
and rendered flights were at most 1.7 % off (seeds 31, 7 and 55)."""
_KNOWN = 0.05
"""Of the frame interval: known less well, it is no answer. A vibration that rows and frames told
alike by chance left 0.053 and missed (one of 48 made clips, seeds 1 and 2)."""


_INFLUENCES = (
    ("scatter of stretches of time", "least squares; axes, slow and fast against each other"),
    ("near ground", "fast motion alone, or the way flown taken out"),
    ("lens and following of corners", "fitted on rendered flights"),
)


def _too_calm() -> CannotMeasure:
    return CannotMeasure(
        "The camera's turning changes too little to lean the rows so much that the read-out "
        "time could be told.",
        "Shake the camera briskly by hand for ten seconds at far things in good light, or use "
        "uprights that pass or a lamp.",
    )


@dataclass(frozen=True, slots=True)
class FlightReadout:
    """What the clip's own motion tells.

    Attributes:
        readout: s; negative where rows are read from the bottom.
        parts: Of its uncertainty, s.
        pairs: Pairs of frames used.
        by_axis: (sideways, up and down), each with its u, s.
        moved: px rms from frame to frame, between slow and fast.
    """

    readout: float
    parts: tuple[Component, ...]
    dof: float
    pairs: int
    by_axis: tuple[tuple[float, float], tuple[float, float]]
    moved: float

    @property
    def u(self) -> float:
        """Standard uncertainty, s."""
        return combined(self.parts)


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """By both axes together and each alone, s, with u; by so many stretches."""

    value: float
    u: float
    axes: tuple[tuple[float, float], tuple[float, float]]
    stretches: int


def readout_of_flight(pairs: Sequence[FramePair], width: int, height: int) -> FlightReadout:
    """Return the read-out time by how the rows lean.

    Args:
        pairs: Of the whole clip.
        width, height: Of the frame, px.

    Raises:
        CannotMeasure: Too short, too little change of motion, or motion that rows and frames do
            not tell alike.
    """
    motion = own_motion(pairs, width, height)
    if motion is None or motion.way.shape[1] < _LEAST_PAIRS:
        raise CannotMeasure(
            "Too few pictures at an even pace show enough that can be followed.",
            "Give ten seconds and more of a clip in which land fills the picture.",
        )
    if motion.rigid < _RIGID:
        raise CannotMeasure(
            "What is in the picture moves by itself, is near, or shakes faster than the frames.",
            "Film things that are far off and stand still, without motor.",
        )
    rate = 1 / motion.interval
    whole = _solve(motion, _SLOW, _FAST * rate, whirl=False)
    free = [
        _solve(motion, _SPLIT * rate, _FAST * rate, whirl=False),
        _solve(motion, _SLOW, _FAST * rate, whirl=True),
    ]
    slow = _solve(motion, _SLOW, _SPLIT * rate, whirl=False)
    grown = max(
        _agreed(whole.axes[0], whole.axes[1], motion.interval, "sideways and up and down"),
        _agreed((slow.value, slow.u), (free[0].value, free[0].u), motion.interval,
                "slowly and fast"),
    )  # fmt: skip
    near = min(abs(whole.value - f.value) + f.u for f in free)
    sizes = whole.u * grown, near, _MODEL * abs(whole.value)
    if not math.hypot(*sizes) < min(_KNOWN * motion.interval, abs(whole.value) / 2):
        raise _too_calm()
    parts = tuple(
        Component(name, u, "s", source=source)
        for u, (name, source) in zip(sizes, _INFLUENCES, strict=True)
    )
    way = motion.way.mean(axis=0)
    moved = float(np.sqrt(((way - way.mean(axis=0)) ** 2).sum(axis=1).mean()))
    return FlightReadout(
        whole.value, parts, float(whole.stretches - 1), motion.way.shape[1], whole.axes, moved
    )


def _agreed(a: tuple[float, float], b: tuple[float, float], interval: float, what: str) -> float:
    """Return by how much two answers widen the uncertainty (Birge 1932), 1 where they agree."""
    away = abs(a[0] - b[0]) / max(math.hypot(a[1], b[1]), 1e-9)
    if away > _FARTHEST and abs(a[0] - b[0]) > _APART * interval:
        raise CannotMeasure(
            f"Turning {what} leans the rows as {1e3 * abs(a[0]):.3g} ms and {1e3 * abs(b[0]):.3g} "
            "ms of read-out would: vibration faster than the frames, or near things.",
            "Take a stretch without motor or with far things only, or shake the camera by hand.",
        )
    return max(1.0, away)


def _solve(motion: OwnMotion, low: float, high: float, *, whirl: bool) -> _Told:
    """Return the read-out that the motion between two frequencies (Hz) tells.

    Args:
        whirl: Take out what goes with the sum of the way, too: ground that is near drifts past
            by where the craft points.
    """
    t, r = motion.interval, motion.interval / 2
    n = motion.way.shape[1]
    stretches = max(10, min(60, int((n - 2 * _EDGE) * t / _STRETCH)))
    told: list[tuple[Floats, Floats]] = []
    for _ in range(_ROUNDS):
        told = [_products(motion, axis, r, (low, high), stretches, whirl) for axis in (0, 1)]
        value = _joined(told)[0]
        # Near nothing the answer of the rows is that of a short read-out.
        r = math.copysign(min(max(abs(value), 0.02 * t), t), value)
    axes = tuple(_ratio(*one) for one in told)
    value, u = _joined(told)
    if abs(value) > t + 3 * u and abs(value) > 1.05 * t:
        raise CannotMeasure(
            f"The rows lean as if a picture took {1e3 * abs(value):.3g} ms to read, longer than "
            "there is: the picture was steadied, or shakes faster than its frames.",
            "Turn steadying off, and take a stretch without motor.",
        )
    return _Told(value, u, (axes[0], axes[1]), stretches)


def _joined(told: Sequence[tuple[Floats, Floats]]) -> tuple[float, float]:
    """Return the answer of both axes, each by what it is worth, and u by stretches of time."""
    weights = [1 / max(_ratio(a, b)[1] ** 2 * float(b.sum()), 1e-30) for a, b in told]
    return _ratio(
        sum((w * a for w, (a, _) in zip(weights, told, strict=True)), np.zeros(1)),
        sum((w * b for w, (_, b) in zip(weights, told, strict=True)), np.zeros(1)),
    )


def _ratio(up: Floats, down: Floats) -> tuple[float, float]:
    total = float(down.sum())
    if total <= 0:
        return 0.0, math.inf
    value = float(up.sum()) / total
    n = len(up)
    return value, math.sqrt(float(((up - value * down) ** 2).sum()) * n / (n - 1)) / total


def _products(
    motion: OwnMotion, axis: int, readout: float, band: tuple[float, float], stretches: int,
    whirl: bool,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return sums of lean by instrument and of change by instrument, over stretches of time.

    Lean, change and instrument come from three different thirds of the points, in all orders,
    so that errors of following do not make the read-out shorter (instrumental variables,
    Reiersøl 1945).
    """
    t, h = motion.interval, motion.height
    gain = _gain(band)

    def rows(f: Floats) -> npt.NDArray[np.complex128]:
        """Slope over rows of a sine that they see one after the other, per s of read-out."""
        x = np.maximum(math.pi * f * abs(readout) * motion.spread, 1e-6)
        slope = 6 * (np.sin(x) - x * np.cos(x)) / x**2 / (abs(readout) * motion.spread)
        return np.asarray(1j * gain(f) * slope)

    def summed(f: Floats) -> npt.NDArray[np.complex128]:
        return np.asarray(gain(f) / (2j * math.pi * np.maximum(f, 0.05)))

    lean, change, beside = [], [], []
    for k in range(THIRDS):
        # Points that move down are read later the second time: they moved for longer.
        way = motion.way[k] / (1 + readout * motion.way[k][:, 1:] / (h * t))
        own = way[:, axis]
        lean.append(filtered(motion.lean[k][:, axis], t, gain))
        change.append(filtered(own, t, rows))
        more = [filtered(own, t, gain), filtered(motion.turn[k][:, axis], t, gain)]
        beside.append(np.stack([*more, filtered(own, t, summed)] if whirl else more, axis=1))
    common = np.mean(beside, axis=0)
    clear = [[v - common @ np.linalg.lstsq(common, v, rcond=None)[0] for v in all_]
             for all_ in (lean, change)]  # fmt: skip
    up, down = np.zeros(len(common)), np.zeros(len(common))
    for k in range(THIRDS):
        i, j = (k + 1) % THIRDS, (k + 2) % THIRDS
        up += clear[0][k] * (clear[1][i] + clear[1][j])
        down += 2 * clear[1][i] * clear[1][j]
    inner = slice(_EDGE, -_EDGE)
    sums = [
        np.array([part.sum() for part in np.array_split(v[inner], stretches)]) for v in (up, down)
    ]
    return sums[0], sums[1]


def _gain(band: tuple[float, float]) -> Callable[[Floats], Floats]:
    low, high = band

    def gain(f: Floats) -> Floats:
        """Butterworth ends of second order below and of fourth above."""
        rise = 1 / (1 + (low / np.maximum(f, 1e-9)) ** 4)
        return np.asarray(rise / (1 + (f / high) ** 8))

    return gain
