"""Bands of a flickering lamp, row by row through a rolling shutter, with known read-out time."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.virtual.coders import record
from seeworthy.virtual.sensor import Array, Developer, RollingCamera

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lamp:
    """A light that flickers.

    Attributes:
        frequency: Of the light itself, Hz (twice the mains for a lamp on the mains).
        kind: {"sine", "rectified", "square"}. Sine; abs(sin) as of a filament or plain rectifier,
            with harmonics; switched (PWM).
        depth: 0 steady to 1 dark at the minimum (sine) or as the kind has it.
        duty: On share of the switched kind.
        phase: Cycles.
    """

    frequency: float
    kind: Literal["sine", "rectified", "square"] = "sine"
    depth: float = 0.4
    duty: float = 0.5
    phase: float = 0.0

    def exposed(self, t: Doubles, exposure: float) -> Doubles:
        """Return light gathered around times `t`, relative to steady light of that mean."""
        ends = (t + exposure / 2, t - exposure / 2)
        gathered = (self._integral(ends[0]) - self._integral(ends[1])) / exposure
        return 1 + self.depth * (gathered - 1)

    def _integral(self, t: Doubles) -> Doubles:
        """Integral of the full flicker (mean 1) from 0 to t, s."""
        f = self.frequency
        cycles = f * t + self.phase
        whole = np.floor(cycles)
        part = cycles - whole
        if self.kind == "sine":
            return np.asarray(t - np.cos(2 * math.pi * cycles) / (2 * math.pi * f))
        if self.kind == "rectified":
            return np.asarray((whole + (1 - np.cos(math.pi * part)) / 2) / f)
        return np.asarray((whole + np.minimum(part, self.duty) / self.duty) / f)


def frames(
    lamp: Lamp,
    camera: RollingCamera,
    times: Sequence[float],
    *,
    seed: int = 0,
    textured: bool = False,
) -> Iterator[tuple[float, npt.NDArray[np.uint8]]]:
    """Yield ``(time stamp, luma code values)`` of a wall or a still scene under the lamp.

    Args:
        times: Time stamps, s.
        textured: A scene with detail instead of a flat wall.
    """
    rng = np.random.default_rng([seed, 8])
    wall = _wall(camera, rng, textured) * np.float32(0.4)
    develop = Developer(camera, np.random.default_rng([seed, 9]))
    rows = camera.row_times()
    for seconds in times:
        light = lamp.exposed(seconds + rows, camera.exposure)
        yield seconds, develop(wall * light.astype(np.float32)[:, None])


def _wall(camera: RollingCamera, rng: np.random.Generator, textured: bool) -> Array:
    y, x = np.mgrid[0 : camera.height, 0 : camera.width].astype(np.float32)
    x, y = x / camera.width - rng.uniform(0.4, 0.6), y / camera.width - rng.uniform(0.2, 0.35)
    wall = 1 / (1 + 1.2 * (x * x + y * y)) ** 2
    if textured:
        for step, weight in ((8, 0.2), (40, 0.35), (160, 0.4)):
            shape = (camera.height // step + 3, camera.width // step + 3)
            small = rng.standard_normal(shape, dtype=np.float32)
            big = cv2.resize(small, None, fx=step, fy=step, interpolation=cv2.INTER_LINEAR)
            wall = wall * np.exp(weight * big[: camera.height, : camera.width])
        wall = wall / np.percentile(wall, 90)
    return np.asarray(wall, np.float32)


def write_clip(
    path: Path,
    lamp: Lamp,
    camera: RollingCamera,
    times: Sequence[float],
    *,
    seed: int = 0,
    textured: bool = False,
    bit_rate: int = 7_000_000,
) -> None:
    """Render a lamp clip to H.264."""
    shown = frames(lamp, camera, times, seed=seed, textured=textured)
    record(path, shown, rate=camera.pace, bit_rate=bit_rate)
