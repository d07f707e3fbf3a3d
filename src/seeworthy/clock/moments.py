"""The moment of each frame's exposure from the updates of a screen that it shows.

A screen holds the time it shows for one update and then goes over to the next. What a frame
shows, averaged over its exposure, follows the moment of exposure only in steps where the exposure
is short against an update. Three things tell more: how the shown times are mixed within the
exposure (`ShownClock.spread`), bands of the picture at different heights, which are exposed and
updated at different moments, and the grid on which the updates lie over many frames.

The forward model: an update begun at ``n T`` appears as ``1 - exp(-t / a)``, the camera averages
over an exposure ``e``. Exposure, answer ``a``, phase of the updates and delay between the bands
are those of greatest likelihood, the moment of each frame being unknown; the moment itself is
then the mean of its distribution, every moment being as likely beforehand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.clock.mixed import (
    NOISE_MS,
    NOISE_SQUARE,
    PHASES,
    REACH,
    TONE,
    WEIGHT,
    allowed,
    likelihood,
    mixture,
)

Array = npt.NDArray[np.float64]

_BLOCK = 96
"""Frames over which the phase of the updates is taken as one."""
_PURE = 8.0
"""Variance of the shown times, ms² above the least, that halves what a band says of the grid."""
_PERIOD_SPAN = 0.006  # share of the stated rate that a screen may be off: 59.94 for 60, and quartz
_FIT_FRAMES = 60  # spread over the clip; more change no exposure by a step (time)
_BOUND_FRAMES = 12  # of those, to draw the bounds (time)
_MOMENTS = 61  # steps of 0.03 updates, and of 0.045 where a model is only chosen (time)
_FEW = 41  # steps where the blur is searched for too, of 0.045 updates (time)
_PURE_LEAST = 0.1
"""Share of bands that must show one update alone: a camera in step with the screen makes a grid
of its own from mixtures."""
_HELD = 0.6
"""Least concentration of the shown times on a grid for the grid to be believed."""
_STEP = 0.12
"""Share of the steps of what is shown that the model gets wrong, as rendered clips show."""
_CHUNK = 256  # frames at a time: memory
_SHORTER, _TELLS = 0.8, 0.6
"""How much shorter than the models an exposure may be that they are the best of;
updates from which an exposure is told from below at all."""
_SIDE_MOST = 25.0  # ms: longer differences of neighbours are lost frames
_SIDE_APART = 150.0  # ms between frames that are neighbours: six or more a second
_SIDE_LEAST = 32  # differences, so that their scatter is known to an eighth (1/√(2·32), derived)
_ALIKE = 0.05  # of the mean log-likelihood of a frame: minima as good as the best (a judgement)
_AS_WELL = 0.25
"""Mean log-likelihood of a frame by which a model may be worse and still be thought possible."""


@dataclass(frozen=True, slots=True)
class ShownClock:
    """What the frames show, in file order.

    Attributes:
        time: Mean time that each band shows, ms, unwrapped; NaN where unseen.
        square: Variance of the times that each band shows, ms², the bar's own width taken off.
        heights: ndarray (B,). Places of the bands, any unit, 0 where the moment is wanted.
    """

    time: Array
    square: Array
    heights: Array


@dataclass(frozen=True, slots=True)
class Moments:
    """Moments of exposure, arrays (N,) in ms.

    Attributes:
        time, u: ndarray (N,). Moment of the middle of the exposure at height 0, as if an update
            appeared there the moment it is begun, and its standard uncertainty.
        exposure_limits: Bounds of the exposure: all that the frames allow, whatever phase and
            answer. The lower one is 0 for what may lie well below an update, of which a soft
            picture and slow pixels look like more.
        answer: Time constant of the screen's pixels.
        delay: How much later the last band is seen than the first one, against the screen's scan.
        updates: Time between updates.
        steps: Standard deviation of the mean shown about the moment: 0 for exposures of whole
            updates.
        short: A model of about the best likelihood has an exposure well below an update.
    """

    time: Array
    u: Array
    exposure: float
    exposure_limits: tuple[float, float]
    answer: float
    delay: float
    updates: float
    steps: float
    short: bool


@dataclass(frozen=True, slots=True)
class _Model:
    exposure: float
    answer: float
    delay: float
    shift: float


def find_moments(shown: ShownClock, period: float, blur_most: float) -> Moments:
    """Find when each frame was exposed.

    Args:
        period: Time between updates, ms, within half a percent.
        blur_most: Largest variance that optics and pixels may add to `ShownClock.square`, ms².
    """
    origin = float(np.nanmin(shown.time))
    scale = float(np.ptp(shown.heights))
    moved = ShownClock(shown.time - origin, shown.square, shown.heights / scale)
    grid = _grid(moved, period, blur_most)
    period, phases = grid.period, _phases(moved, grid)
    few = np.unique(np.linspace(0, len(phases) - 1, _FIT_FRAMES).astype(int))
    part = ShownClock(moved.time[few, ::2], moved.square[few, ::2], moved.heights[::2])
    models = _explain(part, period, phases[few], blur_most)
    time, u = np.empty(len(phases)), np.empty(len(phases))
    steps = _steps(period, models[0])
    blurs = [_fit(part, period, phases[few], model, None, blur_most).blur for model in models]
    for start in range(0, len(phases), _CHUNK):
        rows = slice(start, start + _CHUNK)
        piece = ShownClock(moved.time[rows], moved.square[rows], moved.heights)
        each = [
            _posterior(_fit(piece, period, phases[rows], model, blur))
            for model, blur in zip(models, blurs, strict=True)
        ]
        times, us = (np.array(values) for values in zip(*each, strict=True))
        # Other models that explain the frames as well tell how far the best one may be wrong.
        time[rows] = times[0]
        u[rows] = np.sqrt(
            us[0] ** 2 + np.mean((times - times[0]) ** 2, axis=0) + (_STEP * steps) ** 2
        )
    best = models[0]
    least, most = allowed(*_thinned(moved, phases), period, blur_most)
    own = [model.exposure for model in models]
    low, high = min(least, *own), max(most, *own)
    limits = (low if low > _TELLS * period else 0.0, high)
    short = best.exposure <= _TELLS * period or _SHORTER * min(own) < _TELLS * period
    return Moments(
        time + origin, u, best.exposure, limits, best.answer, best.delay, period, steps, short
    )


def _thinned(shown: ShownClock, phases: Array) -> tuple[Array, Array, Array, Array]:
    """Times, squares, heights and phases of the few frames and bands that bound the exposure."""
    few = np.unique(np.linspace(0, len(phases) - 1, _BOUND_FRAMES).astype(int))
    return shown.time[few, ::3], shown.square[few, ::3], shown.heights[::3], phases[few]


@dataclass(frozen=True, slots=True)
class _Grid:
    """Times between and phase of the updates; the phase holds for `length` frames."""

    period: float
    length: int
    clear: float


def _turning(shown: ShownClock, period: float) -> npt.NDArray[np.complex128]:
    """Mean turn of each frame's shown times on a grid; what is mixed from updates counts less."""
    known = np.isfinite(shown.time) & np.isfinite(shown.square)
    pure = np.nanpercentile(shown.square, 5)
    weight = np.where(known, 1 / (1 + np.clip(shown.square - pure, 0, None) / _PURE) ** 2, 0.0)
    turns = np.exp(2j * np.pi * np.where(known, shown.time, 0.0) / period)
    return np.asarray(np.sum(weight * turns, axis=1), np.complex128)


