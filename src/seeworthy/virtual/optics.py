"""What lens, sensor and firmware do to the light: blur, shading, noise, sharpening, tone.

Everything here has a known truth: `Blur.mtf` says what the blur does at any place,
`sharpening_mtf` what the firmware adds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.virtual.looks import signal_of
from seeworthy.virtual.tone import bt709, srgb

Array = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Blur:
    """A Gaussian point spread that grows from the centre, differently to each corner.

    Attributes:
        centre: Standard deviation in px at the frame's centre.
        corners: (top left, top right, bottom left, bottom right). Standard deviation in the
            corners; None is the same everywhere.
        levels: Between two levels of variance the pictures are mixed; `mtf` knows that.
        aperture: True: pixels integrate over their square. False: over a sub-pixel only, so that
            the point spread is as good as Gaussian alone.
    """

    centre: float = 0.7
    corners: tuple[float, float, float, float] | None = None
    levels: int = 8
    aperture: bool = True

    def sigma(self, u: Array | float, v: Array | float) -> Array:
        """Return sigma (px) at u, v from -1 (left, top) to 1 (right, bottom)."""
        u, v = np.asarray(u, float), np.asarray(v, float)
        if self.corners is None:
            return np.full(np.broadcast(u, v).shape, self.centre)
        tl, tr, bl, br = self.corners
        at_edge = (tl * (1 - u) * (1 - v) + tr * (1 + u) * (1 - v)) / 4
        at_edge = at_edge + (bl * (1 - u) * (1 + v) + br * (1 + u) * (1 + v)) / 4
        grown: Array = self.centre + (at_edge - self.centre) * (u * u + v * v) / 2
        return grown

    def _levels(self) -> Array:
        grid = self.sigma(*np.meshgrid(np.linspace(-1, 1, 41), np.linspace(-1, 1, 41)))
        low, high = float(grid.min()), float(grid.max())
        if high - low < 1e-9:
            return np.array([low])
        return np.sqrt(np.linspace(low**2, high**2, self.levels))

    def _mix(self, sigma: Array, level: int, levels: Array) -> Array:
        """Weight of a level: linear in variance between neighbours."""
        if len(levels) == 1:
            return np.ones_like(sigma)
        pitch = levels[1] ** 2 - levels[0] ** 2
        weight: Array = np.clip(1 - np.abs(sigma**2 - levels[level] ** 2) / pitch, 0, 1)
        return weight

    def mtf(self, frequency: Array, u: float = 0.0, v: float = 0.0) -> Array:
        """Return the true MTF at u, v for an edge along a pixel axis, pixel aperture included."""
        levels = self._levels()
        sigma = self.sigma(u, v)
        total = np.zeros_like(np.asarray(frequency, float))
        for i, s in enumerate(levels):
            share = self._mix(np.asarray(sigma), i, levels)
            total = total + share * np.exp(-2 * (np.pi * s * frequency) ** 2)
        return total * np.sinc(frequency) if self.aperture else total

    def apply(self, seen: Array, oversample: int) -> Image:
        """Blur a sub-pixel picture (H·S, W·S) and sample it to pixels (H, W)."""
        fine = seen.astype(np.float32)
        levels = self._levels()
        if len(levels) == 1:
            return self._sample(_gauss(fine, levels[0] * oversample), oversample)
        height, width = fine.shape[0] // oversample, fine.shape[1] // oversample
        v, u = np.meshgrid(
            np.linspace(-1, 1, height), np.linspace(-1, 1, width), indexing="ij", copy=False
        )
        sigma = self.sigma(u, v)
        total = np.zeros((height, width), np.float32)
        for i, s in enumerate(levels):
            weight = self._mix(sigma, i, levels).astype(np.float32)
            total += weight * self._sample(_gauss(fine, s * oversample), oversample)
        return total

    def _sample(self, fine: Image, oversample: int) -> Image:
        if oversample == 1:
            return fine
        height, width = fine.shape[0] // oversample, fine.shape[1] // oversample
        if self.aperture:
            small = cv2.resize(fine, (width, height), interpolation=cv2.INTER_AREA)
            return np.asarray(small, np.float32)
        # An even number of sub-pixels has none in the middle: take the middle two.
        low, high = (oversample - 1) // 2, oversample // 2
        a, b = fine[low::oversample], fine[high::oversample]
        rows = (a + b) / 2
        picked = (rows[:, low::oversample] + rows[:, high::oversample]) / 2
        return np.asarray(picked, np.float32)


def _gauss(image: Image, sigma: float) -> Image:
    if sigma < 1e-3:
        return image
    reach = 2 * int(np.ceil(5 * sigma)) + 1
    blurred = cv2.GaussianBlur(image, (reach, reach), sigma, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(blurred, np.float32)


@dataclass(frozen=True, slots=True)
class HotSpot:
    """A compact coloured (or dark) spot: place and size as shares of the frame's width."""

    x: float
    y: float
    radius: float
    gain: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Shading:
    """Fall-off of light over the frame, in linear light.

    Attributes:
        stops: How much darker the corners are, on average, than the optical centre.
        power: The fall-off grows as this power of the radius.
        centre: (x, y). Optical centre as shares of width and height.
        red, blue: Extra stops of red and blue in the corners, against green.
        slope: (x, y). Light of the scene itself: stops from left to right, from top to bottom.
        wall: (x, y). How dark the scene itself is at the ends of its middle row and column, stops.
    """

    stops: float = 0.0
    power: float = 2.0
    centre: tuple[float, float] = (0.5, 0.5)
    red: float = 0.0
    blue: float = 0.0
    slope: tuple[float, float] = (0.0, 0.0)
    spot: HotSpot | None = None
    wall: tuple[float, float] = (0.0, 0.0)

    def gain(self, width: int, height: int) -> Image:
        """Return linear gain per pixel and channel, (H, W, 3), 1 at the optical centre."""
        x = (np.arange(width) / (width - 1))[None, :]
        y = (np.arange(height) / (height - 1))[:, None]
        half = np.hypot(0.5 * width, 0.5 * height)
        dx, dy = (x - self.centre[0]) * width, (y - self.centre[1]) * height
        fall = (np.hypot(dx, dy) / half) ** self.power
        light = self.slope[0] * (x - 0.5) + self.slope[1] * (y - 0.5)
        light = light - 4 * (self.wall[0] * (x - 0.5) ** 2 + self.wall[1] * (y - 0.5) ** 2)
        stops = [fall * (self.stops + extra) - light for extra in (self.red, 0.0, self.blue)]
        gain = np.stack([2.0**-s for s in stops], axis=-1)
        if self.spot is not None:
            s = self.spot
            d2 = ((x - s.x) * width) ** 2 + ((y - s.y) * height) ** 2
            bump = np.exp(-d2 / (2 * (s.radius * width / 2) ** 2))[..., None]
            gain = gain * (1 + bump * (np.asarray(s.gain) - 1))
        return gain.astype(np.float32)


