"""What an accelerometer log says: rest, direction of flight, gravity in or out, boost.

The accelerometer rests on the pad before launch. Whatever it reads there is gravity
(if the logger left it in) plus bias, so the reading minus the mean at rest is dv/dt as
long as the craft keeps its attitude, which it does in boost. What the camera feels is
that plus gravity: at rest 1 g, in free fall 0.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.load.atmosphere import G0
from seeworthy.procedures.load.push import (
    LEAST_SPEED,
    Boost,
    Felt,
    falls_free,
    find_boost,
    runs,
)
from seeworthy.procedures.load.saturation import find_stop
from seeworthy.procedures.load.series import Series, rest_noise

__all__ = ["SCALE_U", "Boost", "Felt", "check_size", "into_flight"]

Floats = NDArray[np.float64]

COUNTS = (16384, 8192, 4096, 2048, 1024, 512, 256)
"""Counts for 1 g of sensors whose range is a power of two (data sheets)."""
SCALE_U = 0.02
"""Relative standard uncertainty of an uncalibrated accelerometer's sensitivity."""


def into_flight(
    series: Series,
    names: tuple[str, ...],
    gravity: str = "",
    sin_path: float | None = None,
    *,
    until: float = np.inf,
    limit: float = 0.0,
) -> tuple[Felt, Boost | None]:
    """Find rest, direction and gravity in an accelerometer log, and the boost.

    Args:
        series: (N, axes) in m/s².
        names: Names of the axes.
        gravity: {"", "included", "removed"}. The user's word; empty to find out.
        sin_path: The user's word on the launch angle.
        until: The top of the flight by the height log, s; a push comes before it.
        limit: The sensor's range as the user read it, m/s²; 0 to find it in the samples.

    Raises:
        CannotMeasure: The numbers cannot be accelerations in the unit they were read in.
    """
    check_size(series)
    values = series.values
    start = _rest_end(series)
    rest_n = start
    rest = np.mean(values[:start], axis=0) if start else np.zeros(values.shape[1])
    sigma = float(
        np.median([rest_noise(values[: start or None, k], series.step) for k in range(len(names))])
    )
    change = values - rest
    early = series.time < until
    if np.count_nonzero(early) < 8:
        early = np.ones(early.size, bool)
    direction = _direction(
        series.time[early], change[early], sigma, quiet(values, rest)[early], rest
    )
    along = change @ direction
    size = float(np.linalg.norm(rest))
    base = Felt(
        series.time, along, along, sigma, _main_rest(rest, direction), rest_n, "", "",
        _name(direction, names), 1.0, _bias_u(values[:start], sigma, series.step), SCALE_U,
        series.step, len(names),
    )  # fmt: skip
    stop = find_stop(values, series.step, limit)
    base = replace(
        base,
        full_scale=None if stop is None else stop.level,
        clipped=None if stop is None else stop.at,
        quiet=quiet(values, rest),
    )  # fmt: skip
    boost = find_boost(base, base.quiet, until)
    if rest_n == 0 and len(names) == 1:
        base, boost = _without_rest(base, boost, gravity)
        change = base.along[:, None] * direction
    base = _with_gravity(base, rest, size, direction, boost, gravity, sin_path)
    felt = _felt(change, rest, size, direction, base)
    if boost is None or not base.stuck(boost.launch, boost.burnout):
        base = replace(base, full_scale=None)
    return replace(base, felt=felt), boost


