"""Ready-made scenes of passing uprights, and scenes that only look like it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from seeworthy.virtual.scene_uprights import (
    Bar,
    Motion,
    Times,
    UprightScene,
    between,
    panned,
    steady,
)
from seeworthy.virtual.sensor import RollingCamera


def passing(
    camera: RollingCamera,
    seed: int,
    *,
    speeds: tuple[float, ...] = (900.0, -900.0),
    seconds: float = 2.0,
    background: float = 0.0,
    lean_sd: float = 0.0,
) -> UprightScene:
    """Return poles, posts, fence and window frames passing at several image speeds.

    Args:
        speeds: px/s, positive to the right; far ones first.
        seconds: How long the passing lasts: the row of uprights is made that long.
        background: Speed of what lies behind, px/s.
        lean_sd: How far single posts are from upright, degrees (standard deviation).
    """
    rng = np.random.default_rng([seed, 3])
    bars: list[Bar] = []
    for number, speed in enumerate(speeds):
        kind = ("poles", "fence", "windows", "posts")[int(rng.integers(4))]
        travel = abs(speed) * seconds + camera.width
        base = camera.width * (0.10 + 0.12 * number / max(1, len(speeds)))
        spacing = {"poles": 2.5, "fence": 0.8, "windows": 2.0, "posts": 1.6}[kind] * base
        spacing = max(spacing, travel / 60)
        place = -camera.width / 2
        tone = float(rng.choice([0.03, 0.06, 0.12, 0.75]))
        while place < travel:
            width = float(camera.width / 1280 * rng.uniform(6, 44))
            start = -place if speed > 0 else place
            tall = camera.height * rng.uniform(0.3, 0.62)
            ends = (-tall, tall) if kind in ("fence", "posts") else (-2000.0, 2000.0)
            bars.append(
                Bar(
                    steady(start, speed),
                    width,
                    float(np.clip(tone * rng.uniform(0.7, 1.4), 0.02, 0.9)),
                    *ends,
                    tilt=math.tan(math.radians(lean_sd * rng.standard_normal())),
                )
            )
            place += spacing * rng.uniform(0.75, 1.35)
        if kind == "windows":
            bars.append(_beam(camera, speed, travel, tone, -0.36))
            bars.append(_beam(camera, speed, travel, tone, 0.40))
    return UprightScene(bars, steady(0.0, background), seed=seed)


def swung(camera: RollingCamera, seed: int, way: Callable[[Times], Times]) -> UprightScene:
    """Return uprights all round and ground behind that the camera turns past.

    Args:
        way: Times (s) to how far all of the picture has moved, px; of up to 2.6 focal lengths.
    """
    rng = np.random.default_rng([seed, 8])

    def at(start: float) -> Motion:
        return lambda t: (start + way(t), np.ones_like(t))

    bars, place = [], -2.6 * camera.focal
    while place < 2.6 * camera.focal:
        bars.append(
            Bar(
                at(place),
                float(camera.width / 640 * rng.uniform(8, 28)),
                float(rng.choice([0.03, 0.1, 0.75])),
                tilt=math.tan(math.radians(0.1 * rng.standard_normal())),
            )
        )
        place += float(camera.width / 640 * rng.uniform(50, 130))
    return UprightScene(bars, at(0.0), seed=seed)


def held(scene: UprightScene, start: float, end: float) -> UprightScene:
    """Return a scene that rests before `start` and after `end`, s."""
    bars = [replace(bar, motion=between(bar.motion, start, end)) for bar in scene.bars]
    return replace(scene, bars=bars, background_motion=between(scene.background_motion, start, end))


def _beam(camera: RollingCamera, speed: float, travel: float, tone: float, at: float) -> Bar:
    """Return the long horizontal member of a row of window frames."""
    centre = math.copysign(travel / 2 - camera.width / 2, -speed)
    middle = camera.height * at
    return Bar(steady(centre, speed), travel, tone, middle - 12, middle + 12)


def trees(camera: RollingCamera, seed: int, *, rate: float = 0.6) -> UprightScene:
    """Return trees and bushes, none straight or upright, on a constant pan of `rate` rad/s."""
    rng = np.random.default_rng([seed, 5])
    bars = []
    for _ in range(46):
        bearing = float(rng.uniform(-2.2, 1.0)) if rate > 0 else float(rng.uniform(-1.0, 2.2))
        wobble = tuple(
            (float(rng.uniform(2, 14)), float(rng.uniform(60, 500)), float(rng.uniform(0, 6.28)))
            for _ in range(4)
        )
        bars.append(
            Bar(
                panned(camera.focal, bearing, rate),
                float(rng.uniform(5, 40)),
                float(rng.uniform(0.02, 0.2)),
                -float(rng.uniform(100, 500)),
                float(rng.uniform(100, 500)),
                wobble,
                float(rng.normal(0, 0.12)),
                0.4,
            )
        )
    return UprightScene(bars, panned(camera.focal, 0.0, rate), contrast=0.45, seed=seed)


def straight_trunks(camera: RollingCamera, seed: int) -> UprightScene:
    """Return straight trunks that lean every way, on a constant pan: lean without cause."""
    rng = np.random.default_rng([seed, 6])
    bars = [
        Bar(
            panned(camera.focal, float(rng.uniform(-2.2, 1.0)), 0.6),
            float(rng.uniform(8, 40)),
            float(rng.uniform(0.02, 0.2)),
            tilt=float(rng.normal(0, 0.05)),
        )
        for _ in range(40)
    ]
    return UprightScene(bars, panned(camera.focal, 0.0, 0.6), contrast=0.45, seed=seed)


def shaken(camera: RollingCamera, seed: int, *, amplitude: float = 14.0) -> UprightScene:
    """Return a still scene full of uprights in a hand that shakes by some `amplitude` px."""
    rng = np.random.default_rng([seed, 7])
    tones = [(f, rng.uniform(0.3, 1) * amplitude / f**0.7, rng.uniform(0, 6.28, 2))
             for f in rng.uniform(0.8, 9, 6)]  # fmt: skip

    def across(t: Times) -> Times:
        return np.asarray(sum(a * np.sin(2 * np.pi * f * t + p[0]) for f, a, p in tones))

    def down(t: Times) -> Times:
        return np.asarray(sum(a * np.sin(2 * np.pi * f * t + p[1]) for f, a, p in tones))

    def at(start: float) -> Motion:
        def path(t: Times) -> tuple[Times, Times]:
            return start + across(t), np.ones_like(t)

        return path

    places = rng.uniform(-0.55, 0.55, 14) * camera.width
    bars = [
        Bar(at(float(p)), float(rng.uniform(6, 50)), float(rng.uniform(0.03, 0.7))) for p in places
    ]
    return UprightScene(bars, at(0.0), down, seed=seed)


def still(camera: RollingCamera, seed: int) -> UprightScene:
    """Return uprights that stand still before a camera on a tripod."""
    scene = shaken(camera, seed, amplitude=0.0)
    return UprightScene(scene.bars, steady(0.0, 0.0), seed=seed)


def ground_only(camera: RollingCamera, seed: int) -> UprightScene:
    """Return textured ground and sky passing by, with nothing upright in it."""
    return UprightScene([], steady(0.0, 700.0), contrast=0.45, seed=seed)
