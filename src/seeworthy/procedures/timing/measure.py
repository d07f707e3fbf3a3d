"""Time stamps of a clip: its regime, rate, jitter and the gaps in it.

A gap alone does not make a dropped frame: phones lengthen the exposure in the dark,
and the rate of the recording follows. So the regime is found first, and a gap counts
only where the cadence on both sides of it leaves an empty place. Where the cadence
itself wanders too much to tell, the place is named as undecidable.

All arrays of stamps are integers in ticks, frames in presentation order from 0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from seeworthy.ground.lines import straight_line
from seeworthy.ground.statistics import lag1_autocorrelation, robust_spread
from seeworthy.procedures.timing.cadence import (
    FAR,
    LONG,
    PAUSE,
    SIDE,
    Cadence,
    Regime,
    find_cadence,
    runs,
)
from seeworthy.procedures.timing.grid import follow, tuned
from seeworthy.procedures.timing.places import number_places
from seeworthy.procedures.timing.spans import Span, merge_spans

Floats = npt.NDArray[np.float64]

# So many equal long intervals in a row are a spell at a slower rate, not drops.
SPELL = 4
# An empty place must stand out of the cadence's own wander by so many deviations.
CERTAIN = 5.0
# More empty places than this are not numbered one by one.
_MOST_EMPTY = 2000
# Ticks longer than this part of an interval cannot carry a jitter.
COARSE = 0.1

WANDERS = "the frame rate itself wanders here, so a gap may be a long exposure or a drop"
STARTS = "the recording began with a pause: still starting, or frames lost"
UNSETTLED = "no steady cadence on both sides, so a long wait may be a pause or a drop"
SPELL_REASON = "a short spell at a slower rate, or one frame lost after every frame kept"


@dataclass(frozen=True, slots=True)
class Gap:
    """An empty place in the cadence.

    Attributes:
        before: Number of the frame before it.
        missing: Frames that would have filled it.
        interval: Its length in seconds.
    """

    before: int
    missing: int
    interval: float


@dataclass(frozen=True, slots=True)
class StampTiming:
    """What the stamps say; times in seconds, rates in hertz.

    Attributes:
        regime: {"constant", "uneven", "two rates", "variable"}. Uneven: one rate, but the waits
            scatter about it by more than a twentieth.
        rate, u_rate, dof: Pictures per second that are in the file, gaps included, a first pause
            left out.
        pause: Wait after the first frame where it is a pause of a recording that starts, s; else 0.
        jitter, u_jitter: Root mean square deviation of a stamp from the even cadence around it, in
            seconds, without the rounding of the stamps to their time base.
        jitter_interval: 95 % interval of the jitter.
        rates: Each cadence and the share of intervals that keep it, most frequent first.
        longest: Longest interval between frames.
        backward: Frames whose stamp does not lie after that of the frame before.
        coarse: True when a tick is so long that the stamps only count frames.
        n: Stamps used.
    """

    regime: Regime
    rate: float
    u_rate: float
    dof: float
    jitter: float
    u_jitter: float
    jitter_interval: tuple[float, float]
    rates: tuple[tuple[float, float], ...]
    gaps: tuple[Gap, ...]
    undecidable: tuple[Span, ...]
    longest: float
    backward: tuple[int, ...]
    coarse: bool
    n: int
    pause: float = 0.0


def read_stamps(ticks: Sequence[int] | npt.NDArray[np.int64], time_base: Fraction) -> StampTiming:
    """Find regime, rate, jitter and gaps.

    Args:
        ticks: sequence of int, shape (n,). Stamps of successive frames.
        time_base: Seconds per tick.

    Raises:
        ValueError: Fewer than three stamps, or no time passes between them.
    """
    whole = np.asarray(ticks, np.int64)
    if len(whole) < 3:
        raise ValueError("a rate needs at least three time stamps")
    steps = np.diff(whole) * float(time_base)
    middle = float(np.median(steps))
    if not whole[-1] > whole[0] or not middle > 0:
        raise ValueError("no time passes between the stamps")
    if len(whole) < 4 or steps[0] < PAUSE * middle:
        return _read(whole, float(time_base))
    said = _read(whole[1:], float(time_base))
    wanders = said.regime in ("two rates", "variable")
    if wanders and steps[0] < FAR * steps[1 : SIDE + 1].max():
        return _read(whole, float(time_base))  # one long wait among others
    doubts = tuple(replace(s, first=s.first + 1, last=s.last + 1) for s in said.undecidable)
    if steps[0] >= LONG * middle:
        doubts = merge_spans([Span(0, 1, STARTS), *doubts])
    return replace(
        said,
        gaps=tuple(replace(g, before=g.before + 1) for g in said.gaps),
        undecidable=doubts,
        longest=max(said.longest, float(steps[0])),
        backward=tuple(i + 1 for i in said.backward),
        n=said.n + 1,
        pause=float(steps[0]),
    )


def in_doubt(
    said: StampTiming, ticks: npt.NDArray[np.int64], time_base: Fraction
) -> tuple[int, ...]:
    """Return the frames that would have filled each long wait that is not decided."""
    places = np.diff(ticks) * float(time_base) * said.rates[0][0]
    sure = {g.before for g in said.gaps}
    return tuple(
        max(1, round(float(places[i])) - 1)
        for i in (i for s in said.undecidable for i in range(s.first, s.last))
        if places[i] >= LONG and i not in sure
    )


def _read(whole: npt.NDArray[np.int64], tick: float) -> StampTiming:
    t = (whole - whole[0]).astype(float) * tick
    steps = np.diff(t)
    cadence = find_cadence(t, steps)
    gaps, undecidable = _judge(t, cadence)
    gridded = cadence.regime in ("constant", "uneven")
    if gridded:
        gaps = _on_grid(t, cadence, gaps, undecidable)
    empty = np.zeros(len(steps))
    for gap in gaps:
        empty[gap.before] = gap.missing
    if gridded and not undecidable:
        place = np.concatenate([[0.0], np.cumsum(empty + 1.0)])
        rate, u_rate, residuals = _rate(t, place, tick)
        lost = 2
    else:
        residuals, lost = _bow(t, cadence), 0
        rate, u_rate = _mean_rate(t, residuals, tick)
    jitter, u_jitter, interval = _jitter(residuals, tick, lost)
    return StampTiming(
        cadence.regime,
        rate,
        u_rate,
        len(t) - 2.0 if lost else math.inf,
        jitter,
        u_jitter,
        interval,
        cadence.rates,
        gaps,
        undecidable,
        float(steps.max()),
        tuple(int(i) + 1 for i in np.flatnonzero(steps <= 0)),
        tick > COARSE * float(np.median(steps)),
        len(t),
    )


def _judge(t: Floats, cadence: Cadence) -> tuple[tuple[Gap, ...], tuple[Span, ...]]:
    """Tell empty places from long exposures."""
    if not cadence.long.any():
        return (), ()
    wander = _wander(t, cadence)
    steps = cadence.steps
    gaps: list[Gap] = []
    doubts: list[Span] = []
    for first, last in runs(cadence.long):
        reason = ""
        if last - first + 1 >= SPELL and _equal(steps[first : last + 1]):
            reason = SPELL_REASON
        elif cadence.crowded[first : last + 1].any():
            reason = WANDERS
        elif cadence.lonely[first : last + 1].any():
            reason = UNSETTLED
        if reason:
            doubts.append(Span(first, last + 1, reason))
            continue
        for i in range(first, last + 1):
            places = _places(t, cadence, i)
            if places < LONG:
                continue  # a late stamp that its neighbours make up for
            # On one even grid all stamps together decide, see `_on_grid`.
            if cadence.regime != "constant" and (places - 1.0) < CERTAIN * wander:
                doubts.append(Span(i, i + 1, WANDERS))
            else:
                gaps.append(Gap(i, max(1, math.floor(places + 0.5) - 1), float(steps[i])))
    return tuple(gaps), merge_spans(doubts, near=SIDE)


def _on_grid(
    t: Floats, cadence: Cadence, gaps: tuple[Gap, ...], doubts: tuple[Span, ...]
) -> tuple[Gap, ...]:
    """Number all stamps on the one even grid at once; doubtful spans stay doubtful."""
    if not cadence.long.any():
        return gaps
    step, phase = tuned(t[:512], float(cadence.local[0]))
    place = follow(t, step, phase)
    for _ in range(2):
        line = straight_line(place, t, x0=float(place.mean()))
        most = int(place[-1]) - (len(t) - 1) + 2
        if not 0 <= most <= _MOST_EMPTY:
            return gaps
        place = number_places(t, line.slope, float(line.at(0.0)[0]), most).astype(float)
    empty = np.diff(place) - 1.0
    return tuple(
        Gap(int(i), int(empty[i]), float(cadence.steps[i]))
        for i in np.flatnonzero(empty > 0)
        if not any(s.holds(int(i)) for s in doubts)
    )


def _equal(steps: Floats) -> bool:
    return bool(steps.max() < 1.2 * steps.min())


def _places(t: Floats, cadence: Cadence, i: int) -> float:
    """Length of interval `i` in places of the cadence: 1 when nothing is missing.

    Both sides vote for the phase of the cadence, so that one late stamp, made up
    for by the next one, leaves no place empty.
    """
    long, step = cadence.long, float(cadence.local[i])
    left = i
    while left > 0 and not long[left - 1] and i - left < SIDE:
        left -= 1
    right = i + 1
    while right < len(t) - 1 and not long[right] and right - i - 1 < SIDE:
        right += 1
    before = t[left : i + 1] - step * np.arange(left - i, 1)
    after = t[i + 1 : right + 1] - step * np.arange(0, right - i)
    return float(np.median(after) - np.median(before)) / step


def _wander(t: Floats, cadence: Cadence) -> float:
    """How much `_places` scatters where nothing is missing (robust deviation)."""
    quiet = np.flatnonzero(~cadence.long)
    if len(quiet) < 4:
        return math.inf
    sample = quiet[np.unique(np.linspace(0, len(quiet) - 1, 200).astype(int))]
    places = np.array([_places(t, cadence, int(i)) for i in sample])
    return robust_spread(places, about=1)


def _rate(t: Floats, place: Floats, tick: float) -> tuple[float, float, Floats]:
    """Rate, its u and the residuals from the regression of the stamps on their places."""
    line = straight_line(place, t, x0=float(place.mean()))
    residuals = np.asarray(t - line.at(place)[0])
    rounding = tick / math.sqrt(12.0)
    spread = max(line.s, rounding)
    rho = lag1_autocorrelation(residuals) if line.s > 0.01 * rounding else 0.0
    # Neighbouring stamps that err together tell less than their number.
    spread *= math.sqrt(max(1.0, (1.0 + rho) / max(0.05, 1.0 - rho)))
    u_step = spread / math.sqrt(float(((place - place.mean()) ** 2).sum()))
    rate = (len(t) - 1.0) / (place[-1] * line.slope)
    return float(rate), float(rate * u_step / line.slope), residuals


def _mean_rate(t: Floats, residuals: Floats, tick: float) -> tuple[float, float]:
    """Frames over time: the mean of a rate that changes; both end stamps may be off."""
    rate = (len(t) - 1) / float(t[-1])
    one = math.hypot(tick / math.sqrt(12.0), float(np.sqrt(np.mean(residuals**2))))
    return rate, rate * math.sqrt(2.0) * one / float(t[-1])


def _bow(t: Floats, cadence: Cadence) -> Floats:
    """Deviation of each stamp from the middle of its neighbours, scaled to one stamp.

    A slow change of rate cancels; white jitter of s gives s·sqrt(1.5) before scaling.
    """
    bow = t[1:-1] - 0.5 * (t[:-2] + t[2:])
    long, local = cadence.long, cadence.local
    steady = ~long[1:] & ~long[:-1] & (np.abs(np.diff(local)) < 0.05 * local[1:])
    chosen = bow[steady] if steady.sum() >= 3 else bow
    return np.asarray(chosen / math.sqrt(1.5))


def _jitter(residuals: Floats, tick: float, lost: int) -> tuple[float, float, tuple[float, float]]:
    """Root mean square jitter without the rounding, its u and 95 % interval."""
    # `scipy.stats` takes half a second to import; this is its chi2.ppf.
    from scipy.special import gammaincinv

    dof = max(1, len(residuals) - lost)
    square = float((residuals**2).sum()) / dof
    rounding = tick**2 / 12.0 if square > 0 else 0.0
    low, high = (square * dof / (2.0 * gammaincinv(dof / 2.0, p)) for p in (0.975, 0.025))

    def bare(value: float) -> float:
        return math.sqrt(max(0.0, value - rounding))

    jitter = bare(square)
    floor = tick / math.sqrt(12.0)
    scatter = square / math.sqrt(2.0 * dof) / max(jitter, math.sqrt(square / 2.0), 1e-300)
    u = math.hypot(scatter if square else 0.0, 0.0 if jitter > 3 * floor else floor)
    reach = 0.0 if jitter > 3 * floor else 2.0 * floor
    return jitter, u, (max(0.0, bare(low) - reach), max(jitter, bare(high)) + reach)