def _blocks(count: int, length: int) -> list[npt.NDArray[np.intp]]:
    return np.array_split(np.arange(count), max(1, round(count / length)))


def _clear(shown: ShownClock, period: float, length: int) -> float:
    """How well the shown times lie on a grid whose phase is free in each block, 0 to 1."""
    turns = _turning(shown, period)
    most = float(np.sum(np.abs(_turning(shown, 1e12))))
    parts = sum(abs(turns[rows].sum()) for rows in _blocks(len(turns), length))
    return float(parts) / most


def _pure_share(shown: ShownClock, blur_most: float) -> float:
    """Share of the bands that show one update alone."""
    known = shown.square[np.isfinite(shown.square)]
    return float(np.mean(known < blur_most + _PURE))


def _grid(shown: ShownClock, nominal: float, blur_most: float) -> _Grid:
    """Find the updates' grid, in ever longer blocks for as long as one phase holds."""
    count, length = len(shown.time), min(_BLOCK, len(shown.time))
    span = _PERIOD_SPAN
    if _pure_share(shown, blur_most) < _PURE_LEAST:
        return _Grid(nominal, length, 0.0)
    best = _search(shown, _Grid(nominal, length, 0.0), span, 121)
    if best.clear < _HELD:
        return _Grid(nominal, length, best.clear)
    while best.length < count:
        length = min(2 * best.length, count)
        span *= 0.25 if span == _PERIOD_SPAN else 0.5
        longer = _search(shown, _Grid(best.period, length, 0.0), span, 61)
        if longer.clear < 0.9 * best.clear:
            break
        best = longer
    return best


