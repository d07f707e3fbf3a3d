"""The virtual camera: where a pixel looks, when a row is exposed, how light becomes code values.

Light is linear and relative (1 fills the sensor) until `develop` turns it into
BT.709 code values of the limited range.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from seeworthy.virtual.optics import Sensor
from seeworthy.virtual.tone import bt709

Array = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class RollingCamera:
    """A rolling-shutter camera.

    Attributes:
        width, height: Frame in pixels; rows are exposed from the top unless `upwards`.
        rate: Frames per second.
        hfov: Horizontal angle of view of the undistorted picture, degrees.
        readout_time: Seconds from the first row to one row after the last.
        exposure: Seconds that each row gathers light.
        roll, pitch: Degrees: roll clockwise as seen in the picture, pitch upwards.
        k1: Radial distortion, ``x_d = x (1 + k1 r^2)`` with r in focal lengths.
        psf: Standard deviation of lens and pixel blur, px.
        full_well: Electrons that fill a pixel: sets the photon noise.
        read_noise: Electrons.
        upwards: Rows are exposed from the bottom (camera mounted upside down).
    """

    width: int = 1280
    height: int = 720
    rate: float = 30.0
    hfov: float = 60.0
    readout_time: float = 0.016
    exposure: float = 1 / 500
    roll: float = 0.0
    pitch: float = 0.0
    k1: float = 0.0
    psf: float = 0.8
    full_well: float = 8000.0
    read_noise: float = 8.0
    upwards: bool = False

    @property
    def focal(self) -> float:
        """Focal length in pixels."""
        return self.width / 2 / math.tan(math.radians(self.hfov) / 2)

    def row_times(self) -> npt.NDArray[np.float64]:
        """Return mid-exposure of each row after the frame's time stamp, (H,), s."""
        rows = np.arange(self.height, dtype=float)
        if self.upwards:
            rows = rows[::-1]
        return rows * (self.readout_time / self.height)

    @property
    def pace(self) -> Fraction:
        """Frames per second, as a file has it."""
        return Fraction(self.rate).limit_denominator(1001)

    def rays(self) -> tuple[Array, Array]:
        """Return where each pixel looks, as world slopes ``X/Z`` and ``Y/Z``, each (H, W)."""
        x = (np.arange(self.width) - (self.width - 1) / 2) / self.focal
        y = (np.arange(self.height) - (self.height - 1) / 2) / self.focal
        xd, yd = np.meshgrid(x, y)
        scale = np.ones_like(xd)
        for _ in range(20):  # fixed point: r_u = r_d / (1 + k1 r_u^2)
            r2 = (xd * xd + yd * yd) / scale**2
            scale = 1 + self.k1 * r2
        xu, yu = xd / scale, yd / scale
        c, s = math.cos(math.radians(self.roll)), math.sin(math.radians(self.roll))
        xr, yr = c * xu + s * yu, -s * xu + c * yu
        cp, sp = math.cos(math.radians(self.pitch)), math.sin(math.radians(self.pitch))
        depth = cp + sp * yr
        return (xr / depth).astype(np.float32), ((cp * yr - sp) / depth).astype(np.float32)


def transfer_table() -> npt.NDArray[np.uint8]:
    """Return BT.709 limited-range luma codes for linear light in 65536 steps.

    ITU-R BT.709-6, items 1.2 and 5.
    """
    return np.round(16 + 219 * bt709(np.arange(65536) / 65535)).astype(np.uint8)


class Developer:
    """Turns linear light into noisy code values.

    Args:
        rng: numpy Generator. Noise; the same seed gives the same frames.
    """

    def __init__(self, camera: RollingCamera, rng: np.random.Generator) -> None:
        self._sensor = Sensor(camera.full_well, camera.read_noise)
        self._rng = rng
        self._table = transfer_table()

    def __call__(self, light: Array) -> npt.NDArray[np.uint8]:
        """Return luma code values, (H, W) uint8, of linear light (H, W), 0 to 1."""
        noisy = self._sensor.expose(light, self._rng)
        steps = (np.clip(noisy, 0, 1) * 65535 + 0.5).astype(np.uint16)
        return np.asarray(self._table[steps], np.uint8)
