"""Uprights that pass a rolling-shutter camera, rendered with known read-out time.

Poles, fences, window frames and trees stand at several depths and move by a law
``s(t)`` in image pixels of an unrolled, undistorted camera. Every row is rendered at
its own time; motion blur and lens blur are convolved into each bar's profile exactly.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from seeworthy.virtual.coders import record
from seeworthy.virtual.sensor import Array, Developer, RollingCamera

Times = npt.NDArray[np.float64]
Motion = Callable[[Times], tuple[Times, Times]]
"""Place in px and scale (1 at the reference depth) at each time."""


@dataclass(frozen=True)
class Bar:
    """One upright (or beam, or trunk).

    Attributes:
        motion: Times (s) to place of its centre (px) and scale.
        width: Across, px.
        light: Linear light, 0 to 1.
        top, bottom: Ends, px from the middle of the frame, y down.
        wobble: tuple of (amplitude px, period px, phase). How a trunk strays from straight.
        tilt: Slope dx/dy of a bar that does not stand upright.
        grain: Relative change of light along it.
    """

    motion: Motion
    width: float
    light: float
    top: float = -2000.0
    bottom: float = 2000.0
    wobble: tuple[tuple[float, float, float], ...] = ()
    tilt: float = 0.0
    grain: float = 0.05


@dataclass(frozen=True)
class UprightScene:
    """Everything in view: bars from far to near over a textured background.

    `background_motion` is its image path in px; `sway` moves the whole picture
    down the frame (a shaken camera), px.
    """

    bars: Sequence[Bar]
    background_motion: Motion
    sway: Callable[[Times], Times] | None = None
    contrast: float = 0.3
    seed: int = 0
    notes: dict[str, float] = field(default_factory=dict)


def steady(start: float, speed: float, acceleration: float = 0.0) -> Motion:
    """Return straight motion: `start` px at t = 0, `speed` px/s."""

    def path(t: Times) -> tuple[Times, Times]:
        return start + speed * t + acceleration * t * t / 2, np.ones_like(t)

    return path


def between(path: Motion, start: float, end: float) -> Motion:
    """Return a motion that begins at `start` and ends at `end`, s; what lies around is rest."""

    def held(t: Times) -> tuple[Times, Times]:
        return path(np.clip(t, start, end))

    return held


def panned(focal: float, bearing: float, rate: float) -> Motion:
    """Return the path of a far upright while the camera pans at `rate` rad/s."""

    def path(t: Times) -> tuple[Times, Times]:
        angle = np.clip(bearing + rate * t, -1.4, 1.4)
        return focal * np.tan(angle), np.ones_like(t)

    return path


@lru_cache(maxsize=2)
def _texture(seed: int, contrast: float, horizon: float) -> Array:
    """Return a background that repeats across, (2048, 4096): soft sky over rough ground."""
    rng = np.random.default_rng([seed, 1])
    height, width = 2048, 4096
    out = np.zeros((height, width), np.float32)
    for step, weight in ((256, 0.5), (64, 0.25), (16, 0.15), (4, 0.12)):
        small = rng.standard_normal((height // step, width // step), dtype=np.float32)
        tiled = np.concatenate([small, small[:, :4]], axis=1)
        big = cv2.resize(tiled, None, fx=step, fy=step, interpolation=cv2.INTER_CUBIC)
        out += weight * big[:height, :width]
    rows = np.arange(height, dtype=np.float32)[:, None] - height / 2
    ground = 0.5 + 0.5 * np.tanh((rows - horizon) / 4)
    sky = 0.55 + 0.06 * out * contrast / 0.3
    soil = 0.18 * (1 + contrast * 2 * out)
    return np.clip(sky * (1 - ground) + soil * ground, 0.01, 0.95).astype(np.float32)


def _profile(width: float, smear: float, blur: float) -> tuple[Array, float]:
    """Return a bar's coverage over distance from its centre, 20 samples per px, and half span."""
    half = (width + smear) / 2 + 4 * blur + 1
    u = np.arange(-half, half, 0.05)

    def ramp(v: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        # Integral of the normal distribution function, blur px wide.
        z = v / blur
        pdf = np.exp(-0.5 * np.minimum(z * z, 1400)) / math.sqrt(2 * math.pi)
        return np.asarray(v * ndtr(z) + blur * pdf)

    smear = max(smear, 0.02)
    a, b = (width + smear) / 2, (width - smear) / 2
    cover = (ramp(u + a) - ramp(u + b) - ramp(u - b) + ramp(u - a)) / smear
    cover[0] = cover[-1] = 0.0
    return np.clip(cover, 0, 1).astype(np.float32), half


class Renderer:
    """Renders frames of a scene through a camera.

    Args:
        scene, camera: See the classes.
    """

    def __init__(self, scene: UprightScene, camera: RollingCamera) -> None:
        rng = np.random.default_rng([scene.seed, 10])
        self.scene, self.camera = scene, camera
        self._ax, self._ay = (r * np.float32(camera.focal) for r in camera.rays())
        self._horizon = float(scene.notes.get("horizon", 60.0))
        self._ground = _texture(scene.seed, scene.contrast, self._horizon)
        self._grain = rng.standard_normal((64, 512)).astype(np.float32)
        self._develop = Developer(camera, np.random.default_rng([scene.seed, 2]))
        self._rows = camera.row_times()
        self._profiles: dict[tuple[float, float], tuple[Array, float]] = {}
        # Where each row sits at mid-frame: used to place ends, grain and wobble.
        self._row_y = self._ay[:, camera.width // 2]

    def light(self, seconds: float) -> Array:
        """Return the linear light of the frame stamped `seconds`, (H, W) float32."""
        t = seconds + self._rows
        sway = self.scene.sway(t).astype(np.float32) if self.scene.sway else None
        image = self._background(t, sway)
        for number, bar in enumerate(self.scene.bars):
            self._draw(image, bar, number, t, sway)
        return image

    def frame(self, seconds: float) -> npt.NDArray[np.uint8]:
        """Return luma code values, (H, W)."""
        return self._develop(self.light(seconds))

    def _background(self, t: Times, sway: Array | None) -> Array:
        place, _ = self.scene.background_motion(t)
        map_x = np.mod(self._ax - place.astype(np.float32)[:, None] + 2048, 4096)
        map_y = self._ay + np.float32(1024)
        if sway is not None:
            map_y = map_y - sway[:, None]
        ground = cv2.remap(
            self._ground, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
        )
        return np.asarray(ground, np.float32)

    def _draw(self, image: Array, bar: Bar, number: int, t: Times, sway: Array | None) -> None:
        camera = self.camera
        place, scale = bar.motion(t)
        middle = float(np.mean(scale))
        ahead, _ = bar.motion(t + 1e-4)
        behind, _ = bar.motion(t - 1e-4)
        smear = abs(float(np.mean((ahead - behind) / 2e-4))) * camera.exposure
        cover, half = self._cover(bar.width * middle, smear)
        y = self._row_y - sway if sway is not None else self._row_y
        centre = (place + bar.tilt * y).astype(np.float32)
        for size, period, phase in bar.wobble:
            centre = centre + np.float32(size) * np.sin(2 * np.pi * y / period + phase)
        left, right = self._columns(centre, half)
        if right <= left:
            return
        u = self._ax[:, left:right] - centre[:, None]
        index = np.clip((u + half) * 20 + 0.5, 0, len(cover) - 1).astype(np.int32)
        alpha = cover[index]
        if bar.top > -1500 or bar.bottom < 1500:
            alpha *= self._ends(bar, middle, y, left, right)
        along = np.interp(y / middle, np.linspace(-1500, 1500, 512), self._grain[number % 64])
        tone = np.clip(bar.light * (1 + bar.grain * along), 0.005, 0.98).astype(np.float32)
        part = image[:, left:right]
        part += alpha * (tone[:, None] - part)

    def _cover(self, width: float, smear: float) -> tuple[Array, float]:
        key = (round(width, 2), round(smear, 1))
        if key not in self._profiles:
            if len(self._profiles) > 200:
                self._profiles.clear()
            self._profiles[key] = _profile(width, smear, self.camera.psf)
        return self._profiles[key]

    def _columns(self, centre: Array, half: float) -> tuple[int, int]:
        """Return the columns that a bar can touch."""
        ax = self._ax
        low = float(centre.min()) - half
        high = float(centre.max()) + half
        # The mapping is monotonic along a row; the outermost rows bound it.
        rows = (0, ax.shape[0] // 2, ax.shape[0] - 1)
        left = min(int(np.searchsorted(ax[r], low)) for r in rows) - 8
        right = max(int(np.searchsorted(ax[r], high)) for r in rows) + 8
        return max(0, left), min(ax.shape[1], right)

    def _ends(self, bar: Bar, scale: float, y: Array, left: int, right: int) -> Array:
        # y of each pixel, not of the row's middle: a rolled camera tilts the ends too.
        shift = (self._row_y - y)[:, None] if y is not self._row_y else np.float32(0)
        rows = self._ay[:, left:right] - shift
        top = np.clip(rows - bar.top * scale + 0.5, 0, 1)
        bottom = np.clip(bar.bottom * scale - rows + 0.5, 0, 1)
        return np.asarray(top * bottom, np.float32)


def frames(
    scene: UprightScene, camera: RollingCamera, times: Sequence[float]
) -> Iterator[tuple[float, npt.NDArray[np.uint8]]]:
    """Yield ``(time stamp, luma code values)`` of each frame."""
    renderer = Renderer(scene, camera)
    for seconds in times:
        yield seconds, renderer.frame(seconds)


def write_clip(
    path: Path,
    scene: UprightScene,
    camera: RollingCamera,
    times: Sequence[float],
    *,
    bit_rate: int = 7_000_000,
) -> None:
    """Render a clip to H.264."""
    record(path, frames(scene, camera, times), rate=camera.pace, bit_rate=bit_rate)
