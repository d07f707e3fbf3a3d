"""Exposure time from the blur of a moving edge against the same edge at rest.

While a row is exposed for ``t`` an edge moves by ``L = v t``: its profile is that of the
edge at rest averaged over a box of length L. Lens, pixel and sharpening are in both
profiles. The rolling shutter makes the edge lean but lets every row expose equally
long, so along the row the box is the same. The speed comes from the same rows of the
frames before and after.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline, make_interp_spline
from scipy.optimize import least_squares

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.statistics import robust_spread
from seeworthy.ground.uncertainty import upper
from seeworthy.observe.edge_passes import BIN, ROWS, EdgeLine, EdgeWatch, find_lines

Doubles = npt.NDArray[np.float64]

_LEAST_PASSES = 5  # frames: a spread needs them (a judgement)
_LEAST_SPEED = 60.0  # px/s (a judgement)
_U_LENGTH = 0.0055
"""Relative uncertainty of a blur length after the encoder, from rendered studies."""

_U_WIDTH = 0.015
"""Relative uncertainty of the width of the edge at rest: coding, place in the frame."""

_U_LEAN = 0.5
"""The same for each unit of slope: a coder spreads leaning edges more. Fitted on our own rendered
cards (seed 31, 2 Mbit/s): the edge at rest is 3 to 5 % wider at 4° off the upright than at 1°. Kept
since what the rows of a band add is taken off (seed 77): exposures of 2.66 ms then scatter by 5 %
at 2 Mbit/s, by 2 % at 40."""

_STUDIED = "rendered studies, docs/accuracy/exposure"

_HOW = (
    "Film a dark card on a light wall, its sides two to five degrees off the upright and in the "
    "picture from top to bottom: once at rest, once sliding or panned past evenly within about "
    "one second, with the same light and distance."
)


@dataclass(frozen=True)
class Pass:
    """One moving edge in one frame.

    Attributes:
        speed: px/s, positive to the right.
        length: Blur length, px.
        fitted: The fitted profile on the grid of `line`.
    """

    line: EdgeLine
    speed: float
    length: float
    fitted: Doubles


@dataclass(frozen=True)
class Exposure:
    """What moving edges tell.

    Attributes:
        time, u, dof: Exposure time and standard uncertainty, s; of a bound `time` is the upper end.
        budget: What `u` is made of, in ms.
        bound: True: the blur is under the lens's own, and `time` is an upper bound (95 %).
        rest_width: Full width at half height of the spread of the edge at rest, px.
        rest_at, rest_light: The profile at rest.
        interval: Between frames, s.
        far: Mean distance of the moving edges from where the edge rested, share of the width.
    """

    time: float
    u: float
    dof: float
    bound: bool
    rest_width: float
    passes: tuple[Pass, ...]
    rest_at: Doubles
    rest_light: Doubles
    interval: float
    far: float
    budget: tuple[Component, ...] = ()


def measure_exposure(moving: EdgeWatch, rest: EdgeWatch) -> Exposure:
    """Measure the exposure time.

    Raises:
        CannotMeasure: No upright edge at rest or none that passes, too slow, clipped.
    """
    at, light, place, slope = _rest_profile(rest)
    tracks = follow_lines(_all_lines(moving), moving.seconds)
    width = moving.frames[0].shape[1] if moving.frames else 1
    passes = [p for t in tracks for p in _passes(t, moving.seconds, at, light, slope)]
    near = [p for p in passes if abs(p.line.x - place) < 0.3 * width]
    used = near if len(near) >= 8 else passes
    if len(used) < _LEAST_PASSES:
        raise CannotMeasure(
            "No upright edge was seen to move evenly through the picture."
            if not tracks
            else "The edge moves too slowly, or too few frames show it whole.",
            _HOW,
        )
    u_width = math.hypot(_U_WIDTH, _U_LEAN * slope)
    far = float(np.mean([abs(p.line.x - place) for p in used]))
    return _conclude(used, at, light, moving, far, u_width)


def _all_lines(watch: EdgeWatch) -> list[list[EdgeLine]]:
    return [find_lines(f, watch.rows, k) for k, f in enumerate(watch.frames)]


def _rest_profile(rest: EdgeWatch) -> tuple[Doubles, Doubles, float, float]:
    """Return grid, light 0..1, column and slope of the strongest edge at rest, over frames."""
    lines = _standing(_all_lines(rest))
    if not lines:
        raise CannotMeasure(
            "The file rest= shows no upright edge that stands still, from the top to the bottom of "
            "the picture.", _HOW,
        )  # fmt: skip
    if np.ptp(np.polyval(lines[0].lean, rest.rows)) < 1.0:
        raise CannotMeasure(
            "The edge at rest stands exactly upright: every row of pixels cuts it alike, and its "
            "own width cannot be told finely enough.", _HOW,
        )  # fmt: skip
    _check_clipping(lines)
    reach = min(float(line.at[-1]) for line in lines)
    n = int(reach / BIN)
    grid: Doubles = np.asarray((np.arange(2 * n + 1) - n) * BIN, np.float64)
    light = np.mean([np.interp(grid, line.at, line.light) for line in lines], axis=0)
    slope = float(np.mean([abs(line.lean[-2]) for line in lines]))
    return np.asarray(grid), np.asarray(light), float(np.mean([line.x for line in lines])), slope


def _standing(lines: list[list[EdgeLine]]) -> list[EdgeLine]:
    """Return the edge that is seen at one place in most frames, nearest to the middle."""
    best: list[EdgeLine] = []
    for seed in (line for found in lines[:3] for line in found):
        same = [
            line
            for found in lines
            for line in found
            if line.sign == seed.sign and abs(line.x - seed.x) < 1.5
        ]
        if len(same) > max(1.1 * len(best), 0.6 * len(lines)):
            best = same
    return best


def _check_clipping(lines: Sequence[EdgeLine]) -> None:
    if np.median([line.high for line in lines]) > 0.97:
        raise CannotMeasure(
            "The light side of the edge is clipped, which hides part of the blur.",
            "Use less light, or a light grey wall instead of a white one.",
        )


def follow_lines(lines: list[list[EdgeLine]], seconds: Sequence[float]) -> list[list[EdgeLine]]:
    """Link lines of consecutive frames to tracks of even motion.

    Args:
        lines: Of each frame.
    """
    usual = float(np.median(np.diff(seconds))) if len(seconds) > 1 else 1.0
    free = [list(found) for found in lines]
    tracks: list[list[EdgeLine]] = []
    for k in range(len(lines) - 2):
        while True:
            seed = _seed(free, seconds, k, usual)
            if seed is None:
                break
            track = _extend(list(seed), free, seconds, usual)
            for line in track:
                free[line.frame].remove(line)
            if len(track) >= 4:
                tracks.append(track)
    return tracks


def _seed(
    free: list[list[EdgeLine]], seconds: Sequence[float], k: int, usual: float
) -> tuple[EdgeLine, EdgeLine, EdgeLine] | None:
    """Return the three lines from frame k on that move most evenly."""
    best: tuple[float, tuple[EdgeLine, EdgeLine, EdgeLine]] | None = None
    steps = seconds[k + 1] - seconds[k], seconds[k + 2] - seconds[k + 1]
    if max(steps) > 1.5 * usual:
        return None
    for a in free[k]:
        for b in free[k + 1]:
            for c in free[k + 2]:
                if not a.sign == b.sign == c.sign:
                    continue
                step = b.x - a.x
                miss = abs((c.x - b.x) - step * steps[1] / steps[0])
                if miss < max(1.5, 0.1 * abs(step)) and (best is None or miss < best[0]):
                    best = miss, (a, b, c)
    return None if best is None else best[1]


def _extend(
    track: list[EdgeLine], free: list[list[EdgeLine]], seconds: Sequence[float], usual: float
) -> list[EdgeLine]:
    while track[-1].frame + 1 < len(free):
        a, b = track[-2], track[-1]
        speed = (b.x - a.x) / (seconds[b.frame] - seconds[a.frame])
        gap = seconds[b.frame + 1] - seconds[b.frame]
        if gap > 1.5 * usual:
            break
        expected = b.x + speed * gap
        near = [c for c in free[b.frame + 1] if c.sign == b.sign]
        near.sort(key=lambda c: abs(c.x - expected))
        if not near or abs(near[0].x - expected) > max(2.0, 0.15 * abs(speed * gap)):
            break
        track.append(near[0])
    return track


def _passes(
    track: list[EdgeLine], seconds: Sequence[float], at: Doubles, light: Doubles, slope: float
) -> list[Pass]:
    found = []
    t = np.array([seconds[line.frame] for line in track])
    x = np.array([line.x for line in track])
    for k in range(1, len(track) - 1):
        part = slice(max(0, k - 2), k + 3)
        degree = 2 if len(t[part]) > 3 else 1
        speed = float(np.polyfit(t[part] - t[k], x[part], degree)[-2])
        if abs(speed) < _LEAST_SPEED:
            continue
        fit = _box_length(track[k], at, light, abs(speed) * float(np.median(np.diff(t))))
        if fit is not None:
            length = _without_lean(fit[0], float(track[k].lean[-2]), slope)
            found.append(Pass(track[k], speed, length, fit[1]))
    return found


def profile_integral(at: Doubles, light: Doubles) -> BSpline:
    """Return the integral of a profile on an even grid.

    Its values are joined by a cubic: straight lines would blur the profile at rest once more (by
    a variance of a sixth of the step squared, 5 % of a box of 1.5 px).
    """
    return make_interp_spline(at, light, k=3).antiderivative()


def boxed(total: BSpline, length: float, x: Doubles) -> Doubles:
    """Return the profile at rest averaged over a box, at places x.

    Args:
        total: Integral of the profile at rest, which is 0 far left and 1 far right.
        length: px.
    """
    first, last = total.t[0], total.t[-1]

    def integral(u: Doubles) -> Doubles:
        return np.asarray(total(np.clip(u, first, last)) + np.maximum(u - last, 0.0))

    half = max(length, 1e-3) / 2
    return np.asarray((integral(x + half) - integral(x - half)) / (2 * half))


def _box_length(
    line: EdgeLine, at: Doubles, light: Doubles, most: float
) -> tuple[float, Doubles] | None:
    """Fit the box; None where the profile is too short for the blur or does not fit."""
    total = profile_integral(at, light)
    start = float(np.clip(_width(line.at, line.light), 0.5, most))

    def model(p: Doubles) -> Doubles:
        shape = boxed(total, abs(p[0]), line.at - p[1])
        return np.asarray(p[2] + p[3] * shape)

    found = least_squares(
        lambda p: model(p) - line.light, (start, 0.0, 0.0, 1.0), x_scale=(1.0, 0.1, 0.01, 0.01)
    )
    length = abs(float(found.x[0]))
    if length > 1.05 * most + 1.0 or length / 2 + 5 > line.at[-1]:
        return None
    if float(np.sqrt(np.mean(found.fun**2))) > 0.05:
        return None
    return length, model(found.x)


def _without_lean(length: float, moving: float, rest: float) -> float:
    """Return a blur length without what the rows of a band add that lean otherwise than at rest.

    A band is the mean of `ROWS` rows, each of which cuts the edge at its own place: an edge of
    slope dx/dy is spread there as evenly spaced points are, by a variance of slope² (n² − 1) / 12;
    a box's own is length² / 12. The rolling shutter makes an edge lean otherwise in motion.
    """
    return math.sqrt(max(0.0, length**2 - (ROWS**2 - 1) * (moving**2 - rest**2)))


def _width(at: Doubles, light: Doubles) -> float:
    """Return the width from 12.5 % to 87.5 %, over 0.75: a box's own length."""
    rising = np.maximum.accumulate(light)
    low, high = np.interp((0.125, 0.875), rising + 1e-9 * np.arange(len(rising)), at)
    return float(high - low) / 0.75


