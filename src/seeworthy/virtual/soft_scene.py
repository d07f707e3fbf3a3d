"""A far scene filmed softly in known ways: exposure, focus, shake, fog and coarse coding.

The camera looks at a flat picture that it moves over, row by row; each row gathers light at
many moments of its exposure, in linear light. The picture is one of overlapping discs of all
sizes (dead leaves, after Lee, Mumford and Huang 2001): it has the edges, the occlusions and
the spectrum of natural scenes. Any other picture can take its place.
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

Floats = npt.NDArray[np.float64]
Light = npt.NDArray[np.float32]

_GAMMA = 2.2
_STEP = 0.6  # px between moments of an exposure, at the most
_SHADES = (20, 230)


@dataclass(frozen=True, slots=True)
class SoftEye:
    """The camera.

    Attributes:
        exposure: Share of the frame interval.
        readout: The same, from the first row to the last.
        focus: Standard deviation of a Gaussian blur, px.
        noise: Standard deviation, codes.
        bit_rate: Bits per second.
    """

    width: int = 640
    height: int = 360
    rate: float = 30.0
    exposure: float = 0.3
    readout: float = 0.6
    focus: float = 0.6
    noise: float = 1.5
    bit_rate: int = 6_000_000


@dataclass(frozen=True, slots=True)
class Course:
    """Where the camera looks: sums of sines, px across and down.

    Attributes:
        waves: sequence of (amplitude across, amplitude down, Hz, phase)
        pace: px per second, steady.
    """

    waves: tuple[tuple[float, float, float, float], ...] = ()
    pace: tuple[float, float] = (0.0, 0.0)

    def at(self, t: Floats) -> tuple[Floats, Floats]:
        """Return the place at times, px."""
        x, y = self.pace[0] * t, self.pace[1] * t
        for across, down, hz, phase in self.waves:
            sine = np.sin(2 * math.pi * hz * t + phase)
            x, y = x + across * sine, y + down * sine
        return np.asarray(x), np.asarray(y)

    def speed(self, t: Floats) -> Floats:
        """Return the speed at times, px per second."""
        (x0, y0), (x1, y1) = self.at(t - 5e-4), self.at(t + 5e-4)
        return np.asarray(np.hypot(x1 - x0, y1 - y0) / 1e-3)


@dataclass(frozen=True, slots=True, eq=False)
class Veil:
    """Light that a fogged lens adds, share of white: even from `start` to `end` of the clip."""

    start: float = 0.0
    end: float = 0.0


def leaves(rng: np.random.Generator, height: int, width: int) -> npt.NDArray[np.uint8]:
    """Return overlapping discs and bars of all sizes, (H, W) codes."""
    big = np.full((2 * height, 2 * width), 120, np.uint8)
    # Radii by the inverse cube, as objects at all distances have.
    count = int(0.016 * height * width)
    least, most = 3.0, 240.0
    radius = 1 / np.sqrt(rng.uniform(1 / most**2, 1 / least**2, count))
    for r in radius[np.argsort(rng.random(count))]:
        place = (int(rng.uniform(0, 2 * width)), int(rng.uniform(0, 2 * height)))
        axes = (max(1, int(r)), max(1, int(r * rng.uniform(0.3, 1.0))))
        shade = float(rng.integers(*_SHADES))
        cv2.ellipse(big, place, axes, float(rng.uniform(0, 180)), 0, 360, shade, -1, cv2.LINE_AA)
    grain = cv2.GaussianBlur(rng.standard_normal(big.shape).astype(np.float32), (0, 0), 1.6)
    rough = np.clip(big + 14 * grain / grain.std(), 16, 240).astype(np.float32)
    return np.asarray(cv2.resize(rough, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


def film_softly(
    path: Path,
    eye: SoftEye,
    course: Course,
    seconds: float,
    picture: npt.NDArray[np.uint8],
    rng: np.random.Generator,
    *,
    veil: Veil | None = None,
) -> None:
    """Film a picture (H, W codes; larger than the frame, mirrored beyond its edges)."""
    linear = np.asarray((picture / 255) ** _GAMMA, np.float32)
    mean = float(linear.mean())
    rows = (np.arange(eye.height) - (eye.height - 1) / 2) / eye.height * eye.readout / eye.rate
    left = (picture.shape[1] - eye.width) / 2 + np.arange(eye.width)
    top = (picture.shape[0] - eye.height) / 2 + np.arange(eye.height)
    times = np.arange(int(seconds * eye.rate)) / eye.rate

    def shown() -> Iterator[tuple[float, npt.NDArray[np.uint8]]]:
        for i, t in enumerate(times):
            light = _exposed(linear, eye, course, t + rows, left, top)
            if eye.focus:
                light = np.asarray(cv2.GaussianBlur(light, (0, 0), eye.focus), np.float32)
            if veil is not None:
                share = veil.start + (veil.end - veil.start) * i / len(times)
                light = light * (1 - share) + np.float32(share * 1.4 * mean)
            codes = 16 + 219 * np.clip(light, 0, 1) ** (1 / _GAMMA)
            codes = codes + eye.noise * rng.standard_normal(codes.shape)
            yield float(t), np.clip(np.round(codes), 16, 235).astype(np.uint8)

    record(path, shown(), rate=round(eye.rate), bit_rate=eye.bit_rate)


def _exposed(
    linear: Light, eye: SoftEye, course: Course, moments: Floats, left: Floats, top: Floats
) -> Light:
    """Return the light of one frame; every row has its own moments."""
    time = eye.exposure / eye.rate
    count = max(3, math.ceil(float(course.speed(moments).max()) * time / _STEP))
    light = np.zeros((eye.height, eye.width), np.float32)
    for share in (np.arange(count) + 0.5) / count - 0.5:
        x, y = course.at(moments + share * time)
        u = (left[None, :] + x[:, None]).astype(np.float32)
        v = np.broadcast_to((top + y)[:, None], u.shape).astype(np.float32)
        light += cv2.remap(linear, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    return light / np.float32(count)
