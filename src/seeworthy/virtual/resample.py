"""Cameras that record fewer pixels than they deliver: a small native raster, enlarged.

The scene is painted finer than the native raster. Lens blur and the square of the pixel are
applied to it, the native raster is sampled while the camera drifts, sensor noise and tone curve
follow, and the coded picture is resized the way programs and chips do it, with their own kernels
and conventions of where the pixels lie. Nothing here is shared with the measure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image as Pil

from seeworthy.virtual.coders import record
from seeworthy.virtual.optics import Sensor, Sharpening, develop

Image = npt.NDArray[np.float32]
Codes = npt.NDArray[np.uint8]
Size = tuple[int, int]

MARGIN = 64
"""Fine px around the frame into which the camera may drift."""

_PIL = {"bilinear": 2, "bicubic": 3, "lanczos": 1}
_CV = {"bilinear": 1, "bicubic": 2, "lanczos": 4, "nearest": 0}


def _by_pil(kernel: str) -> Callable[[Codes, Size], Codes]:
    def resize(picture: Codes, size: Size) -> Codes:
        made = Pil.fromarray(picture).resize(size, Pil.Resampling(_PIL[kernel]))
        return np.asarray(made, np.uint8)

    return resize


def _by_cv(kernel: str) -> Callable[[Codes, Size], Codes]:
    def resize(picture: Codes, size: Size) -> Codes:
        return np.asarray(cv2.resize(picture, size, interpolation=_CV[kernel]), np.uint8)

    return resize


def _by_corners(kernel: str) -> Callable[[Codes, Size], Codes]:
    """First and last pixels of both rasters coincide."""

    def resize(picture: Codes, size: Size) -> Codes:
        height, width = picture.shape
        steps = [(old - 1) / (new - 1) for old, new in zip((width, height), size, strict=True)]
        back = np.array([[steps[0], 0, 0], [0, steps[1], 0]])
        flags = _CV[kernel] | cv2.WARP_INVERSE_MAP
        made: Any = cv2.warpAffine(
            picture, back, size, flags=flags, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(made, np.uint8)

    return resize


def _by_swscale(kernel: str) -> Callable[[Codes, Size], Codes]:
    def resize(picture: Codes, size: Size) -> Codes:
        frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), format="gray")
        made = frame.reformat(width=size[0], height=size[1], interpolation=kernel.upper())
        return np.asarray(made.to_ndarray(), np.uint8)

    return resize


ENLARGERS: dict[str, Callable[[Codes, Size], Codes]] = {
    **{f"pil {k}": _by_pil(k) for k in _PIL},
    **{f"opencv {k}": _by_cv(k) for k in _CV},
    **{f"corners {k}": _by_corners(k) for k in ("bilinear", "bicubic", "lanczos")},
    **{f"swscale {k}": _by_swscale(k) for k in ("bilinear", "bicubic", "lanczos")},
}
"""Ways to resize a coded picture: (h, w) uint8 and a (width, height) to a picture of that size."""


@dataclass(frozen=True)
class SmallRaster:
    """A camera whose sensor delivers `native` and whose file says `size`.

    Attributes:
        native, size: (width, height). Equal for a camera that keeps what it says.
        enlarger: Key of `ENLARGERS`.
        sigma: Gaussian lens blur, native px.
        sharpening: By the firmware, before or (`late`) after resizing.
        drift: Image motion, delivered px per frame, about.
        exposure: Linear value of a white scene.
    """

    native: Size
    size: Size = (1280, 720)
    enlarger: str = "pil bicubic"
    sigma: float = 0.5
    sensor: Sensor = field(default_factory=Sensor)
    sharpening: Sharpening | None = None
    late: bool = False
    drift: float = 2.0
    exposure: float = 0.9

    def pictures(self, scene: Image, frames: int, rng: np.random.Generator) -> Iterator[Codes]:
        """Yield luma pictures (limited range) of a scene that has `MARGIN` all around."""
        height, width = scene.shape[0] - 2 * MARGIN, scene.shape[1] - 2 * MARGIN
        seen = self._lens(scene, (width, height))
        fine = width / self.size[0]
        pace = self.drift * fine * np.sqrt(rng.uniform(0.3, 1.7, 2)) * rng.choice((-1.0, 1.0), 2)
        phase = rng.uniform(0, 2 * np.pi, 2)
        for i in range(frames):
            # A slow sway: it never leaves the margin, whatever the length.
            at = (MARGIN - 2) * np.sin(phase + pace * i / (MARGIN - 2))
            x, y = (round(float(a)) + MARGIN for a in at)
            crop = seen[y : y + height, x : x + width]
            raster = cv2.resize(crop, self.native, interpolation=cv2.INTER_AREA)
            yield self._process(np.asarray(raster, np.float32), rng)

    def _lens(self, scene: Image, fine: Size) -> Image:
        pitch = [f / n for f, n in zip(fine, self.native, strict=True)]
        if self.sigma <= 0:
            return scene
        blurred = cv2.GaussianBlur(
            scene, (0, 0), self.sigma * pitch[0], sigmaY=self.sigma * pitch[1]
        )
        return np.asarray(blurred, np.float32)

    def _process(self, light: Image, rng: np.random.Generator) -> Codes:
        early = None if self.late else self.sharpening
        codes = develop(
            light * np.float32(self.exposure), rng, sensor=self.sensor, sharpening=early
        )
        if self.native != self.size:
            codes = ENLARGERS[self.enlarger](codes, self.size)
        if self.late and self.sharpening is not None:
            sharp = self.sharpening.apply(codes.astype(np.float32))
            codes = np.asarray(np.clip(np.rint(sharp), 16, 235), np.uint8)
        return codes

    def film(
        self,
        path: Path,
        scene: Image,
        rng: np.random.Generator,
        *,
        frames: int = 12,
        bit_rate: int = 7_000_000,
    ) -> None:
        """Write an H.264 clip."""
        record(path, self.pictures(scene, frames, rng), bit_rate=bit_rate)