def _search(shown: ShownClock, grid: _Grid, span: float, steps: int) -> _Grid:
    tried = grid.period * (1 + np.linspace(-span, span, steps))
    clear = [_clear(shown, float(period), grid.length) for period in tried]
    best = int(np.argmax(clear))
    return _Grid(float(tried[best]), grid.length, clear[best])


def _phases(shown: ShownClock, grid: _Grid) -> Array:
    """Phase of the updates for each frame, ms."""
    turns = _turning(shown, grid.period)
    phases = np.empty(len(turns))
    for rows in _blocks(len(turns), grid.length):
        phases[rows] = np.angle(turns[rows].sum()) / (2 * np.pi) * grid.period
    return phases


@dataclass(frozen=True, slots=True)
class _Fit:
    """Moments that each frame may have, and how ill they fit, both (N, M); variance of the blur."""

    moments: Array
    misfit: Array
    blur: float


def _fit(
    shown: ShownClock, period: float, phases: Array, model: _Model, blur: float | None,
    blur_most: float = math.inf,
) -> _Fit:  # fmt: skip
    """Compare the frames with the model; the blur is found too where it is not given."""
    # Seldom is a band unseen, and a mean that allows for it takes several times as long.
    whole = bool(np.isfinite(shown.time).all() and np.isfinite(shown.square).all())
    mean_of = np.mean if whole else np.nanmean
    steps = period * np.linspace(-REACH, REACH, _FEW if blur is None else _MOMENTS)
    moments = mean_of(shown.time, axis=1)[:, None] + period / 2 + steps
    mean, variance = mixture(period, model.exposure, model.answer)
    at = moments[:, :, None] + model.delay * shown.heights
    turn = (at + model.answer - (phases[:, None, None] + model.shift)) / period
    index = ((turn % 1.0) * PHASES).astype(np.intp) % PHASES
    off = at + mean[index] - (shown.time + period / 2)[:, None, :]
    extra = shown.square[:, None, :] - variance[index]

    def misfit(blur: float) -> Array:
        # A tone curve that is not quite the assumed one weights a mixture wrongly.
        mixed = TONE * np.clip(shown.square - blur, 0, None)
        chi = off**2 / (NOISE_MS**2 + (mixed / period) ** 2)[:, None, :]
        chi += (extra - blur) ** 2 / (NOISE_SQUARE**2 + mixed**2)[:, None, :]
        return np.asarray(WEIGHT * mean_of(chi, axis=2), np.float64)

    if blur is None:
        best = np.argmin(misfit(0.0), axis=1)
        blur = float(np.nanmedian(extra[np.arange(len(best)), best]))
        blur = min(max(0.0, blur), blur_most)
    return _Fit(moments, misfit(blur), blur)


