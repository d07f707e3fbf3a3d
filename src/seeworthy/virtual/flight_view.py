"""A clip from a craft that turns as it is told: far ground all round, row by row, with its gyro.

The world is a picture on the inside of a sphere, so that nothing is near. Rows are taken
one after the other; each gathers light over some moments of its exposure. Truth is the
path itself, kept at a thousand moments a second.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.virtual.coders import record

Floats = npt.NDArray[np.float64]

_RATE = 1000  # moments a second of the path
_ACROSS = 2048  # px round the world
_BIT_RATE = 1_500_000  # at 320x180: what a good small camera spends
_MOMENTS = 3  # inside an exposure


@dataclass(frozen=True, slots=True)
class Wave:
    """One rhythm: axis 0 pitch, 1 yaw, 2 roll; half swing in deg, Hz, phase in rad."""

    axis: int
    swing: float
    frequency: float
    phase: float = 0.0


@dataclass(frozen=True, slots=True)
class Eye:
    """The camera: `straight` keeps lines straight, else equal angles are equally long."""

    width: int = 320
    height: int = 180
    hfov: float = 63.0
    straight: bool = True
    readout: float = 0.02
    exposure: float = 0.004
    rate: float = 30.0
    noise: float = 2.0  # codes

    def angles(self) -> tuple[Floats, Floats]:
        """Return angle from the axis and direction in the picture of every pixel, (H, W)."""
        y, x = np.mgrid[: self.height, : self.width].astype(float)
        x -= (self.width - 1) / 2
        y -= (self.height - 1) / 2
        far = np.hypot(x, y)
        half = math.radians(self.hfov) / 2
        if self.straight:
            return np.arctan(far * math.tan(half) / (self.width / 2)), np.arctan2(y, x)
        return far * half / (self.width / 2), np.arctan2(y, x)

    @property
    def focal(self) -> float:
        """Focal length in the middle, px."""
        half = math.radians(self.hfov) / 2
        return self.width / 2 / (math.tan(half) if self.straight else half)


@dataclass(frozen=True, eq=False)
class Turning:
    """Rotation over time: rates (n, 3) in rad/s at `_RATE`, and attitudes (n, 3, 3)."""

    rate: Floats
    attitude: Floats = field(repr=False)
    start: float = -0.2

    def mean_rate(self, a: Floats, b: Floats) -> Floats:
        """Return the mean rate between moments, (n, 3), rad/s."""
        angle = np.vstack([np.zeros(3), np.cumsum(self.rate, axis=0)]) / _RATE
        t = self.start + np.arange(len(angle)) / _RATE
        parts = [np.interp(b, t, angle[:, i]) - np.interp(a, t, angle[:, i]) for i in range(3)]
        return np.asarray(np.stack(parts, axis=1) / (b - a)[:, None])

    def way(self, moments: Sequence[float], focal: float) -> Floats:
        """Return where a far point stands in the middle of the picture, (n, 2) px, from the first.

        As a steadying camera knows it: yaw and pitch by its gyroscope, small angles.
        """
        a = np.asarray(moments, float)
        turned = self.mean_rate(np.full_like(a, self.start), a) * (a - self.start)[:, None]
        return focal * np.stack([-turned[:, 1], turned[:, 0]], axis=1)

    def at(self, moments: Floats) -> Floats:
        """Return attitudes at moments, (n, 3, 3)."""
        index = np.round((moments - self.start) * _RATE).astype(int)
        return np.asarray(self.attitude[np.clip(index, 0, len(self.attitude) - 1)])


def fly(seconds: float, waves: Sequence[Wave], wander: float, rng: np.random.Generator) -> Turning:
    """Turn by waves and an irregular wander of so many deg/s rms on each axis."""
    n = int((seconds + 0.6) * _RATE)
    t = np.arange(n) / _RATE - 0.2
    rate = np.zeros((n, 3))
    for w in waves:
        speed = math.radians(w.swing) * 2 * math.pi * w.frequency
        rate[:, w.axis] += speed * np.cos(2 * math.pi * w.frequency * t + w.phase)
    for axis in range(3):
        # First-order noise of 0.4 s, taken back to the middle so that the world stays in view.
        kicks = np.fft.rfft(rng.standard_normal(n))
        f = np.fft.rfftfreq(n, 1 / _RATE)
        shape = f / np.sqrt(f**2 + 0.15**2) / (1 + (f / 0.8) ** 2)
        drift = np.fft.irfft(kicks * shape, n)
        rate[:, axis] += math.radians(wander) * drift / drift.std()
    attitude = np.empty((n, 3, 3))
    now = np.eye(3)
    for i in range(n):
        attitude[i] = now
        v = rate[i] / _RATE
        x, y, z = v
        step = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
        now = now @ (np.eye(3) + step + step @ step / 2)
    return Turning(rate, attitude)


def world(rng: np.random.Generator) -> npt.NDArray[np.float32]:
    """Return ground of many sizes of detail, (H, W) float32, codes."""
    shape = (_ACROSS // 2, _ACROSS)
    total = np.zeros(shape, np.float32)
    for size, weight in ((256, 30), (64, 25), (16, 22), (5, 20), (2.5, 14)):
        small = rng.standard_normal((max(2, int(shape[0] / size)), max(2, int(shape[1] / size))))
        total += weight * cv2.resize(
            small.astype(np.float32), shape[::-1], interpolation=cv2.INTER_CUBIC
        )
    return np.clip(125 + total, 16, 235)


def film(path: Path, eye: Eye, flight: Turning, seconds: float, rng: np.random.Generator) -> Floats:
    """Film the flight; return when the middle row of each frame was read, s."""
    shown = frames(eye, flight, seconds, rng)
    return np.arange(record(path, shown, rate=round(eye.rate), bit_rate=_BIT_RATE)) / eye.rate


def frames(
    eye: Eye, flight: Turning, seconds: float, rng: np.random.Generator
) -> Iterator[tuple[float, npt.NDArray[np.uint8]]]:
    """Yield when the middle row of each frame is read, s, and the frame's codes."""
    ground = world(rng)
    angle, turn = eye.angles()
    sine = np.sin(angle)
    rays = np.stack([sine * np.cos(turn), sine * np.sin(turn), np.cos(angle)], axis=-1)
    rows = (np.arange(eye.height) - (eye.height - 1) / 2) * eye.readout / eye.height
    for moment in np.arange(int(seconds * eye.rate)) / eye.rate:
        light = np.zeros((eye.height, eye.width), np.float32)
        for share in (np.arange(_MOMENTS) + 0.5) / _MOMENTS - 0.5:
            attitude = flight.at(moment + rows + share * eye.exposure)
            seen = np.einsum("rij,rcj->rci", attitude, rays)
            u = (np.arctan2(seen[..., 0], seen[..., 2]) / (2 * math.pi) + 0.5) * _ACROSS
            v = (np.arcsin(np.clip(seen[..., 1], -1, 1)) / math.pi + 0.5) * _ACROSS / 2
            light += cv2.remap(
                ground, u.astype(np.float32), v.astype(np.float32), cv2.INTER_CUBIC,
                borderMode=cv2.BORDER_WRAP,
            )  # fmt: skip
        noisy = light / _MOMENTS + eye.noise * rng.standard_normal(light.shape)
        yield float(moment), np.clip(noisy, 16, 235).astype(np.uint8)


def log_rows(
    flight: Turning,
    axes: Floats,
    offset: float,
    rate: float,
    noise: float,
    rng: np.random.Generator,
) -> str:
    """Return the gyroscope's log as CSV: axes (3, 3) turn camera axes into the logger's."""
    n = int(len(flight.rate) / _RATE * rate) - 1
    t = flight.start + np.arange(n) / rate
    index = np.round((t - flight.start) * _RATE).astype(int)
    values = np.degrees(flight.rate[index] @ axes.T) + noise * rng.standard_normal((n, 3))
    lines = ["time (s),gyro x (deg/s),gyro y (deg/s),gyro z (deg/s)"]
    # A rate holds from its moment to the next: half a step later is its middle.
    late = offset + 0.5 / _RATE
    for m, (a, b, c) in zip(t, values, strict=True):
        lines.append(f"{m + late:.5f},{a:.4f},{b:.4f},{c:.4f}")
    return "\n".join(lines) + "\n"
