"""How long the exposure control takes to get used to another light.

A lamp is switched, or a bright window is turned to. The picture jumps and then settles;
the adaptation time runs from 10 % to 90 % of the way from the jump to the settled level,
counted in stops: eyes see ratios of light, and exposure controls step by ratios. (In linear
light the same run gives another figure, longer or shorter with the size and direction of the
step.) Where a clip ends a little before the picture has settled, the settled level comes from
a curve. Only parts of the picture that never clip are looked at; where all of them clip at
first, the beginning of the way is not seen and the time is an upper bound.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.statistics import robust_spread
from seeworthy.ground.uncertainty import interval, upper
from seeworthy.media.frames import FrameView, Stage
from seeworthy.procedures.exposure.settling import HOW as _HOW
from seeworthy.procedures.exposure.settling import settled_level

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

_GRID = (16, 9)  # cells over the frame
_MOST = 20_000  # frames: memory
_CLIPPED = 0.95  # linear light at and above which a cell may be cut off (a judgement)
_DARK = 0.004  # linear light: the first codes above black
_LEAST_JUMP = 0.2  # stops: under it clouds and hands do as much (a judgement)
_U_LEVEL = 0.0035  # of the light: a quarter of a code value of 8 bit at mid-grey (a judgement)
_LN2 = math.log(2)


class LightTrace:
    """Observer of the light in 16×9 cells over the whole clip.

    Args:
        to_linear: ``Stage -> (codes -> linear light)``.

    Attributes:
        cells: list of float32 arrays (9, 16). Means over every fourth row and column; a cell with
            clipped pixels reads NaN.
    """

    def __init__(self, to_linear: Callable[[Stage], Callable[[Any], Floats]]) -> None:
        self.stage: Stage | None = None
        self.seconds: list[float] = []
        self.cells: list[Floats] = []
        self._to_linear = to_linear

    def begin(self, stage: Stage) -> None:
        """Take the tone curve."""
        self.stage = stage
        self._linear = self._to_linear(stage)

    def frame(self, view: FrameView) -> bool | None:
        """Average the cells of a frame."""
        if view.seconds is not None and not view.corrupt:
            light = np.ascontiguousarray(self._linear(view.luma[::4, ::4]))
            cells = cv2.resize(light, _GRID, interpolation=cv2.INTER_AREA)
            clipped = (light > _CLIPPED).astype(np.float32)
            share = cv2.resize(clipped, _GRID, interpolation=cv2.INTER_AREA)
            self.cells.append(np.where(share > 0.01, np.float32(np.nan), cells))
            self.seconds.append(view.seconds)
        return len(self.cells) < _MOST

    def finish(self) -> None:
        """Nothing is left to do."""


@dataclass(frozen=True)
class Adaptation:
    """One step of light and how the camera took it.

    Attributes:
        time, u: 10 to 90 % of the way in stops, s.
        low, high: 95 % interval; from 0 where the beginning was clipped.
        at: Time of the step in the clip, s.
        stops: How far the light jumped.
        linear: 10 to 90 % of the way in linear light, s.
        ten, ninety: Times in the clip, s.
        rings: It left the band of ±10 % of the step again after reaching it.
        clipped: The beginning of the way was not seen: `time` is an upper bound.
        seconds, level: Trace; 1 is the settled level, NaN where everything clipped.
        settled: That level, linear light.
    """

    brighter: bool
    time: float
    u: float
    low: float
    high: float
    at: float
    stops: float
    linear: float
    ten: float
    ninety: float
    rings: bool
    clipped: bool
    seconds: Doubles
    level: Doubles
    settled: float


def measure_adaptation(trace: LightTrace) -> list[Adaptation]:
    """Measure every step of light in a clip, dark to bright first.

    Raises:
        CannotMeasure: No step, or the clip ends before the picture has settled.
    """
    t = np.array(trace.seconds)
    if len(t) < 10:
        raise CannotMeasure("The clip is too short to show a step of light.", _HOW)
    cells = np.stack(trace.cells).reshape(len(t), -1).astype(float)
    steps = _steps(t, cells)
    if not steps:
        raise CannotMeasure("No sudden step of light was found in the clip.", _HOW)
    found, why = [], None
    for k, (first, after) in enumerate(steps):
        end = steps[k + 1][0] if k + 1 < len(steps) else len(t)
        start = steps[k - 1][1] if k else 0
        try:
            found.append(_one(t, cells, start, first, after, end))
        except CannotMeasure as refusal:
            why = refusal
    if not found:
        assert why is not None
        raise why
    return sorted(found, key=lambda a: not a.brighter)


def _bright(cells: Doubles) -> Doubles:
    """Return the light of a frame for finding steps: clipped cells count as full."""
    return np.asarray(np.mean(np.nan_to_num(cells, nan=1.0), axis=1))


def _steps(t: Doubles, cells: Doubles) -> list[tuple[int, int]]:
    """Return index of the last frame before and of the first frame after each step."""
    level = np.log2(np.maximum(_bright(cells), 1e-4))
    change = np.diff(level)
    quiet = robust_spread(change)
    least = max(_LEAST_JUMP, 8 * quiet)
    found: list[tuple[int, int]] = []
    k = 0
    while k < len(change):
        if abs(change[k]) < 0.3 * least:
            k += 1
            continue
        # A step may take some frames (the rolling shutter cuts it, a lamp warms up).
        end = k
        while (
            end + 1 < len(change)
            and end - k < 4
            and change[end + 1] * change[k] > 0
            and (abs(change[end + 1]) > 0.25 * abs(change[k : end + 1]).max())
        ):
            end += 1
        jump = level[end + 1] - level[k]
        if abs(jump) >= least and k >= 3:
            found.append((k, end + 1))
        k = end + 1
    return _jumps_only(t, level, found)


def _jumps_only(t: Doubles, level: Doubles, found: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Leave out what is part of the settling after a jump: it runs back towards the start."""
    kept: list[tuple[int, int]] = []
    tail = -1
    for first, after in found:
        settling = first == tail and bool(kept)
        if kept:
            before, last = kept[-1]
            jump = level[last] - level[before]
            back = (level[after] - level[first]) * jump < 0
            settled = abs(level[first] - level[last]) > 0.7 * abs(jump)
            settling = back and (settling or (not settled and t[first] - t[last] < 3.0))
        tail = after
        if not settling:
            kept.append((first, after))
    return kept


