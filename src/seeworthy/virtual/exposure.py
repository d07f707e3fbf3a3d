"""A card that slides past with an exact exposure, and a lamp that makes a camera adapt.

Light is gathered by every row over its own stretch of time; the integral over the exposure and the
Gaussian spread of the lens are taken in closed form, so that the truth holds at any speed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.special import erf

from seeworthy.virtual.coders import CAMERA_LIKE, record
from seeworthy.virtual.sensor import Array, Developer, RollingCamera

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True)
class PassingCard:
    """A card with upright sides on a plain wall.

    Attributes:
        place: Seconds (any shape) to the column of its middle at mid-height, px.
        width: px.
        tilt: Slope dx/dy of its sides.
        light, wall: Linear light of the card and of the wall.
        grain: Relative texture of the wall and the card (paper, plaster).
    """

    place: Callable[[Doubles], Doubles]
    width: float = 220.0
    tilt: float = 0.03
    light: float = 0.06
    wall: float = 0.6
    grain: float = 0.01
    seed: int = 1


def steady(start: float, speed: float, gain: float = 0.0) -> Callable[[Doubles], Doubles]:
    """Return a place that moves by `speed` px/s and gathers `gain` px/s²."""
    return lambda t: start + speed * t + gain * t * t / 2


def film_card(
    path: Path, card: PassingCard, camera: RollingCamera, frames: int, *, bit_rate: int = 5_000_000
) -> None:
    """Render a clip of a card; time stamps are multiples of the frame interval."""
    rng = np.random.default_rng([card.seed, frames])
    develop = Developer(camera, rng)
    texture = 1 + card.grain * rng.standard_normal((camera.height, camera.width)).astype(np.float32)
    times = [k / camera.rate for k in range(frames)]
    lights = (np.clip(_card_light(card, camera, t) * texture, 0, 1) for t in times)
    shown = ((t, develop(v.astype(np.float32))) for t, v in zip(times, lights, strict=True))
    record(path, shown, rate=camera.pace, bit_rate=bit_rate, options=CAMERA_LIKE)


def _card_light(card: PassingCard, camera: RollingCamera, start: float) -> Array:
    y = np.arange(camera.height) - (camera.height - 1) / 2
    middle = start + camera.row_times()
    before = card.place(middle - camera.exposure / 2) + card.tilt * y
    after = card.place(middle + camera.exposure / 2) + card.tilt * y
    x = np.arange(camera.width, dtype=float)
    covered = np.zeros((camera.height, camera.width))
    for side in (-1, 1):
        covered -= side * _passed(x, before + side * card.width / 2, after + side * card.width / 2,
                                  camera.psf)  # fmt: skip
    return np.asarray(card.wall + (card.light - card.wall) * covered, np.float32)


def _passed(x: Doubles, first: Doubles, last: Doubles, sigma: float) -> Doubles:
    """Mean of a blurred edge over its way from `first` to `last`, (rows, columns)."""
    a, b = np.minimum(first, last)[:, None], np.maximum(first, last)[:, None]
    way = np.maximum(b - a, 1e-3)
    return np.asarray((_ramp(x - a, sigma) - _ramp(x - a - way, sigma)) / way)


def _ramp(u: Doubles, sigma: float) -> Doubles:
    """Integral of the Gaussian's distribution function; far from the edge it is straight."""
    ramp = np.maximum(u, 0.0)
    near = np.abs(u) < 7 * sigma
    z = u[near] / sigma
    bell = np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    ramp[near] = sigma * (z * 0.5 * (1 + erf(z / math.sqrt(2))) + bell)
    return np.asarray(ramp)


@dataclass(frozen=True)
class Adapting:
    """An exposure control that follows the light, and a lamp that is switched.

    Attributes:
        tau: Time constant of the exposure in stops, s.
        delay: Time before it reacts, s.
        before, after: Light on the scene; the control brings its mean to `target` in the end.
        target: Linear light that it aims at.
        at: When the lamp is switched, s.
    """

    tau: float
    delay: float = 0.0
    before: float = 1.0
    after: float = 4.0
    target: float = 0.18
    at: float = 1.0

    def level(self, seconds: npt.ArrayLike) -> Doubles:
        """Return the mean picture level as if nothing clipped; settled before the switch."""
        t = np.asarray(seconds, float) - self.at
        stops = math.log2(self.after / self.before)
        late = np.maximum(t - self.delay, 0)
        return np.asarray(
            np.where(t < 0, self.target, self.target * 2 ** (stops * np.exp(-late / self.tau)))
        )

    def settling(self) -> float:
        """Return the time from 10 % to 90 % of the step in stops, s: an exponential's."""
        return self.tau * math.log(9)


def film_step(
    path: Path,
    step: Adapting,
    camera: RollingCamera,
    seconds: float,
    *,
    seed: int = 1,
    flicker: float = 0.0,
    bit_rate: int = 3_000_000,
) -> None:
    """Render a still room whose lamp is switched; `flicker` is the lamp's relative unrest."""
    rng = np.random.default_rng([seed, 3])
    develop = Developer(camera, rng)
    room = _room(camera, rng)

    def shown() -> Iterator[tuple[float, npt.NDArray[np.uint8]]]:
        for k in range(round(seconds * camera.rate)):
            t = k / camera.rate
            # The exposure of a frame ends the later the longer it is; its middle counts.
            level = float(step.level(t)) * (1 + flicker * rng.standard_normal())
            yield t, develop(np.clip(room * np.float32(level), 0, 1))

    record(path, shown(), rate=camera.pace, bit_rate=bit_rate, options=CAMERA_LIKE)


def _room(camera: RollingCamera, rng: np.random.Generator) -> Array:
    """Return a still scene of mean 1 with dark and bright parts."""
    small = rng.uniform(0.25, 1.0, (9, 16)) ** 1.5
    big = np.kron(small, np.ones((-(-camera.height // 9), -(-camera.width // 16))))
    big = big[: camera.height, : camera.width]
    return np.asarray(big / big.mean(), np.float32)
