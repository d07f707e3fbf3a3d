"""Knocks in sound, acceleration and picture, and which of them are the same."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, stats

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.statistics import robust_spread

Floats = npt.NDArray[np.float64]

BIN = 1e-3
"""s; sound is looked at in means of so long, well below any logger's step."""
_BEFORE = 60  # bins before a knock that it must stand out of (a judgement)
_SUDDEN = 100.0  # times their mean power, 20 dB: no voice sets in so within 5 ms (a judgement)
_RISE = 5  # bins in which a knock on a body rises to its peak (a judgement)
_APART = 0.12  # s; nearer shocks are the ringing of one knock (a judgement)
_SHOCK = 10.0  # robust deviations of the record at rest about it (a judgement)
_LEAST_SHOCK = 1.0  # m/s²; a knuckle gives 5 and more (a judgement)
_LONGEST = 0.15  # s; what lasts longer is a push, not a knock (a judgement)
_AROUND = 0.5  # s about a shock whose middle is taken for rest (a judgement)
_CLOCKS = 300e-6
"""By which two clocks may run apart: quartz of cheap loggers in heat and cold (a judgement)."""
_CHANCE = 0.01  # of sets of knocks that fit by chance alone; beyond, it is no answer
_LOUDER, _HARDER = 4.0, 2.0
"""A single knock must stand out from every other sound (in power) and shock by so much; two that
are alike may be anything (a judgement)."""
_JUMP = 2.0
"""Times the 98 % quantile of changes away from knocks, key frames among them (a judgement)."""
_QUIET = 30  # pictures away from knocks that tell what is usual (a judgement)


@dataclass(frozen=True, slots=True, eq=False)
class Shocks:
    """Sudden events: time (s) and strength of each, in order."""

    time: Floats
    strength: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Matched:
    """Knocks of both: seconds of the sound and of the log."""

    heard: Floats
    logged: Floats


