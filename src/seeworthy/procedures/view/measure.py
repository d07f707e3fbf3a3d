"""Angle of view from a tape: what width fills the frame at what distance.

Straight-line geometry: hfov = 2·atan(w / 2d) with d from the entrance pupil. The
tape starts at the front of the lens; a second distance cancels where it starts:
tan(hfov/2) = (w2 − w1) / 2(d2 − d1). What is known of pupils anyway is an observation beside
it, so that a second distance, poor as it may be, never makes the angle worse.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.propagation import propagate_vector, u_rectangular

Value = tuple[float, float]
"""A value and its standard uncertainty."""

PUPIL = (0.0, 0.010)
"""Least and most that the entrance pupil of a small camera lies behind the lens front, m (a
judgement: such lenses are a few millimetres long and their stop lies inside)."""
SQUARENESS = math.radians(2.0)
"""Standard uncertainty of 'square to the lens axis' by eye, rad (a judgement)."""
_LEAST_RATIO = 5.0  # of a step to its u: first order holds (a judgement)
_DOUBT = 3.84
"""Chi-square of one degree of freedom at 5 % (tables): from here on the angle is widened by the
Birge ratio."""
_CONTRADICT = 25.0
"""Beyond it, five standard uncertainties, what is assumed of pupils stands aside (a judgement:
walls by eye are out of square to one side, so that such set-ups come by chance too)."""
_ANY_LENS = (-0.005, 0.05)
"""Pupils of lenses of any kind that would go on a small craft, m (a judgement)."""


@dataclass(frozen=True, slots=True)
class Station:
    """What fills the frame at one distance; lengths in metres, each with `u`."""

    distance: Value
    width: Value | None = None
    height: Value | None = None


@dataclass(frozen=True, slots=True)
class MeasuredView:
    """Angles of view in degrees, each ``(value, u)`` or None.

    Attributes:
        offset: Entrance pupil behind the zero of the tape, m; two stations only.
        allowed: Offset and uncertainty that one station had to assume, m.
        from_aspect: Those of the angles that rest on square pixels.
    """

    hfov: Value | None
    vfov: Value | None
    dfov: Value | None
    offset: Value | None
    allowed: Value
    from_aspect: tuple[str, ...] = ()


def measure_view(
    stations: Sequence[Station],
    *,
    offset: Value | None = None,
    squareness: float = SQUARENESS,
    aspect: float | None = None,
) -> MeasuredView:
    """Work out the angles of view from one or two stations.

    Args:
        stations: sequence of one or two Station. Both with the same of width and height given.
        offset: Entrance pupil behind the lens front, m, where it is known. Unknown, it lies evenly
            within `PUPIL`.
        squareness: Standard uncertainty of the target's and the tape's angle to the axis, rad.
        aspect: Width over height of the frame in pixels: gives the missing axis for square pixels
            and a lens without distortion.

    Raises:
        CannotMeasure: Two stations that do not tell the angle.
    """
    allowed = offset or ((PUPIL[0] + PUPIL[1]) / 2, u_rectangular((PUPIL[1] - PUPIL[0]) / 2))
    axes = [name for name in ("width", "height") if getattr(stations[0], name) is not None]
    two = len(stations) == 2
    if two:
        _check_stations(stations, axes)
    values, us = _inputs(stations, axes, allowed, squareness)
    spread = np.diag(np.square(us))
    pupil = None
    if two:
        tangents, covariance, pupil = _two_stations(values, spread, len(axes), stations)
    else:
        tangents, covariance = propagate_vector(
            lambda *x: _tangents(x, len(axes), False), values, spread
        )
    angles, derived = _angles(axes, tangents, covariance, aspect)
    return MeasuredView(
        angles.get("hfov"), angles.get("vfov"), angles.get("dfov"), pupil, allowed, derived
    )


def _two_stations(
    values: list[float], spread: NDArray[np.float64], axes: int, stations: Sequence[Station]
) -> tuple[NDArray[np.float64], NDArray[np.float64], Value | None]:
    """Return tangents, their covariance, and the pupil where the distances tell it.

    The tangents by the difference of the two stations and those by the farther one with
    the assumed pupil are combined by generalised least squares (they share readings).
    """

    def model(*x: float) -> list[float]:
        distances, offset, sizes = x[:2], x[2], x[3:]
        far = [sizes[2 * i + 1] / 2 / (distances[1] + offset) for i in range(axes)]
        return [*_tangents(x, axes, True), *far]

    y, covariance = propagate_vector(model, values, spread)
    pupil: Value = (float(y[axes]), math.sqrt(covariance[axes, axes]))
    keep = [*range(axes), *range(axes + 1, 2 * axes + 1)]
    y, covariance = y[keep], covariance[np.ix_(keep, keep)]
    apart = float(y[0] - y[axes])
    u2 = covariance[0, 0] + covariance[axes, axes] - 2 * covariance[0, axes]
    told = pupil if pupil[1] <= PUPIL[1] - PUPIL[0] else None
    if apart**2 <= _CONTRADICT * u2:
        design = np.vstack([np.eye(axes), np.eye(axes)])
        weight = np.linalg.inv(covariance)
        best = np.linalg.inv(design.T @ weight @ design)
        widened = best * max(1.0, apart**2 / u2 / _DOUBT)
        return best @ design.T @ weight @ y, widened, told
    if told is None or not _ANY_LENS[0] - 2 * told[1] <= told[0] <= _ANY_LENS[1] + 2 * told[1]:
        raise CannotMeasure(
            f"The two distances would put the entrance pupil {1e3 * pupil[0]:.0f} mm behind the "
            "zero of the tape, which no small camera has.",
            "Check the readings, and that both distances start at the front of the lens; or give "
            "one distance alone.",
        )
    return y[:axes], covariance[:axes, :axes], told


def _inputs(
    stations: Sequence[Station], axes: list[str], allowed: Value, squareness: float
) -> tuple[list[float], list[float]]:
    """Return the readings in one row: distances, offset, sizes by axis; alignment included."""
    # An angle that is wrong by N(0, s) has an effect of second order, always to one side: s² in the
    # mean, which is taken off (JCGM 100:2008, 3.2.4), and √2·s² about it.
    mean, about = squareness**2, math.sqrt(2) * squareness**2
    values = [s.distance[0] * (1 - mean / 2) for s in stations]
    us = [math.hypot(s.distance[1], s.distance[0] * about / 2) for s in stations]
    values.append(allowed[0])
    us.append(allowed[1])
    for axis in axes:
        sizes: list[Value] = [getattr(s, axis) for s in stations]
        tangent = _tangent([v for v, _ in sizes], [s.distance[0] for s in stations], allowed[0])
        # A wall turned by τ fills the frame with w·(1 + τ²·sec²α), distance square to it.
        wide = 1 + tangent**2
        values += [v * (1 - mean * wide) for v, _ in sizes]
        us += [math.hypot(u, v * about * wide) for v, u in sizes]
    return values, us


def _tangent(sizes: Sequence[float], distances: Sequence[float], offset: float) -> float:
    if len(sizes) == 1:
        return sizes[0] / 2 / (distances[0] + offset)
    return (sizes[1] - sizes[0]) / 2 / (distances[1] - distances[0])


def _tangents(x: Sequence[float], axes: int, two: bool) -> list[float]:
    count = 2 if two else 1
    distances, offset, sizes = x[:count], x[count], x[count + 1 :]
    out = [_tangent(sizes[i * count : (i + 1) * count], distances, offset) for i in range(axes)]
    if two:
        out.append(sizes[0] / 2 / out[0] - distances[0])
    return out


def _check_stations(stations: Sequence[Station], axes: list[str]) -> None:
    near, far = stations
    step = far.distance[0] - near.distance[0]
    for axis in axes:
        (a, u_a), (b, u_b) = getattr(near, axis), getattr(far, axis)
        if (b - a) * step <= 0:
            raise CannotMeasure(
                f"The farther {axis} is not the larger one.",
                f"Give {axis} and distance of one set-up, {axis}2 and distance2 of the other.",
            )
        if abs(b - a) < _LEAST_RATIO * math.hypot(u_a, u_b):
            raise _too_close(f"{axis}s")
    if abs(step) < _LEAST_RATIO * math.hypot(near.distance[1], far.distance[1]):
        raise _too_close("distances")


def _too_close(what: str) -> CannotMeasure:
    return CannotMeasure(
        f"The two {what} differ by less than {_LEAST_RATIO:.0f} times their uncertainty.",
        "Make the second distance at least twice the first, or leave it out.",
    )


def _angles(
    axes: list[str],
    tangents: NDArray[np.float64],
    covariance: NDArray[np.float64],
    aspect: float | None,
) -> tuple[dict[str, Value], tuple[str, ...]]:
    names = ["hfov" if axis == "width" else "vfov" for axis in axes]
    derived: list[str] = []
    if len(names) == 1 and aspect is not None:
        other = "vfov" if names[0] == "hfov" else "hfov"
        ratio = 1 / aspect if other == "vfov" else aspect
        tangents = np.array([tangents[0], tangents[0] * ratio])
        covariance = covariance[0, 0] * np.outer([1, ratio], [1, ratio])
        names.append(other)
        derived = [other, "dfov"]

    def model(*t: float) -> list[Any]:
        sides = [*t, math.hypot(*t)] if len(t) == 2 else list(t)
        return [math.degrees(2 * math.atan(side)) for side in sides]

    values, spread = propagate_vector(model, tangents.tolist(), covariance)
    us = np.sqrt(np.diag(spread))
    titles = [*names, "dfov"] if len(names) == 2 else names
    pairs = zip(titles, values.tolist(), us.tolist(), strict=True)
    return {name: (value, u) for name, value, u in pairs}, tuple(derived)
