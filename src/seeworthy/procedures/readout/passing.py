"""Read-out time from a clip of passing uprights: find, follow, fit, judge.

Refuses where the clip cannot carry the figure: nothing upright, nothing moving, one
speed in one direction without the camera's level (roll looks the same as lean), a shaken
still scene, uprights that disagree. A lean too small to see gives a bound.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.statistics import robust_spread
from seeworthy.ground.uncertainty import coverage_factor, upper
from seeworthy.observe.row_bands import ReadoutWatch, Run
from seeworthy.procedures.readout.fit import RowFit, fit_row_time
from seeworthy.procedures.readout.level import SpiritLevel, agreeing, either, of_rest
from seeworthy.procedures.readout.refine import RowPoints, refine
from seeworthy.procedures.readout.sorting import Rough, known, objects, once, rough_path
from seeworthy.procedures.readout.tracks import link
from seeworthy.procedures.readout.twins import told_apart, twin_of
from seeworthy.procedures.readout.uprights import find_edges

Doubles = npt.NDArray[np.float64]

# Widths of the derivative filter at 1280 columns, px: sharp, soft and smeared edges.
SCALES = (1.5, 4.0, 11.0)
# Least lean over the frame that is measured, px.
LEAST_LEAN = 3.0
# Part of the uncertainty that no clip shows from inside: coding moves edges, all of a
# take alike. Found in the rendered study (docs/accuracy/readout.md).
ENCODER_FLOOR = 0.0015
EDGE_FLOOR = 0.01  # px of lean over the frame
_MOST_UNSURE = 0.12
# So many edges are plenty.
ENOUGH = 110
_SLOWEST = 0.5
"""Longest time between frames, s: the fastest upright that is followed (2.8 widths a second)
is gone in 0.36 s; a damaged file says hours, for which every lean would be tried. A judgement."""

_EVEN = (
    "The uprights repeat at even distances and pass at an even speed: whether they moved by less "
    "than one distance from frame to frame or by more cannot be told."
)
_DIFFERENT = (
    "Film uprights that differ from each other, or turn and pass at several speeds, beginning "
    "slowly."
)
_FILM_BOTH = (
    "Film uprights that pass in both directions, or at clearly different distances: "
    "pan or drive both ways, or turn the table."
)


@dataclass(frozen=True, slots=True)
class Passing:
    """Read-out time from passing uprights.

    Attributes:
        row_time, u: s; `row_time` is positive, see `upwards`.
        dof: Effective degrees of freedom of `u`.
        upwards: Rows are read from the bottom of the stored frame.
        tracks: Those used, in the order of the fit.
        left_out: Tracks that did not agree.
        lean: Lean of the fastest uprights over the frame, px.
        level: The camera's roll, where the answer rests on it.
        most: The row time is at most this, s (95 %, one-sided), and no more is known: the lean is
            under `LEAST_LEAN` or within its uncertainty.
        within: The 95 % interval, s, where steadying may have held the picture (`pan`).
        swept: How far it panned from turn to turn then, in widths of the picture.
        parts: What `u` is made of, s.
    """

    row_time: float
    u: float
    dof: float
    upwards: bool
    fit: RowFit
    tracks: tuple[RowPoints, ...]
    left_out: int
    lean: float
    level: SpiritLevel | None = None
    most: float | None = None
    within: tuple[float, float] | None = None
    swept: float = 0.0
    parts: tuple[Component, ...] = ()


def measure_passing(watch: ReadoutWatch, level: SpiritLevel | None = None) -> Passing:
    """Measure the row time from what the observer kept.

    `level`, or the one that uprights at rest show, is used where uprights pass at one speed only.

    Raises:
        CannotMeasure: With what was missing.
    """
    if watch.seen < 5:
        raise CannotMeasure(
            f"The clip has too few pictures to show a motion ({watch.seen}).", _FILM_BOTH
        )
    if not 0.0 < watch.interval <= _SLOWEST:
        raise CannotMeasure(
            f"Its frames are {watch.interval:.3g} s apart; what passes is gone by the next.",
            "Film at two frames a second or more; where the file is damaged, copy it again.",
        )
    if watch.moving < 4:
        raise CannotMeasure("Nothing upright moves in this clip.", _FILM_BOTH)
    found = find_tracks(watch, SCALES)
    speeds = np.array([r.speed for r in map(rough_path, found) if passes(r, watch.width)])
    if len(speeds) and _alike(speeds):
        rests = [_tracks(watch, run, -1 - k, SCALES) for k, run in enumerate(watch.rests())]
        level = either(level, of_rest(rests, found, watch.width))
    return judge(found, watch.width, watch.height, watch.interval, level)


def find_tracks(watch: ReadoutWatch, scales: Sequence[float] = SCALES) -> list[RowPoints]:
    """Find, follow and locate upright edges, each only once.

    Runs are taken from all over the clip in turn; when there are plenty of edges that
    pass at different speeds the rest is left alone.
    """
    found: list[RowPoints] = []
    runs = watch.runs()
    for number in _spread_out(len(runs)):
        found += _tracks(watch, runs[number], number, scales)
        if len(found) >= ENOUGH and not _alike(np.array([rough_path(p).speed for p in found])):
            break
    return found


def _tracks(watch: ReadoutWatch, run: Run, number: int, scales: Sequence[float]) -> list[RowPoints]:
    """Return the upright edges of one run, each once."""
    height, width = watch.height, watch.width
    rows = watch.band_rows - (height - 1) / 2
    fastest = 2.8 * width
    steepest = 0.08 + 2.6 * width / height * watch.interval
    reach = fastest * watch.interval
    bands = run.bands.astype(np.float32)
    here: list[RowPoints] = []
    for scale in scales:
        edges = find_edges(bands, rows, height, scale * width / 1280, steepest)
        bounds = np.searchsorted(edges.frame, np.arange(len(run.times) + 1))
        for track in link(edges, run.times, fastest, width):
            if known(here, edges, track, run.times, width):
                continue
            points = refine(bands, run.times, rows, edges, track, number)
            if points is not None and points.spread < 0.6 + 0.06 * edges.scale:
                here.append(replace(points, twin=twin_of(track, edges, bounds, reach)))
    return once(here)


def passes(rough: Rough, width: int) -> bool:
    """Tell whether a track passes through a good part of the picture."""
    return rough.steady and rough.travel > 0.07 * width


def _spread_out(count: int) -> list[int]:
    """Return 0 … count - 1 so that any beginning is spread over the whole: ends, middle, …"""
    order: list[int] = []
    step = max(1, count)
    while len(order) < count:
        order += [i for i in range(0, count, step) if i not in order]
        step = max(1, step // 2)
    return order


def judge(
    found: list[RowPoints],
    width: int,
    height: int,
    interval: float,
    level: SpiritLevel | None = None,
) -> Passing:
    """Fit the tracks and decide whether they carry a row time.

    Args:
        width, height: Of the frame.
        interval: Time between frames, s: no read-out takes longer.
        level: The camera's roll, used where all uprights pass at one speed in one direction.
    """
    if not found:
        raise CannotMeasure(
            "Nothing upright and straight was found that passes through the picture.",
            "Film poles, posts, a fence or window frames passing by, filling most of the "
            "picture's height, sharp and against a plain background.",
        )
    rough = [rough_path(p) for p in found]
    moving = [i for i, r in enumerate(rough) if passes(r, width)]
    if len(moving) < 3:
        raise CannotMeasure(
            "No upright passes through the picture: what moves only shakes or wobbles, "
            "or it is not straight.",
            _FILM_BOTH,
        )
    passing, moving = moving, _of_sure_speed(moving, found, rough, interval, level)
    used = [rough[i] for i in moving]
    speeds = np.array([r.speed for r in used])
    if not _alike(speeds):
        level = None  # the clip tells the roll better than a bubble does
        chosen, guess = _agreeing(used, width, height, interval)
    elif level is None:
        raise CannotMeasure(
            "All uprights pass at one speed in one direction, so their lean cannot be told "
            "from a tilted camera or from things that do not stand upright.",
            f"{_FILM_BOTH} Or set the camera up with a bubble level or a plumb line and give its "
            f'roll: --reading roll="{EXAMPLES["readout.roll"]}". Or say that a horizon or a level '
            "rail runs through the picture: --option level=horizon. Or let uprights stand still in "
            "the picture for a second before and after they pass, the camera held as on the way.",
        )
    else:
        chosen, guess = agreeing(used, level, height, interval)
    if len(chosen) < max(3, 0.5 * len(moving)):
        raise CannotMeasure(
            f"The uprights do not agree: of {len(moving)} edges only {len(chosen)} lean as one "
            "read-out time would make them.",
            "Film things that are straight and stand upright; avoid trees and people.",
        )
    tracks = [found[moving[i]] for i in chosen]
    done = _conclude(tracks, len(moving) - len(tracks), (width, height), interval, guess, level)
    if done.most is not None and any(found[i].twin for i in passing):
        # Mistaken speeds in both directions make one lean for all, as no lean does.
        raise CannotMeasure(_EVEN, _DIFFERENT)
    return done


def _of_sure_speed(
    moving: list[int], found: list[RowPoints], rough: list[Rough], interval: float,
    level: SpiritLevel | None,
) -> list[int]:  # fmt: skip
    """Return the tracks whose speed cannot be that of their neighbours (`twins`)."""
    used = [rough[i] for i in moving]
    one_way = _alike(np.array([r.speed for r in used]))
    roll = (level.slope, level.u) if level is not None and one_way else None
    twins = np.array([found[i].twin for i in moving], float)  # None becomes NaN
    if one_way and roll is None:
        return moving  # refused for another reason
    chosen, sure = told_apart(used, twins, interval, roll)
    if not sure:
        raise CannotMeasure(_EVEN, _DIFFERENT)
    return [moving[i] for i in chosen]


def _alike(speeds: Doubles) -> bool:
    return bool(np.ptp(speeds) < 0.35 * np.max(np.abs(speeds)))


def _agreeing(
    rough: list[Rough], width: int, height: int, interval: float
) -> tuple[list[int], float]:
    """Return the tracks that one row time, roll and pitch explain, and that row time."""
    rng = np.random.default_rng(20)
    v = np.array([r.speed for r in rough])
    lean = np.array([r.lean for r in rough])
    x = np.array([r.place for r in rough]) / (width / 2)
    limit = 1.1 * interval / height
    tolerance = (1.5 + 0.03 * np.abs(v) * limit * height * 0.5) / height
    best, best_score, guess = np.zeros(len(v), bool), -1.0, 0.0
    for _ in range(600):
        pick = rng.choice(len(v), 3, replace=False)
        pitch = float(rng.uniform(-0.05, 0.05))
        spread = v[pick[0]] - v[pick[1]]
        if abs(spread) < 0.2 * np.max(np.abs(v)):
            continue
        level = lean - pitch * x
        row_time = (level[pick[0]] - level[pick[1]]) / spread
        roll = level[pick[0]] - row_time * v[pick[0]]
        if abs(row_time) > limit or abs(roll) > 0.12:
            continue
        miss = np.abs(level - roll - row_time * v) / tolerance
        score = float(np.sum(np.maximum(0, 1 - (miss / 2.5) ** 2)))
        if score > best_score:
            best, best_score, guess = miss < 2.5, score, row_time
    chosen = np.flatnonzero(best)
    for _ in range(4):  # straight fit through the agreeing ones, then look again
        if len(chosen) < 3:
            break
        design = np.stack([v, np.ones_like(v), x], axis=1)
        ridge = np.diag([0, 0, 0.5 / 0.05**2 * np.mean(tolerance) ** 2])
        part, w = design[chosen], 1 / tolerance[chosen] ** 2
        scale = np.mean(tolerance) ** 2
        normal = part.T @ (w[:, None] * part) * scale + ridge
        coef = np.linalg.lstsq(normal, part.T @ (w * lean[chosen]) * scale, rcond=None)[0]
        guess = float(coef[0])
        miss = np.abs(lean - design @ coef)
        # Posts that lean a little are kept: their scatter is part of the answer.
        common = min(1.5 * robust_spread(miss[chosen], about=0), 4 / height)
        chosen = np.flatnonzero(miss < 2 * np.maximum(tolerance, common))
    return [int(i) for i in chosen], guess


def _conclude(
    tracks: list[RowPoints],
    left_out: int,
    size: tuple[int, int],
    interval: float,
    guess: float,
    level: SpiritLevel | None,
) -> Passing:
    width, height = size
    half = (width - 1) / 2
    fit = fit_row_time(tracks, objects(tracks), half, guess, level)
    for _ in range(2):
        off = np.abs(fit.lean - fit.row_time * fit.speed)
        good = off < 4.5 * np.sqrt(fit.lean_u**2 + fit.tilt**2) + 2e-4
        if good.all() or good.sum() < 4:
            break
        left_out += int((~good).sum())
        tracks = [p for p, g in zip(tracks, good, strict=True) if g]
        fit = fit_row_time(tracks, objects(tracks), half, fit.row_time, level)
    fast = float(np.percentile(np.abs(fit.speed), 90))
    lean = abs(fit.row_time) * fast * height
    _check(fit, height, interval, level)
    parts, dof = _uncertainty(fit, tracks, lean, level)
    u = combined(parts)
    most = None
    if lean < LEAST_LEAN or (level is not None and coverage_factor(dof) * u > abs(fit.row_time)):
        # Which way the rows are read is not known either, so both signs count.
        most = upper(abs(fit.row_time), u, dof)
    elif level is None and u > _MOST_UNSURE * abs(fit.row_time):
        raise CannotMeasure(
            "The uprights do not agree well enough: the read-out time would be uncertain by "
            f"more than {100 * _MOST_UNSURE:.0f} %.",
            "Film things that are straight and stand upright, faster, in both directions.",
        )
    found = abs(fit.row_time)
    way = fit.row_time < 0
    return Passing(found, u, dof, way, fit, tuple(tracks), left_out, lean, level, most, parts=parts)


def _check(fit: RowFit, height: int, interval: float, level: SpiritLevel | None) -> None:
    if level is None and _alike(fit.speed):
        raise CannotMeasure(
            "The uprights that agree pass at one speed in one direction.", _FILM_BOTH
        )
    if abs(fit.row_time) * height > 1.12 * interval:
        raise CannotMeasure(
            "The lean found would need a read-out longer than the time between two frames, so "
            "the uprights were not followed rightly"
            + (", or the roll is not what was read." if level else "."),
            "Film uprights that differ from each other and pass more slowly.",
        )


def _uncertainty(
    fit: RowFit, tracks: list[RowPoints], lean: float, level: SpiritLevel | None
) -> tuple[tuple[Component, ...], float]:
    """Return what the row time's uncertainty is made of, s, and its degrees of freedom.

    The larger of what the fit says and what the scatter between groups of objects says
    (a jackknife: those that pass together share scene and coding errors), with floors
    for what all of a take share.
    """
    number = len(fit.normal)
    count = min(10, number // 2)
    scatter = 0.0
    if count >= 3:
        groups = _groups(fit, tracks, count)
        values = np.array([fit.without(groups == k) for k in range(count)])
        terms = np.clip(values - np.median(values), -10 * fit.u, 10 * fit.u)
        scatter = math.sqrt((count - 1) / count * float(np.sum(terms**2)))
    row_time = abs(fit.row_time)
    own = max(fit.u, scatter)
    # The fit holds the roll at the level. What that leaves does not come from a few objects:
    # Welch–Satterthwaite without it.
    study = "our own rendered clips (docs/accuracy/readout.md)"
    parts = [
        Component("scatter of the uprights", own, "s", source="scatter"),
        Component("coding, all edges alike", ENCODER_FLOOR, "", row_time, source=study),
        Component("place of edges", EDGE_FLOOR, "px", row_time / max(lean, 1e-9), source=study),
    ]
    if level:
        speed = float(np.mean(np.abs(fit.speed)))
        parts.append(Component("roll of the camera", level.u, "", 1 / speed, source=level.rests_on))
    dof = max(2.0, min(max(number - 3, 1), 12) * (combined(parts) / max(own, 1e-12)) ** 4)
    return tuple(parts), min(dof, 200.0)


def _groups(fit: RowFit, tracks: list[RowPoints], count: int) -> npt.NDArray[np.int64]:
    """Return a group number per object: those that pass together stand together."""
    when = np.zeros(len(fit.normal))
    for number, points in zip(fit.object, tracks, strict=True):
        when[number] = points.time.mean() + 1e-4 * points.x.mean()
    group = np.empty(len(when), np.int64)
    group[np.argsort(when)] = np.arange(len(when)) * count // len(when)
    return group
