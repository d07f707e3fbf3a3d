"""Read-out time by hand: speed, distance and view angle, with the lean of uprights.

A camera that passes uprights at distance d with speed V, looking square to its path,
sees them move by f V / d pixels a second (f in pixels), so they lean by t_row f V / d.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from seeworthy.ground.budget import Component
from seeworthy.ground.propagation import Propagated, propagate
from seeworthy.procedures.readout.passing import Passing

Pair = tuple[float, float]

# How far a measured image speed may be from the one that the readings foretell.
_NEAR = 0.3


@dataclass(frozen=True, slots=True)
class HandScene:
    """Readings of the hand method, each value and standard uncertainty.

    Attributes:
        speed: m/s
        distance: m
        hfov: radians, across the rows
    """

    speed: Pair
    distance: Pair
    hfov: Pair


def image_speed(scene: HandScene, width: int) -> float:
    """Return the image speed that the readings foretell, px/s."""
    return focal_length(scene.hfov[0], width) * scene.speed[0] / scene.distance[0]


def focal_length(hfov: float, width: int) -> float:
    """Return the focal length in px of a pinhole view `hfov` radians wide."""
    return width / (2 * math.tan(hfov / 2))


def hand_row_time(lean: Pair, scene: HandScene, width: int) -> Propagated:
    """Return the row time from lean and readings, s, by propagation (JCGM 100:2008, 5.1).

    Args:
        lean: (value, u). Slope dx/dy of the uprights (the tangent of the lean).
        width: Columns of the frame.
    """

    def row_time(slope: float, speed: float, distance: float, hfov: float) -> float:
        return abs(slope) * distance / (focal_length(hfov, width) * speed)

    pairs = (lean, scene.speed, scene.distance, scene.hfov)
    return propagate(row_time, [p[0] for p in pairs], [p[1] for p in pairs])


def parts_of(
    made: Propagated, first: tuple[str, float, str, str], scene: HandScene
) -> tuple[Component, ...]:
    """Return what a figure of `hand_row_time` or `skew` is made of, in its own unit.

    Args:
        first: Name, u, unit and source of the influence that is no reading of the scene.
    """
    read = (("speed", scene.speed, "m/s"), ("distance", scene.distance, "m"))
    rows = [
        (*first, ""),
        *((name, pair[1], unit, "reading", name) for name, pair, unit in read),
        ("hfov", scene.hfov[1], "rad", "reading", "hfov"),
    ]
    return tuple(
        Component(name, u, unit, part / u, source=source, common=common)
        for (name, u, unit, source, common), part in zip(rows, made.parts, strict=True)
        if u > 0
    )


def skew(row_time: Pair, scene: HandScene, width: int) -> Propagated:
    """Return the lean in degrees that a row time makes at stated speed, distance and view."""

    def lean(t: float, speed: float, distance: float, hfov: float) -> float:
        return math.degrees(math.atan(t * focal_length(hfov, width) * speed / distance))

    pairs = (row_time, scene.speed, scene.distance, scene.hfov)
    return propagate(lean, [p[0] for p in pairs], [p[1] for p in pairs])


def lean_at(passing: Passing, expected: float) -> tuple[Pair, int] | None:
    """Return the mean lean of the uprights that pass at about the expected image speed.

    Args:
        expected: px/s.

    Returns:
        ((slope, u), n) or None. None when nothing passes at such a speed; n counts objects.
    """
    fit = passing.fit
    speed = np.abs(fit.speed)
    near = np.abs(speed - expected) < _NEAR * expected
    if not near.any():
        return None
    # The group nearest to the foretold speed: other distances are other uprights.
    centre = speed[near][np.argmin(np.abs(speed[near] - expected))]
    group = np.abs(speed - centre) < 0.1 * centre
    sign = np.sign(fit.speed[group]) * (-1 if passing.upwards else 1)
    leans = fit.lean[group] * sign
    objects = len(np.unique(fit.object[group]))
    scatter = float(np.std(leans, ddof=1)) if len(leans) > 1 else float(fit.lean_u[group][0])
    roll_u = passing.level.u if passing.level else fit.roll_u
    u = math.sqrt(scatter**2 / objects + roll_u**2)
    return (float(np.mean(leans)), u), objects
