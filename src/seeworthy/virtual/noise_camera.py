"""A camera whose noise is known: photons, read noise, fixed pattern, gain, denoising, tone.

Light comes in relative to the light that fills the code range (1 is white). Each frame draws
its photo-electrons (Poisson) and read noise (normal); the dark offsets and the gains of the
pixels stay. A recursive filter over time stands for in-camera denoising; a lamp that flickers
can be put over the scene. The tone curve then codes to 8 bit.

Terms of EMVA 1288 (from memory): DSNU is the spread of the dark offsets, PRNU that of the gains.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.virtual.looks import signal_of
from seeworthy.virtual.tone import bt709

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.uint8]

BLACK, WHITE = 16, 235  # ITU-R BT.709-6 item 4, 8 bit
_TOE, _SLOPE = 0.018, 4.5  # BT.709-6 item 1.2


@dataclass(frozen=True, slots=True)
class Noise:
    """True noise at one light level, linear, as shares of full scale (white).

    Attributes:
        temporal: Standard deviation over time of one pixel, rounding to whole codes included.
        fixed: Standard deviation of the pixels' means.
        snr, total: Light over temporal noise, and over both, in dB.
    """

    temporal: float
    fixed: float
    snr: float
    total: float


@dataclass(frozen=True, slots=True)
class NoiseCamera:
    """Sensor and firmware.

    Attributes:
        full_well: Electrons at white with gain 1.
        gain: Amplification: white is reached with `full_well` / `gain` electrons.
        read: Read noise, electrons rms.
        dsnu: Spread of dark offsets, electrons rms.
        prnu: Spread of pixel gains, share.
        denoise: Share of the last picture that is mixed into the new one, 0 to below 1.
        flicker: Amplitude of a lamp's flicker, share of the light.
        flicker_step: Phase of the flicker from frame to frame, cycles.
        flicker_rows: Cycles of the flicker over the frame's height (rolling shutter); 0: the frame
            as a whole.
        look: Tone curve of `seeworthy.virtual.looks`; left out: BT.709.
    """

    full_well: float = 8000.0
    gain: float = 1.0
    read: float = 6.0
    dsnu: float = 0.0
    prnu: float = 0.0
    denoise: float = 0.0
    flicker: float = 0.0
    flicker_step: float = 0.31
    flicker_rows: float = 0.0
    look: str = ""

    @property
    def electrons(self) -> float:
        """Electrons at white."""
        return self.full_well / self.gain

    def film(self, light: Array, count: int, rng: np.random.Generator) -> Iterator[Codes]:
        """Yield luma code values, (H, W) uint8, of a still scene.

        Args:
            light: Linear light, 1 at white.
            count: Frames.
            rng: numpy Generator
        """
        white = self.electrons
        gains = 1 + self.prnu * rng.standard_normal(light.shape)
        offsets = self.dsnu / white * rng.standard_normal(light.shape)
        rows = np.arange(light.shape[0])[:, None] / light.shape[0] * self.flicker_rows
        past: Array | None = None
        for i in range(count):
            swing = 1 + self.flicker * np.sin(2 * np.pi * (i * self.flicker_step + rows))
            mean = np.maximum(light * gains * swing, 0) * white
            electrons = rng.poisson(mean) + self.read * rng.standard_normal(light.shape)
            seen = electrons / white + offsets
            if past is None:  # as if it had been filming for long
                settled = math.sqrt((1 - self.denoise) / (1 + self.denoise))
                steady = mean / white + offsets
                past = steady + settled * (seen - steady)
            else:
                past = (1 - self.denoise) * seen + self.denoise * past
            yield code(past, self.look)

    def noise(self, light: float) -> Noise:
        """Return the true noise at a light level."""
        white = self.electrons
        variance = max(light, 0.0) / white + (self.read / white) ** 2
        variance *= (1 - self.denoise) / (1 + self.denoise)
        variance += code_step(light, self.look) ** 2 / 12
        temporal = math.sqrt(variance)
        fixed = math.hypot(self.dsnu / white, self.prnu * light)
        return Noise(
            temporal,
            fixed,
            20 * math.log10(light / temporal),
            20 * math.log10(light / math.hypot(temporal, fixed)),
        )

    def least_light(self) -> float:
        """Return the light at which temporal noise equals the signal, share of white."""
        low, high = 1e-7, 1.0
        for _ in range(80):
            middle = math.sqrt(low * high)
            if middle > self.noise(middle).temporal:
                high = middle
            else:
                low = middle
        return high

    def dynamic_range(self) -> float:
        """Return the stops from white down to where temporal noise equals the signal."""
        return -math.log2(self.least_light())


def code(light: Array, look: str = "") -> Codes:
    """Return 8-bit luma codes of the limited range (BT.709-6, or a look), cut at black."""
    volts = signal_of(light, look) if look else bt709(light)
    return np.asarray(np.clip(np.rint(BLACK + (WHITE - BLACK) * volts), BLACK, 255), np.uint8)


def code_step(light: float, look: str = "") -> float:
    """Return how much linear light one code value spans at a level."""
    if look:
        ends = signal_of([light * 0.999, light * 1.001], look)
        return float(0.002 * light / ((WHITE - BLACK) * (ends[1] - ends[0])))
    slope = _SLOPE if light < _TOE else 1.099 * 0.45 * light**-0.55
    return 1 / ((WHITE - BLACK) * slope)
