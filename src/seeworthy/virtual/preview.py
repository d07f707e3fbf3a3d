"""A short preview of a flight: dunes and water from above through a rolling shutter.

Not a measurement: a picture of what lean, wobble and blur of that size look like. The
ground is procedural; rows are taken one after the other, each over its exposure.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.virtual.coders import record
from seeworthy.virtual.tone import bt709

Image = npt.NDArray[np.float32]

_SIZE = 2048
_STEPS = 6  # moments inside an exposure


@dataclass(frozen=True, slots=True)
class GroundMotion:
    """How the picture moves: px/s along width and height, turns in rad/s, vibration in px.

    Attributes:
        vibration, frequency: Amplitude in px, Hz; along the height.
    """

    width: float = 0.0
    height: float = 0.0
    turning: float = 0.0
    vibration: float = 0.0
    frequency: float = 0.0


@dataclass(frozen=True, slots=True)
class GroundView:
    """What sees it.

    Attributes:
        size: (width, height). Of the preview, px.
        metres_per_px: Scale on the ground.
        readout, exposure: Seconds.
    """

    size: tuple[int, int]
    metres_per_px: float
    readout: float
    exposure: float


def ground(seed: int = 3) -> Image:
    """Return an RGB ground in linear light, periodic, (2048, 2048, 3): dunes, grass, water."""
    rng = np.random.default_rng(seed)
    f = np.hypot(*np.meshgrid(np.fft.fftfreq(_SIZE), np.fft.fftfreq(_SIZE)))
    f[0, 0] = 1.0

    def cloud(power: float, low: float) -> npt.NDArray[np.float64]:
        spectrum = np.fft.fft2(rng.standard_normal((_SIZE, _SIZE))) * np.maximum(f, low) ** -power
        field = np.real(np.fft.ifft2(spectrum))
        return np.asarray((field - field.mean()) / field.std())

    height = cloud(1.9, 0.003)
    fine = cloud(0.9, 0.02)
    x = np.linspace(0, 2 * np.pi, _SIZE, endpoint=False)
    ripples = np.sin(40 * x[None, :] + 2.2 * height) * 0.5
    sand = np.array([0.55, 0.45, 0.28])
    grass = np.array([0.10, 0.16, 0.06])
    water = np.array([0.05, 0.11, 0.15])
    level = height[..., None]
    picture = np.where(level < -0.9, water, np.where(level > 0.9, grass, sand))
    shade = 1 + 0.10 * fine + 0.05 * ripples * (height > -0.9)
    return np.clip(picture * shade[..., None], 0.005, 1).astype(np.float32)


def frames(
    view: GroundView, motion: GroundMotion, count: int, rate: float = 30.0
) -> Iterator[npt.NDArray[np.uint8]]:
    """Yield gamma-coded RGB frames, (H, W, 3) uint8.

    Args:
        view, motion: See the classes.
        rate: Frames per second.
    """
    texture = ground()
    # Dunes look alike at every scale, so the ground follows the view; the boardwalk, drawn in
    # metres, tells how large things are.
    texel = 0.9
    width, height = view.size
    x = (np.arange(width) - (width - 1) / 2)[None, :]
    y = (np.arange(height) - (height - 1) / 2)[:, None]
    rows = (np.arange(height) / height * view.readout)[:, None]
    for i in range(count):
        total = np.zeros((height, width, 3), np.float32)
        for k in range(_STEPS):
            part = (k + 0.5) / _STEPS - 0.5
            t = i / rate + rows + part * view.exposure
            angle = motion.turning * t
            shake = motion.vibration * np.sin(2 * np.pi * motion.frequency * t)
            px = x * np.cos(angle) - y * np.sin(angle) + motion.width * t
            py = x * np.sin(angle) + y * np.cos(angle) + motion.height * t + shake
            map_x = np.mod(px * texel + _SIZE / 2, _SIZE).astype(np.float32)
            map_y = np.mod(py * texel + _SIZE / 2, _SIZE).astype(np.float32)
            seen = cv2.remap(texture, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
            total += _boardwalk(seen, px * view.metres_per_px, py * view.metres_per_px)
        light = np.clip(total / _STEPS * 1.4, 0, 1)
        yield np.round(np.clip(bt709(light), 0, 1) * 255).astype(np.uint8)


def _boardwalk(
    picture: npt.NDArray[np.generic], x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]
) -> Image:
    """Lay walks 1.5 m wide, with planks, every 24 m both ways."""
    planks = np.array([0.42, 0.36, 0.30], np.float32)
    out = np.asarray(picture, np.float32)
    for across, along in ((y, x), (x, y)):
        off = np.abs(np.mod(across - 5.0 + 12.0, 24.0) - 12.0)
        cover = np.clip((0.75 - off) / 0.05 + 0.5, 0, 1)[..., None].astype(np.float32)
        seam = (np.mod(along, 2.0) < 0.12)[..., None]
        out = out * (1 - cover) + cover * np.where(seam, planks * 0.5, planks)
    return np.asarray(out, np.float32)


def write(path: Path, view: GroundView, motion: GroundMotion, seconds: float = 2.0) -> None:
    """Write a preview: one picture (.png) or a short clip."""
    if path.suffix.lower() == ".png":
        # A frame in the middle of the motion, as good as any.
        (picture,) = list(frames(view, motion, 1))
        cv2.imwrite(str(path), cv2.cvtColor(picture, cv2.COLOR_RGB2BGR))
        return
    record(path, frames(view, motion, round(30 * seconds)), bit_rate=4_000_000)


def scaled(size: tuple[int, int], most: int = 640) -> tuple[tuple[int, int], float]:
    """Return an even preview size of the same shape, and preview px per camera px."""
    share = min(1.0, most / max(size))
    width, height = (max(2, 2 * round(side * share / 2)) for side in size)
    return (width, height), math.sqrt(width * height / (size[0] * size[1]))