def _full_width(at: Doubles, light: Doubles) -> float:
    """Return the full width at half height of the profile's slope, px."""
    slope = np.gradient(light, at)
    top = int(slope.argmax())
    half = slope[top] / 2
    left = top - int(np.argmax(slope[top::-1] < half))
    right = top + int(np.argmax(slope[top:] < half))
    first = np.interp(half, slope[left : left + 2], at[left : left + 2])
    last = np.interp(-half, -slope[right - 1 : right + 1], at[right - 1 : right + 1])
    return float(last - first)


def _conclude(
    passes: list[Pass],
    at: Doubles,
    light: Doubles,
    moving: EdgeWatch,
    far: float,
    u_width: float = _U_WIDTH,
) -> Exposure:
    speed = np.abs([p.speed for p in passes])
    length = np.array([p.length for p in passes])
    time = float(np.sum(speed * length) / np.sum(speed**2))
    each = length / speed
    keep = np.abs(each - np.median(each)) < 4 * robust_spread(each)
    keep |= np.abs(each - np.median(each)) < 0.05 * time
    passes = [p for p, good in zip(passes, keep, strict=True) if good]
    speed, length = speed[keep], length[keep]
    time = float(np.sum(speed * length) / np.sum(speed**2))
    n = len(passes)
    weight = speed**2 / np.sum(speed**2)
    scatter = math.sqrt(float(np.sum(weight * (length / speed - time) ** 2)) / max(1, n - 1))
    blur = float(np.sum(speed * length) / np.sum(speed))
    own = _full_width(at, light)
    # Squares of widths add: what the rest width is wrong by goes into the short blurs.
    sigma = own / 2.3548
    u_own = 12 * sigma**2 * u_width / max(blur, 0.3 * own) / blur if blur > 0 else 1.0
    parts: tuple[Component, ...] = (
        # Frames of one pass share place, light and coding.
        Component("passes", scatter, "s", 1500.0, f"t ({max(1, n - 1)} dof)", "scatter, times 1.5"),
        Component("blur after the encoder", _U_LENGTH, "", 1e3 * time, source=_STUDIED),
        Component("width of the edge at rest", u_own, "", 1e3 * time, source=_STUDIED),
    )
    u = combined(parts) / 1e3
    interval = float(np.median(np.diff(moving.seconds)))
    bound = blur < own
    if bound:
        ceiling = max(upper(time, u), 0.5 * own / float(speed.mean()))
        time, u = ceiling, ceiling / math.sqrt(12)
        source = "the blur is under the lens's own"
        parts = (Component("upper bound", u, "s", 1e3, "rectangular", source),)
    width = moving.frames[0].shape[1]
    return Exposure(
        time,
        u,
        float(max(1, n - 1)),
        bound,
        own,
        tuple(passes),
        at,
        light,
        interval,
        far / width,
        parts,
    )