def _one(t: Doubles, cells: Doubles, start: int, first: int, after: int, end: int) -> Adaptation:
    if not _together(cells[first], cells[after]):
        raise CannotMeasure(
            "The light changes in a part of the picture only: something moved in it.", _HOW
        )
    part = cells[after:end]
    if end - after < 8:
        raise CannotMeasure("The clip ends right after the step of light.", _HOW)
    tail = part[-max(4, len(part) // 6) :]
    usable = np.all(np.isfinite(tail), axis=0) & (np.nanmean(tail, axis=0) > _DARK)
    if not usable.any():
        raise CannotMeasure(
            "The picture stays clipped or black after the step of light.", "Use less light."
        )
    never = usable & np.all(np.isfinite(part), axis=0)
    chosen = never if never.sum() >= 0.1 * never.size else usable
    settled = float(np.mean(tail[:, chosen]))
    level = np.mean(part[:, chosen], axis=1) / settled
    time = t[after:end]
    seen = np.isfinite(level)
    clipped = not bool(seen.all())
    if not np.isfinite(level[-max(6, len(level) // 4) :]).all():
        raise CannotMeasure("The picture is still clipped when the clip ends.", _HOW)
    noise = float(np.std(np.diff(level[-max(8, len(level) // 4) :]))) / math.sqrt(2)
    lag = np.log2(np.maximum(level, 1e-4))
    settled_stops, u_settled = settled_level(time, lag, noise / _LN2)
    lag -= settled_stops
    jump = float(
        np.log2(
            _bright(cells[after : after + 1])[0] / max(1e-4, _bright(cells[first : first + 1])[0])
        )
    )
    top = float(lag[seen][0])
    if abs(2**top - 1) < max(0.08, 6 * noise):
        raise CannotMeasure(
            "The picture is as bright after the step as it is in the end: the exposure does not "
            "adapt, or it did within one frame.", _HOW,
        )  # fmt: skip
    way = _Way(time, lag, top, noise, u_settled, jump, clipped, float(t[after - 1]), settled)
    return _timed(t, cells, chosen, start, after, way)


@dataclass(frozen=True)
class _Way:
    """The way from the jump to the settled level: stops over it, and what is known of it."""

    time: Doubles
    lag: Doubles
    top: float
    noise: float
    u_settled: float
    jump: float
    clipped: bool
    before: float
    settled: float


def _together(before: Doubles, after: Doubles) -> bool:
    """Tell whether the whole picture jumps: a lamp does that, a thing that moves does not."""
    known = np.isfinite(before) & (before > _DARK)
    if known.sum() < 10:
        return True
    ratio = np.log2(np.maximum(np.nan_to_num(after[known], nan=1.0), 1e-4) / before[known])
    middle = float(np.median(ratio))
    return abs(middle) > 0.1 and float(np.mean(ratio / middle > 0.3)) > 0.75


def _timed(
    t: Doubles, cells: Doubles, chosen: npt.NDArray[np.bool_], start: int, after: int, way: _Way
) -> Adaptation:
    begin = int(np.argmax(np.isfinite(way.lag)))
    lag, when = way.lag[begin:], way.time[begin:]
    done = 1 - lag / way.top
    ten, ninety = _first_at(when, done, 0.1), _nearly_there(when, done)
    light = (2**way.top - 2**lag) / (2**way.top - 1)
    linear = _nearly_there(when, light) - _first_at(when, light, 0.1)
    frame = float(np.median(np.diff(t)))
    slopes = [_slope(when, done, at) for at in (ten, ninety)]
    # An encoder lets slow changes of less than about one code value wait.
    spread = math.hypot(way.noise, _U_LEVEL) / _LN2 / abs(way.top)
    # Where the way begins between two frames is not seen: by arithmetic 0.12 of a frame (rms) at
    # a time constant of three frames, less at longer ones.
    u = math.sqrt(
        sum((math.hypot(spread, 0.003) / s) ** 2 for s in slopes)
        + 2 * (0.08 * frame) ** 2
        + (0.9 * way.u_settled / abs(way.top) / slopes[1]) ** 2
    )
    span = ninety - ten
    low, high = interval(span, u, least=0.0)
    if way.clipped:
        # How bright it was is not seen, so 90 % of the way came no later than it seems, and
        # 10 % no earlier than the step.
        low, high = 0.0, upper(ninety - way.before, u)
        span, u = high, high / math.sqrt(12)
    rings = bool(np.any(np.abs(done[when > ninety] - 1) > 0.1 + 4 * spread))
    whole = np.mean(cells[:, chosen], axis=1) / float(np.mean(cells[-4:, chosen]))
    end = after + len(way.lag)
    shown = slice(max(start, after - round(1.0 / frame)), end)
    scale = float(np.nanmean(whole[end - 4 : end])) / 2 ** float(np.nanmean(way.lag[-4:]))
    return Adaptation(
        way.jump > 0, span, u, low, high, float(t[after]), way.jump, linear, ten, ninety, rings,
        way.clipped, t[shown], whole[shown] / scale, way.settled,
    )  # fmt: skip


def _first_at(when: Doubles, done: Doubles, level: float) -> float:
    """Return when the way first reaches a share, between frames."""
    k = int(np.argmax(done >= level))
    if k == 0:
        return float(when[0])
    share = (level - done[k - 1]) / (done[k] - done[k - 1])
    return float(when[k - 1] + share * (when[k] - when[k - 1]))


def _nearly_there(when: Doubles, done: Doubles) -> float:
    """Return when 90 % of the way is reached, by a smooth curve through the end of the way.

    There the light changes by less than a code value per frame and an encoder passes it on in
    steps; a curve through many frames is nearer to the truth than the frame that happens to
    be at 90 %. Where the way does not end smoothly, that frame is taken.
    """
    plain = _first_at(when, done, 0.9)
    first, last = _first_at(when, done, 0.6), _first_at(when, done, 0.97)
    near = (when >= first) & (when <= last) & (done < 0.995)
    if near.sum() < 5:
        return plain
    t = when[near] - first
    curve = np.polyfit(t, np.log(1 - done[near]), 2 if near.sum() > 6 else 1)
    if float(np.abs(1 - np.exp(np.polyval(curve, t)) - done[near]).max()) > 0.03:
        return plain
    fine = np.linspace(0.0, float(t[-1]), 2000)
    smooth = 1 - np.exp(np.polyval(curve, fine))
    k = int(np.argmax(smooth >= 0.9))
    return first + float(fine[k]) if smooth[k] >= 0.9 else plain


def _slope(when: Doubles, done: Doubles, at: float) -> float:
    """Return how fast the way is walked around a time, 1/s."""
    k = int(np.clip(np.searchsorted(when, at), 2, len(when) - 3))
    return max(abs(float((done[k + 2] - done[k - 2]) / (when[k + 2] - when[k - 2]))), 0.02)