def check_size(series: Series) -> None:
    """Refuse readings that cannot be accelerations in the unit they were read in."""
    first = series.values[: max(3, min(20, series.values.shape[0] // 20))]
    rest = float(np.linalg.norm(np.median(first, axis=0)))
    for factor, name in ((G0, "m/s2 that were read as g"), (1 / G0, "g that were read as m/s2")):
        if 0.93 < rest / (factor * G0) < 1.07 and (
            _has_flight(series, rest) if factor > 1 else _has_jump(series)
        ):
            raise CannotMeasure(
                f"At rest the accelerometer reads {rest / G0:.3g} g: these look like {name}.",
                f"Say so with option units=acceleration:{'m/s2' if factor > 1 else 'g'}.",
            )
    gained = np.sum(np.abs(series.values[1:]).max(axis=1) * np.diff(series.time).clip(0, 1))
    peak = float(np.abs(series.values).max())
    mean = float(np.median(np.sort(np.abs(series.values).max(axis=1))[-20:]))
    counts = next((c for c in COUNTS if abs(rest / (c * G0) - 1) < 0.04), 0) or next(
        (c for c in COUNTS if abs(rest / c - 1) < 0.04), 0
    )
    if mean > 250 * G0 and counts:
        raise CannotMeasure(
            f"At rest the accelerometer reads {counts}: these look like a converter's counts, "
            f"{counts} of them for 1 g.",
            f"Divide the column by {counts} and call it g.",
        )
    if mean > 250 * G0 or (mean > 100 * G0 and gained > 2000):
        raise CannotMeasure(
            f"An acceleration of {peak / G0:.0f} g over many samples is not that of a flight.",
            "The unit is probably another one: say units=acceleration:m/s2 (or ft/s2).",
        )


def _has_flight(series: Series, rest: float) -> bool:
    """A rest is far below the flight's own peaks; a push at the log's start is the peak."""
    return float(np.abs(series.values).max()) > 2 * rest


def _has_jump(series: Series) -> bool:
    """A log in g read as m/s²: at rest 0.98…1.02, in flight tens at most."""
    return float(np.abs(series.values).max()) < 60.0


def _rest_end(series: Series) -> int:
    """Return how many samples at the start are at rest; 0 when the log starts in flight."""
    y = series.values
    head = y[: max(5, min(25, y.shape[0] // 10))]
    level = np.median(head, axis=0)
    sigma = max(rest_noise(head[:, k], series.step) for k in range(y.shape[1]))
    size = float(np.linalg.norm(level))
    if size > 1.4 * G0:
        return 0
    away = np.linalg.norm(y - level, axis=1) > max(6 * sigma, 1.5)
    # Two in a row, so that one knock or one broken sample does not end the rest.
    pairs = np.flatnonzero(away[:-1] & away[1:])
    end = int(pairs[0]) if pairs.size else y.shape[0]
    if end < 3:
        return 0
    # Ignition shakes a rail before it pushes: leave the last tenth out.
    return max(3, end - max(1, end // 10))


def _direction(
    time: Floats, change: Floats, sigma: float, quiet: NDArray[np.bool_], rest: Floats
) -> Floats:
    """Return the unit vector along which the first hard push points."""
    if change.shape[1] == 1:
        first = _first_push(time, np.where(quiet, 0.0, change[:, 0]), sigma, float(rest[0]))
        return np.array([1.0 if first >= 0 else -1.0])
    size = np.where(quiet, 0.0, np.linalg.norm(change, axis=1))
    thr = max(8 * sigma, 0.3 * float(np.quantile(size, 0.999)), 3.0)
    hard = np.flatnonzero(size > thr)
    if not hard.size:
        axis = np.zeros(change.shape[1])
        axis[int(np.argmax(np.abs(change).max(axis=0)))] = 1.0
        return axis
    breaks = np.flatnonzero(np.diff(hard) > 3)
    run = hard[: breaks[0] + 1] if breaks.size else hard
    mean = change[run].sum(axis=0)
    return np.asarray(mean / np.linalg.norm(mean))


def _first_push(time: Floats, y: Floats, sigma: float, rest: float) -> float:
    """Return +1 or −1: which way the first push worth the name points.

    Free flight follows a push; what hangs under a parachute or flies free reads one or two
    g the other way for far longer, and nothing falls freely after it. An axis that reads 1 g on
    the pad stands upright: nothing is launched downwards from there, however hard the air brakes
    it later.
    """
    pushes = [
        (time[a], sign, gain, falls_free(time, sign * y, b, gain))
        for sign in (1.0, -1.0)
        for a, b, gain in runs(time, sign * y, max(5 * sigma, 2.0))
        if gain > LEAST_SPEED
    ]
    upright = 0.7 * G0 < abs(rest) < 1.35 * G0
    pushes = [p for p in pushes if p[1] == np.sign(rest)] or pushes if upright else pushes
    pushes = [p for p in pushes if p[3]] or pushes
    most = max((gain for _, _, gain, _ in pushes), default=0.0)
    return min(((p[0], p[1]) for p in pushes if p[2] > 0.4 * most), default=(0, 1.0))[1]


def quiet(values: Floats, rest: Floats) -> NDArray[np.bool_]:
    """Mark samples that no push explains: about 1 g, however the sensor is turned.

    Of one axis that reads 1 g at rest all between −1.2 g and 1.2 g is lying, hanging or
    falling; of three the length is meant, and free fall is told by the axis itself.
    """
    size = float(np.linalg.norm(rest))
    length = np.linalg.norm(values, axis=1)
    if values.shape[1] > 1:
        return np.asarray(np.abs(length - size) < 0.15 * G0)
    if 0.7 * G0 < size < 1.35 * G0:
        return np.asarray(length < 1.2 * G0)
    return np.zeros(values.shape[0], bool)


def _main_rest(rest: Floats, direction: Floats) -> float:
    return float(rest @ direction) if rest.size == 1 else float(np.linalg.norm(rest))


def _bias_u(rest: Floats, sigma: float, step: float) -> float:
    n = rest.shape[0]
    if n == 0:
        return 0.05 * G0
    still = bool(np.ptp(rest, axis=0).max() == 0)
    # A sensor that does not flicker hides its rest anywhere within one step.
    return float(np.hypot(step / np.sqrt(12) if still else sigma / np.sqrt(n), 0.05))


def _name(direction: Floats, names: tuple[str, ...]) -> str:
    if direction.size == 1:
        return ("+" if direction[0] > 0 else "−") + (names[0] or "axis")
    if np.abs(direction).max() > 0.995:
        k = int(np.argmax(np.abs(direction)))
        return ("+" if direction[k] > 0 else "−") + names[k]
    return " ".join(f"{n} {d:+.2f}" for n, d in zip(names, direction, strict=True))


def _with_gravity(
    felt: Felt, rest: Floats, size: float, direction: Floats, boost: Boost | None,
    gravity: str, sin_path: float | None,
) -> Felt:  # fmt: skip
    """Decide whether the readings hold gravity, and how steep the launch was."""
    near_g = 0.7 * G0 < size < 1.35 * G0
    # A rest far from 1 g may be bias or scale; within 4 % it is what sensors do.
    scale = max(SCALE_U, abs(size / G0 - 1) - 0.02) if near_g else SCALE_U
    path = float(np.clip(rest @ direction / size, -1, 1)) if size > 0.1 * G0 else 0.0
    if felt.axes == 1:
        path = 1.0 if near_g and rest @ direction > 0 else float(rest @ direction) / G0
    if felt.rest_n == 0 and felt.gravity == "included":
        told = felt  # told by its free flight
    elif gravity:
        steep = path if gravity == "included" else 1.0
        told = replace(felt, gravity=gravity, gravity_from="as you said", sin_path=steep)
    elif felt.rest_n == 0:
        told = replace(
            felt, gravity="removed", gravity_from="no rest in the log; taken as dv/dt", sin_path=1.0
        )
    elif near_g or (size > 0.15 * G0 and felt.axes == 1):
        told = replace(
            felt, gravity="included", sin_path=path, u_scale=scale,
            gravity_from=f"{size / G0:.2f} g at rest on the pad",
        )  # fmt: skip
    else:
        told = _by_coast(felt, boost)
    return told if sin_path is None else replace(told, sin_path=sin_path)


def _free_fall(felt: Felt, boost: Boost) -> float:
    """Return what the sensor reads in free flight once drag has eased, m/s².

    The upper end of the readings: drag only adds to the negative side.
    """
    after = (felt.time > boost.burnout + 0.1) & (
        felt.time < boost.burnout + 0.1 + 0.4 * max(boost.speed / G0, 0.5)
    )
    return float(np.quantile(felt.along[after], 0.8)) if after.any() else -G0


def _first_end(felt: Felt) -> Boost | None:
    """Return the push in which the log begins, up to where it falls below a fifth."""
    t, y = felt.time, felt.along
    below = np.flatnonzero(y < 0.2 * float(np.median(y[:5])))
    if not below.size or below[0] < 2:
        return None
    k = int(below[0])
    speed = float(np.trapezoid(y[:k], t[:k]))
    return Boost(float(t[0]), float(t[k]), 0.0, 0.0, 0, k, speed, True)


def _without_rest(felt: Felt, boost: Boost | None, gravity: str) -> tuple[Felt, Boost | None]:
    """Take 1 g off an upright sensor whose log begins in flight and that reads 0 in free fall."""
    first = _first_end(felt)
    if first is None:
        return felt, boost
    if gravity != "included" and (gravity == "removed" or _free_fall(felt, first) < -0.6 * G0):
        return felt, boost
    lower = replace(
        felt, along=felt.along - G0, gravity="included",
        gravity_from="no rest in the log, about 0 g in free flight",
    )  # fmt: skip
    return lower, find_boost(lower)


def _by_coast(felt: Felt, boost: Boost | None) -> Felt:
    """Zero at rest: free flight tells gravity taken out (−1 g) from a level launch (0)."""
    if boost is None:
        return replace(felt, gravity="removed", gravity_from="0 g at rest on the pad")
    fall = _free_fall(felt, boost)
    if fall < -0.6 * G0:
        return replace(
            felt, gravity="removed",
            gravity_from=f"0 g at rest and {fall / G0:.1f} g in free flight",
        )  # fmt: skip
    return replace(
        felt, gravity="included", sin_path=0.0,
        gravity_from=f"0 g at rest and {fall / G0:.1f} g after release: the axis lies level",
    )  # fmt: skip


def _felt(change: Floats, rest: Floats, size: float, direction: Floats, base: Felt) -> Floats:
    """Return the proper acceleration: dv/dt plus gravity, as a length."""
    if base.axes > 1 and base.gravity == "included" and size > 0:
        return np.asarray(np.linalg.norm(change + G0 * rest / size, axis=1))
    axial = change @ direction + G0 * base.sin_path
    across = G0 * np.sqrt(max(0.0, 1 - base.sin_path**2))
    return np.asarray(np.hypot(axial, across))