def _explain(shown: ShownClock, period: float, phases: Array, blur_most: float) -> list[_Model]:
    """Models that explain the frames, the best one first, then others that do about as well."""

    def model(x: Array) -> _Model:
        return _Model(
            period * float(np.exp(np.clip(x[0], -4, 1.2))),
            period * float(np.exp(np.clip(x[1], -5, 0))),
            period * float(x[2]),
            period * float(x[3]),
        )

    def cost(x: Array) -> float:
        return -likelihood(_fit(shown, period, phases, model(x), None, blur_most).misfit)

    starts = [
        np.array([exposure, -2.3, delay, shift])
        for exposure in np.log([0.06, 0.12, 0.25, 0.5, 0.75, 1.0, 1.4, 2.0])
        for delay in np.linspace(-1.2, 1.2, 13)
        for shift in (0.0, 0.12, -0.12)
    ]
    from scipy.optimize import minimize  # half a second that only clips of the clock need

    costs = [cost(x) for x in starts]
    how = {"maxfev": 150, "xatol": 5e-3, "fatol": 2e-3}
    found = [
        minimize(cost, starts[place], method="Nelder-Mead", options=how)
        for place in np.argsort(costs)[:3]
    ]
    best = min(found, key=lambda each: float(each.fun))
    models = [(float(each.fun), model(each.x)) for each in found]
    for exposure in np.concatenate([np.arange(-3.0, -0.1, 0.25), np.log(np.arange(0.8, 2.6, 0.1))]):
        for answer in (-3.0, -2.0, -1.3):
            other = model(np.array([exposure, answer, *best.x[2:]]))
            fit = _fit(shown, period, phases, other, None, blur_most)
            models.append((-likelihood(fit.misfit), other))
    as_well = [each for each in models if each[0] < best.fun + _AS_WELL]
    # Of models that fare alike the one with the smallest steps is taken: it errs least.
    as_well.sort(key=lambda each: (each[0] > best.fun + _ALIKE, _steps(period, each[1])))
    return [each for _, each in as_well]


def _steps(period: float, model: _Model) -> float:
    """Standard deviation of what a model shows about the moment, ms."""
    return float(np.std(mixture(period, model.exposure, model.answer)[0]))


def _posterior(fit: _Fit) -> tuple[Array, Array]:
    """Mean and standard deviation of the moment, every moment being as likely beforehand."""
    least = fit.misfit.min(axis=1)
    weight = np.exp(-(fit.misfit - least[:, None]) / 2)
    weight /= weight.sum(axis=1, keepdims=True)
    time = np.sum(weight * fit.moments, axis=1)
    spread = np.sum(weight * (fit.moments - time[:, None]) ** 2, axis=1)
    # A frame that no moment explains says less than one that does.
    lost = np.clip(least / WEIGHT - 4.0, 0, None) * NOISE_MS**2
    return time, np.sqrt(spread + lost + NOISE_MS**2 / WEIGHT)


def roughness(time: Array, stamp: Array) -> float:
    """Standard deviation by which single frames stand off the stamps' steps, ms.

    Steps of the screen count, pictures lost do not.

    Args:
        time, stamp: ndarray (N,). Moments read, and the file's stamps, ms.
    """
    off = np.diff(time - stamp)
    near = off[np.isfinite(off) & (np.abs(off) < _SIDE_MOST)]
    return float(np.std(near)) / math.sqrt(2) if near.size else math.inf


def sideways(time: Array, stamp: Array, place: Array) -> tuple[float, float]:
    """How much later the right end of the bar's way is seen than the left one.

    A screen held upright, or a camera on its side, scans along the bar's way: what is read then
    depends on where the bar stands, which the frames' own stamps show.

    Args:
        time, stamp: ndarray (N,). Moments read, and the file's stamps, ms.
        place: ndarray (N,). Where the bar stands, 0 to 1.

    Returns:
        delay, u: ms; both 0 where the frames do not tell.
    """
    off, where = np.diff(time - stamp), np.diff(place)
    near = np.isfinite(off) & (np.abs(off) < _SIDE_MOST) & (np.diff(stamp) < _SIDE_APART)
    if near.sum() < _SIDE_LEAST:
        return 0.0, 0.0
    off, where = off[near] - np.median(off[near]), where[near]
    square = float(np.sum(where**2))
    slope = float(np.sum(where * off)) / square
    rest = off - slope * where
    return slope, float(np.sqrt(np.mean(rest**2) / square))