def sudden_sounds(power: Floats, start: float) -> Shocks:
    """Return where the sound sets in at once.

    Args:
        power: (N,). Mean square per bin.
        start: Second of the file at which the first bin begins.
    """
    if power.size < 2 * _BEFORE:
        return Shocks(np.empty(0), np.empty(0))
    total = np.concatenate([[0.0], np.cumsum(power)])
    k = np.arange(_BEFORE, power.size - _RISE)
    before = (total[k] - total[k - _BEFORE]) / _BEFORE
    peak = ndimage.maximum_filter1d(power, _RISE, origin=-(_RISE // 2))[k]
    floor = max(1e-12, 1e-3 * float(np.median(power)))
    ratio = peak / np.maximum(before, floor)
    found: list[tuple[float, float]] = []
    for first, last in _stretches(ratio > _SUDDEN):
        top = float(peak[first:last].max())
        # The onset is the first bin of a tenth of the peak.
        at = k[first] + int(np.argmax(power[k[first] : k[last - 1] + _RISE] > 0.1 * top))
        moment = start + (at + 0.5) * BIN
        if found and moment - found[-1][0] < _APART:
            found[-1] = found[-1][0], max(found[-1][1], top)
        else:
            found.append((moment, top))
    return _shocks(found)


def sudden_shocks(time: Floats, accel: Floats) -> tuple[Shocks, float]:
    """Return short shocks of a log and its step, s.

    Args:
        time: (N,). s, rising.
        accel: (N, axes). m/s².
    """
    step = float(np.median(np.diff(time)))
    wide = 2 * max(1, round(_AROUND / step / 2)) + 1
    rest = np.stack([ndimage.median_filter(a, wide, mode="nearest") for a in accel.T], 1)
    away = np.linalg.norm(accel - rest, axis=1)
    spread = np.maximum(robust_spread(away, about=0), 1e-9)
    found: list[tuple[float, float]] = []
    for first, last in _stretches(away > max(_SHOCK * float(spread), _LEAST_SHOCK)):
        top = float(away[first:last].max())
        if time[last - 1] - time[first] > _LONGEST:
            continue
        # Between the last sample at rest and the first beyond.
        moment = float(time[first] + time[max(first - 1, 0)]) / 2
        if found and moment - found[-1][0] < _APART:
            found[-1] = found[-1][0], max(found[-1][1], top)
        else:
            found.append((moment, top))
    return _shocks(found), step


def match(heard: Shocks, logged: Shocks, step: float) -> Matched:
    """Return the knocks that both have.

    Raises:
        CannotMeasure: Nothing in one of them, or more than one way to lay one on the other.
    """
    if not heard.time.size or not logged.time.size:
        where = "sound" if not heard.time.size else "log"
        raise CannotMeasure(
            f"No knock stands out in the {where}.",
            "Knock harder, on camera and logger together, in a quiet place, the craft held still.",
        )
    span = max(float(np.ptp(heard.time)), 1.0)
    near = step + 2 * BIN + _CLOCKS * span
    n, m = heard.time.size, logged.time.size
    usual = (n - 1) * (m - 1) * 2 * near / max(span, float(np.ptp(logged.time)))

    def by_chance(pairs: int) -> bool:
        """Tell whether so many pairs at one offset may be chance."""
        return bool(n * m * stats.poisson.sf(pairs - 2, usual) > _CHANCE)

    refusal = CannotMeasure(
        f"{n} sudden sounds and {m} shocks fit together in more than one way.",
        "Knock three times, unevenly (short, long), before the flight and after it; cut noise "
        "off the clip.",
    )
    shifts, most = _offsets(heard.time, logged.time, near)
    found = [_overlay(heard.time, logged.time, near, shifts[0])]
    best = found[0]
    if len(best.pairs) > 1 and by_chance(most[0]):
        raise refusal  # fewer pairs are chance the more
    for shift, pairs in zip(shifts[1:], most[1:], strict=True):
        if pairs < len(best.pairs):
            break  # neither better nor as good
        found.append(_overlay(heard.time, logged.time, near, shift))
        best = max(best, found[-1], key=lambda o: (len(o.pairs), -o.away))
    if len(best.pairs) < 2:
        return _single(heard, logged)
    rivals = [o for o in found if abs(o.shift - best.shift) > 3 * near]
    if by_chance(len(best.pairs)) or any(len(o.pairs) == len(best.pairs) for o in rivals):
        raise refusal
    i, j = best.pairs.T
    return Matched(heard.time[i], logged.time[j])


@dataclass(frozen=True, slots=True, eq=False)
class _Overlay:
    """The log laid on the sound at one offset: what pairs, (K, 2), and how far off, s, in all."""

    shift: float
    pairs: npt.NDArray[np.intp]
    away: float


def _offsets(heard: Floats, logged: Floats, near: float) -> tuple[list[float], list[int]]:
    """Return all offsets that lay two events on each other, and the most pairs of each.

    Those with most stand first; an offset pairs no more than there are offsets beside it.
    """
    shifts = np.sort((logged[None, :] - heard[:, None]).ravel())
    first = np.searchsorted(shifts, shifts - near - 1e-9)
    last = np.searchsorted(shifts, shifts + near + 1e-9, "right")
    order = np.argsort(first - last, kind="stable")
    return shifts[order].tolist(), (last - first)[order].tolist()


def _overlay(heard: Floats, logged: Floats, near: float, shift: float) -> _Overlay:
    away = np.abs(logged[None, :] - heard[:, None] - shift)
    i, j = np.arange(heard.size), away.argmin(axis=1)
    paired = (away[i, j] <= near) & (away.argmin(axis=0)[j] == i)
    pairs = np.stack([i, j], axis=1)[paired]
    return _Overlay(shift, pairs, float(away[pairs[:, 0], pairs[:, 1]].sum()))


def _single(heard: Shocks, logged: Shocks) -> Matched:
    for shocks, times, what in ((heard, _LOUDER, "sounds"), (logged, _HARDER, "shocks")):
        order = np.sort(shocks.strength)[::-1]
        if order.size > 1 and order[0] < times * order[1]:
            raise CannotMeasure(
                f"{order.size} sudden {what} are much alike, and no pattern of them is in sound "
                "and log.",
                "Knock three times, unevenly (short, long), so that the knocks know each other.",
            )
    i, j = int(heard.strength.argmax()), int(logged.strength.argmax())
    return Matched(heard.time[[i]], logged.time[[j]])


def jumps(stamps: Floats, changes: Floats, heard: Floats) -> Floats:
    """Return the stamp of the first picture that jumps at each knock, NaN where none does.

    Args:
        stamps, changes: (N,). s, and change from the picture before.
        heard: (M,). s of the file.
    """
    found = np.full(heard.size, np.nan)
    frame = float(np.median(np.diff(stamps)))
    away = np.abs(stamps[:, None] - heard[None, :]).min(axis=1)
    quiet = changes[(away > _AROUND) & np.isfinite(changes)]
    if quiet.size < _QUIET:
        return found
    usual = float(np.quantile(quiet, 0.98))
    for i, at in enumerate(heard):
        # Sound may be late by 125 ms or early by 45 (ITU-R BT.1359, from memory), and a frame.
        near = np.flatnonzero((stamps > at - 0.125 - frame) & (stamps < at + 0.045 + 2 * frame))
        high = near[changes[near] > _JUMP * usual]
        # Where it swings from the knock before, the beginning cannot be told.
        if high.size and high[0] > near[0]:
            found[i] = stamps[high[0]]
    return found


def _stretches(there: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], there, [0]))))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _shocks(found: list[tuple[float, float]]) -> Shocks:
    both = np.array(found, float).reshape(-1, 2)
    return Shocks(both[:, 0], both[:, 1])
