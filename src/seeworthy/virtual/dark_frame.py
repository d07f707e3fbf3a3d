"""A covered camera: dark level that grows with warmth, hot pixels, stripes, noise.

Everything is a signal as coded, in code values above black, so that the truth needs no tone curve.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.uint8]

BLACK = 16  # ITU-R BT.709-6 item 4, 8 bit


@dataclass(frozen=True, slots=True)
class DarkCamera:
    """What comes out of a covered camera, in code values above black.

    Attributes:
        level: At switching on.
        warming: By how much the level rises in the end.
        settling: Time constant of that rise, s.
        noise: Standard deviation of a pixel over time.
        pattern: Standard deviation of the pixels' own offsets.
        rows, columns: Standard deviation of the offsets of whole rows and columns.
        glow: Rise towards the lower right corner.
        hot: Hot pixels as (x, y, strength).
    """

    width: int = 320
    height: int = 240
    level: float = 6.0
    warming: float = 0.0
    settling: float = 30.0
    noise: float = 1.5
    pattern: float = 0.3
    rows: float = 0.0
    columns: float = 0.0
    glow: float = 0.0
    hot: tuple[tuple[int, int, float], ...] = ()

    def level_at(self, seconds: float) -> float:
        """Return the level at a time after switching on."""
        return self.level + self.warming * (1 - math.exp(-seconds / self.settling))

    def still(self, rng: np.random.Generator) -> tuple[Array, Array, Array]:
        """Return what stays: the whole pattern (H, W), row offsets (H,), column offsets (W,)."""
        rows = self.rows * rng.standard_normal(self.height)
        columns = self.columns * rng.standard_normal(self.width)
        y, x = np.mgrid[0 : self.height, 0 : self.width]
        corner = (x / self.width) ** 2 * (y / self.height) ** 2
        own = self.pattern * rng.standard_normal((self.height, self.width))
        for px, py, strength in self.hot:
            own[py, px] = strength
        whole = own + rows[:, None] + columns[None, :] + self.glow * corner
        return whole, rows, columns

    def film(
        self, still: Array, count: int, rate: float, rng: np.random.Generator
    ) -> Iterator[tuple[Codes, Array]]:
        """Yield code values (H, W) uint8, and the signal above black before it was rounded."""
        for i in range(count):
            grain = self.noise * rng.standard_normal(still.shape)
            signal = np.clip(still + self.level_at(i / rate) + grain, 0, 255 - BLACK)
            yield np.asarray(np.rint(BLACK + signal), np.uint8), signal
