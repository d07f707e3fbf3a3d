"""A plain textured scene: still on a tripod, panned, shaken or faded, with sensor noise.

Cheap to render (one crop and one addition per frame), for clips whose faults are in
time and in the file, not in the optics. The texture has grain at every scale, as
grass, sand and foliage have, so that any motion changes most of the picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

Motion = Literal["still", "pan", "sway"]

_MARGIN = 256
_LIMITED = (16, 235)


@dataclass(frozen=True)
class PlainScene:
    """What the camera sees and how it is held.

    Args:
        width, height: Frame in pixels.
        motion: {"still", "pan", "sway"}. On a tripod; turned at `speed`, back and forth within the
            margin of the painted scene; or held by hand, drifting smoothly by about `speed`.
        speed: Image motion in px per frame interval.
        noise: Standard deviation of the sensor noise in luma code values; a denoised recording has
            0.1 or less.
        contrast: Standard deviation of the texture in code values.
        fade: First and last moment of a fade to black.
    """

    width: int = 1280
    height: int = 720
    motion: Motion = "pan"
    speed: float = 3.0
    noise: float = 2.0
    contrast: float = 28.0
    fade: tuple[int, int] | None = None
    seed: int = 1

    def picture(self, moment: float) -> npt.NDArray[np.uint8]:
        """Render one picture.

        Args:
            moment: Time in frame intervals; the same moment gives the same picture to the last bit,
                noise and all, as a repeated frame has.

        Returns:
            (height, width) uint8. Luma code values, limited range.
        """
        dx, dy = self._offset(moment)
        picture = self._crop(dx, dy)
        gain = self._gain(moment)
        if gain < 1.0:
            picture = np.float32(gain) * (picture - _LIMITED[0]) + _LIMITED[0]
        if self.noise > 0:
            # Shot noise falls with the light; what is left is the read noise.
            picture = picture + self._grain(moment) * np.float32(
                self.noise * math.sqrt(0.1 + 0.9 * gain)
            )
        return np.asarray(np.clip(np.rint(picture), *_LIMITED), np.uint8)

    def _offset(self, moment: float) -> tuple[float, float]:
        if self.motion == "still":
            return 0.0, 0.0
        if self.motion == "pan":
            span = 2.0 * _MARGIN - 4.0
            along = math.fmod(self.speed * moment, 2.0 * span)
            return (along if along <= span else 2.0 * span - along) - span / 2.0, 0.0
        phase = 0.21 * moment
        reach = self.speed / 0.21
        return (
            reach * math.sin(phase) + 0.4 * reach * math.sin(1.7 * phase + 1.0),
            0.6 * reach * math.sin(1.3 * phase + 2.0),
        )

    def _crop(self, dx: float, dy: float) -> npt.NDArray[np.float32]:
        painted = _painted(self.width, self.height, self.contrast, self.seed)
        # Whole pixels by slicing, the rest by linear interpolation.
        x, y = _MARGIN + dx, _MARGIN + dy
        column, row = math.floor(x), math.floor(y)
        block = painted[row : row + self.height + 1, column : column + self.width + 1]
        fx, fy = np.float32(x - column), np.float32(y - row)
        if fx or fy:
            across = block[:, :-1] * (1 - fx) + block[:, 1:] * fx
            return np.asarray(across[:-1] * (1 - fy) + across[1:] * fy, np.float32)
        return np.asarray(block[:-1, :-1], np.float32)

    def _gain(self, moment: float) -> float:
        if self.fade is None:
            return 1.0
        first, last = self.fade
        return float(np.clip(1.0 - (moment - first) / max(1, last - first), 0.0, 1.0))

    def _grain(self, moment: float) -> npt.NDArray[np.float32]:
        tile = _grain_tile(self.width, self.height, self.seed)
        rng = np.random.default_rng((self.seed, round(moment * 1000) & 0x7FFFFFFF))
        row, column = int(rng.integers(0, _MARGIN)), int(rng.integers(0, _MARGIN))
        return tile[row : row + self.height, column : column + self.width]


@lru_cache(maxsize=2)
def _painted(width: int, height: int, contrast: float, seed: int) -> npt.NDArray[np.float32]:
    """Paint the scene: noise summed over octaves, (height, width) plus the margins."""
    rng = np.random.default_rng((seed, 77))
    full = (width + 2 * _MARGIN + 1, height + 2 * _MARGIN + 1)
    total = np.zeros((full[1], full[0]), np.float32)
    for octave in range(7):
        step = 2 ** (octave + 1)
        small = rng.standard_normal((full[1] // step + 2, full[0] // step + 2), dtype=np.float32)
        total += step**0.5 * np.asarray(
            cv2.resize(small, full, interpolation=cv2.INTER_CUBIC), np.float32
        )
    total *= np.float32(contrast / float(total.std()))
    return np.asarray(np.clip(110.0 + total, 20.0, 230.0), np.float32)


@lru_cache(maxsize=2)
def _grain_tile(width: int, height: int, seed: int) -> npt.NDArray[np.float32]:
    """Unit normal noise, larger than the frame: frames take it at different places."""
    rng = np.random.default_rng((seed, 78))
    return rng.standard_normal((height + _MARGIN, width + _MARGIN), dtype=np.float32)
