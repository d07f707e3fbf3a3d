"""What a walker films along the dune foot: sky, a kite, sea, sand, and a dune with marram grass.

Painted from nothing, wider than the frame; a hand that sways takes another part of it for
every picture. A camera that enlarges takes fewer pixels and stretches them. Nothing in it
stands upright, so that `readout` has to refuse it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.floating[Any]]

_MARGIN = 0.05  # of the width, all round: what the hand may sway


@dataclass(frozen=True)
class DuneWalk:
    """The walk through one camera.

    Attributes:
        size, native: (width, height) of the file, and of what the sensor gives.
        blur: Standard deviation of the lens's blur, px of `native`.
        noise: Standard deviation of the sensor noise, code values.
        saturation, white, exposure: The camera's colours: strength, gains of red and blue, gain.
    """

    size: tuple[int, int]
    native: tuple[int, int]
    blur: float = 0.8
    noise: float = 2.0
    saturation: float = 1.0
    white: tuple[float, float] = (1.0, 1.0)
    exposure: float = 1.0
    seed: int = 1

    @property
    def width(self) -> int:
        """Frame width in px."""
        return self.size[0]

    @property
    def height(self) -> int:
        """Frame height in px."""
        return self.size[1]

    def picture(self, moment: float) -> npt.NDArray[np.uint8]:
        """Return one picture, (H, W, 3) gamma-coded RGB; the same moment gives the same one."""
        wide, high = self.native
        phase = 0.21 * moment
        reach = _MARGIN * wide / 3
        across = reach * (math.sin(phase) + 0.4 * math.sin(1.7 * phase + 1.0))
        down = reach * 0.6 * math.sin(1.3 * phase + 2.0)
        centre = ((_scene(self).shape[1] - 1) / 2 + across, (_scene(self).shape[0] - 1) / 2 + down)
        seen: Image = np.asarray(cv2.getRectSubPix(_scene(self), (wide, high), centre), np.float32)
        rng = np.random.default_rng([self.seed, round(moment * 1000) & 0x7FFFFFFF])
        seen += np.float32(self.noise) * rng.standard_normal((high, wide, 1), dtype=np.float32)
        if self.native != self.size:
            seen = np.asarray(cv2.resize(seen, self.size, interpolation=cv2.INTER_CUBIC))
        return np.clip(np.rint(seen), 0, 255).astype(np.uint8)


@lru_cache(maxsize=2)
def _scene(walk: DuneWalk) -> Image:
    """Return the painted scene as the camera colours it, (H, W, 3), code values."""
    margin = math.ceil(_MARGIN * walk.native[0])
    wide, high = walk.native[0] + 2 * margin, walk.native[1] + 2 * margin
    rng = np.random.default_rng([walk.seed, 42])
    painted = cv2.GaussianBlur(_paint(wide, high, rng), (0, 0), max(0.3, walk.blur))
    grey = painted @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    coloured = grey[..., None] + np.float32(walk.saturation) * (painted - grey[..., None])
    red, blue = walk.white
    coloured *= np.array([red, 1.0, blue], np.float32) * np.float32(walk.exposure)
    return np.asarray(255 * np.clip(coloured, 0, 1), np.float32)


def _colour(red: int, green: int, blue: int) -> Image:
    return np.array([red, green, blue], np.float32) / 255


def _cloud(shape: tuple[int, int], grain: tuple[float, float], rng: np.random.Generator) -> Image:
    """Return noise of many sizes, unit variance; `grain` stretches it across and down."""
    total = np.zeros(shape, np.float32)
    for octave in range(8):
        cells = [max(2, round(2**octave * 2 / g)) for g in grain[::-1]]
        small = rng.standard_normal((cells[0] + 2, cells[1] + 2), dtype=np.float32)
        big = cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC)
        total += np.float32(0.62**octave) * np.asarray(big, np.float32)
    return np.asarray(total / total.std(), np.float32)


def _mix(under: Image, over: Image, share: Image) -> Image:
    weight = np.clip(share, 0, 1)[..., None]
    return np.asarray(under * (1 - weight) + over * weight, np.float32)


def _paint(wide: int, high: int, rng: np.random.Generator) -> Image:
    x, y = np.meshgrid(
        np.linspace(0, 1, wide, dtype=np.float32), np.linspace(0, 1, high, dtype=np.float32)
    )
    shape, edge = (high, wide), np.float32(0.6 * high)
    horizon, shore = np.float32(0.45), 0.60 + 0.05 * x + 0.004 * _cloud(shape, (0.3, 4.0), rng)
    sky = _mix(
        np.broadcast_to(_colour(92, 146, 205), (*shape, 3)),
        np.broadcast_to(_colour(206, 224, 234), (*shape, 3)),
        (y / horizon) ** 1.4,
    )
    heaps = _cloud(shape, (1.6, 0.7), rng)
    sky = _mix(sky, np.broadcast_to(_colour(248, 248, 246), (*shape, 3)), 0.55 * (heaps - 0.35))
    near = np.clip((y - horizon) / (shore - horizon), 0, 1)
    sea = _mix(
        np.broadcast_to(_colour(52, 96, 120), (*shape, 3)),
        np.broadcast_to(_colour(112, 152, 150), (*shape, 3)), near,
    )  # fmt: skip
    waves = _cloud(shape, (0.5, 0.05), rng)
    sea = sea * (1 + 0.07 * waves[..., None])
    foam = (waves - 1.5 + 0.6 * np.exp(-(((near - 0.93) / 0.06) ** 2)) * 3) * 1.2
    sea = _mix(sea, np.broadcast_to(_colour(238, 242, 240), (*shape, 3)), foam)
    picture = _mix(sky, sea, (y - horizon) * edge)
    picture = _mix(picture, _sand(x, y, shore, rng), (y - shore) * edge)
    crest = 0.80 - 0.50 * np.clip((x - 0.38) / 0.55, 0, 1) ** 1.5
    crest = crest + 0.008 * _cloud((1, wide), (0.5, 1.0), rng)
    dune = _sand(x, y, crest, rng) * (1.03 - 0.25 * np.clip(x - 0.55, 0, 1))[..., None]
    picture = np.ascontiguousarray(_mix(picture, dune, (y - crest) * edge))
    _kite(picture, wide, high)
    _marram(picture, crest[0] * high, rng)
    return np.clip(picture, 0, 1)


def _sand(x: Image, y: Image, above: Image, rng: np.random.Generator) -> Image:
    """Return dry sand with ripples that close up with distance, wet beside the water."""
    depth = np.clip(y - 0.4, 0.05, 1)
    bend = _cloud(x.shape, (0.8, 0.4), rng)
    ripples = np.sin(70 / depth + 2.5 * bend) * np.clip(depth - 0.12, 0, 1)
    grain = _cloud(x.shape, (0.12, 0.06), rng)
    wet = np.exp(-np.clip(y - above, 0, 1) / 0.03)
    light = 1 + 0.10 * ripples + 0.05 * grain + 0.04 * bend - 0.18 * wet
    return np.asarray(_colour(208, 186, 146) * light[..., None], np.float32)


def _kite(picture: Image, wide: int, high: int) -> None:
    """Draw a kite and the line on which it flies."""
    at, size = np.array([0.30 * wide, 0.24 * high]), 0.05 * high
    corners = at + size * np.array([[0.1, -1.2], [0.85, -0.1], [-0.15, 1.1], [-0.8, 0.05]])
    line = [at + t * np.array([0.58 * wide, 0.17 * high]) + (0, 0.09 * high * 4 * t * (1 - t))
            for t in np.linspace(0, 1, 24)]  # fmt: skip
    tail = [at + size * np.array([-0.15 - 0.25 * t + 0.2 * math.sin(9 * t), 1.1 + 2.2 * t])
            for t in np.linspace(0, 1, 16)]  # fmt: skip
    for points in (line, tail):
        _stroke(picture, np.array(points), (0.25, 0.25, 0.27), 1)
    shift = 4
    cv2.fillPoly(
        picture, [np.round(corners * 2**shift).astype(np.int32)], (0.83, 0.36, 0.07),
        cv2.LINE_AA, shift,
    )  # fmt: skip
    _stroke(picture, corners[[0, 2]], (0.55, 0.2, 0.05), 1)


def _marram(picture: Image, crest: npt.NDArray[np.float32], rng: np.random.Generator) -> None:
    """Draw tufts of grass over the dune, far ones first, blades bent by the wind."""
    high, wide = picture.shape[:2]
    tufts = []
    for _ in range(230):
        column = int(rng.uniform(0.42, 1.0) * (wide - 1))
        foot = crest[column] + rng.uniform(0, 1) ** 1.6 * (high - crest[column])
        tufts.append((float(foot), column))
    for foot, column in sorted(tufts):
        far = (foot - 0.3 * high) / high
        length = high * (0.02 + 0.16 * max(0.0, far))
        for _ in range(26):
            root = np.array([column + rng.normal(0, 0.25) * length, foot])
            lean = rng.normal(0.75, 0.35)
            reach = length * rng.uniform(0.6, 1.2)
            t = np.linspace(0, 1, 7)[:, None]
            blade = root + reach * np.hstack([lean * t**1.8, -t * (1 - 0.25 * t)])
            shade = rng.uniform(0.55, 1.1)
            tone = (0.50 * shade, 0.53 * shade, 0.27 * shade)
            _stroke(picture, blade, tone, max(1, round(length / 60)))


def _stroke(
    picture: Image,
    points: npt.NDArray[np.float64],
    colour: tuple[float, float, float],
    thickness: int,
) -> None:
    fixed = np.round(points * 16).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(picture, [fixed], False, colour, thickness, cv2.LINE_AA, 4)