@dataclass(frozen=True, slots=True)
class Sharpening:
    """Unsharp mask of the firmware, on coded values: halo width (px) and amount."""

    amount: float = 0.0
    radius: float = 1.0

    def mtf(self, frequency: Array) -> Array:
        """Return the factor it puts on the spectrum (small contrast, no clipping)."""
        factor: Array = 1 + self.amount * (1 - np.exp(-2 * (np.pi * self.radius * frequency) ** 2))
        return factor

    def apply(self, coded: Image) -> Image:
        """Sharpen a coded picture, (H, W) or (H, W, 3), 0 to 1."""
        if not self.amount:
            return coded
        halo = coded - _gauss(coded, self.radius)
        sharp: Image = coded + np.float32(self.amount) * halo
        return sharp


@dataclass(frozen=True, slots=True)
class Sensor:
    """Noise in linear light: `full_well` electrons at 1, `read` electrons of read noise."""

    full_well: float = 8000.0
    read: float = 6.0

    def expose(self, linear: Image, rng: np.random.Generator) -> Image:
        """Add shot noise (normal approximation) and read noise."""
        sigma = np.sqrt(np.maximum(linear, 0) / self.full_well + (self.read / self.full_well) ** 2)
        noisy = linear + sigma * rng.standard_normal(linear.shape, np.float32)
        return np.asarray(noisy, np.float32)


Tone = Literal["bt709", "srgb", "linear"]


def encode_tone(linear: Image, tone: Tone = "bt709") -> Image:
    """Code linear light 0 to 1 (ITU-R BT.709 OETF, or IEC 61966-2-1)."""
    x = np.clip(linear, 0, 1).astype(np.float32)
    curves: dict[str, Any] = {"bt709": bt709, "srgb": srgb, "linear": np.asarray}
    return np.asarray(curves[tone](x), np.float32)


def develop(
    linear: Image,
    rng: np.random.Generator,
    *,
    sensor: Sensor | None = None,
    sharpening: Sharpening | None = None,
    tone: Tone = "bt709",
    full_range: bool = False,
    look: str = "",
) -> npt.NDArray[np.uint8]:
    """Turn linear light, (H, W) or (H, W, 3), into 8-bit code values.

    A `look` of :mod:`seeworthy.virtual.looks` takes the place of `tone`.

    Grey pictures become luma in the clip's range (16 to 235 unless `full_range`);
    colour pictures become gamma-coded RGB, 0 to 255.
    """
    lit = sensor.expose(linear, rng) if sensor is not None else linear
    coded = signal_of(lit, look).astype(np.float32) if look else encode_tone(lit, tone)
    if sharpening is not None:
        coded = np.clip(sharpening.apply(coded), 0, 1)
    if linear.ndim == 3 or full_range:
        codes = coded * 255
    else:
        codes = 16 + coded * 219
    return np.asarray(np.clip(np.rint(codes), 0, 255), np.uint8)
