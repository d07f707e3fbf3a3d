"""A camera in less and less light: exposure, then gain, then a slower rate, then darkness.

The exposure keeps white where it is as long as it can: longer exposure up to the frame time,
then gain up to a limit; below that the picture gets darker. Denoising that grows with the gain
blurs. All of it is known, so that the light at which SNR, sharpness or rate fall below a limit
can be found by bisection.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from seeworthy.virtual.noise_camera import NoiseCamera


@dataclass(frozen=True, slots=True)
class Exposed:
    """How a scene is taken at one light: linear light of a reflectance of 1, camera, blur, rate."""

    exposure: float
    camera: NoiseCamera
    sigma: float
    rate: int


@dataclass(frozen=True, slots=True)
class DimCamera:
    """Firmware and sensor.

    Attributes:
        full_well: Electrons at white with gain 1.
        read, prnu: Read noise (electrons) and spread of gains.
        base_lux: Light at which gain 1 and the longest exposure at full rate fill the sensor.
        exposure: Linear light of a reflectance of 1 while the exposure can be held.
        sigma: Blur in bright light, px.
        wash: Growth of the blur per stop of gain, px.
        rate: Frames per second in bright light.
        slow_below: Light below which the rate is halved; 0 never.
    """

    full_well: float = 8000.0
    read: float = 5.0
    prnu: float = 0.005
    base_lux: float = 300.0
    most_gain: float = 24.0
    exposure: float = 0.8
    sigma: float = 0.6
    wash: float = 0.1
    rate: int = 30
    slow_below: float = 0.0

    def at(self, lux: float) -> Exposed:
        """Return how the scene is taken at a light level."""
        slow = lux < self.slow_below
        base = self.base_lux / (2 if slow else 1)
        gain = min(max(1.0, base / lux), self.most_gain)
        exposure = self.exposure * min(1.0, gain * lux / base)
        camera = NoiseCamera(self.full_well, gain, self.read, 0.0, self.prnu)
        sigma = self.sigma + self.wash * math.log2(gain)
        return Exposed(exposure, camera, sigma, self.rate // 2 if slow else self.rate)

    def snr(self, lux: float) -> float:
        """Return true SNR (dB) of an 18 % grey at a light level."""
        taken = self.at(lux)
        return taken.camera.noise(0.18 * taken.exposure).snr

    def least_lux(self, snr: float) -> float:
        """Return the light at which SNR of 18 % grey is `snr` dB."""
        low, high = 1e-3, 1e5
        for _ in range(100):
            middle = math.sqrt(low * high)
            if self.snr(middle) < snr:
                low = middle
            else:
                high = middle
        return high
