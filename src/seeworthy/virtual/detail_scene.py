"""Scenes full of detail at every scale, painted finer than any camera here can see.

Two kinds, both as linear light, (H, W) float32, 0 to 1: overlapping grained discs whose sizes
follow a power law, the usual stand-in for natural scenes (dead leaves; Lee, Mumford and Huang
2001, Int. J. Comput. Vis. 41, from memory), and a wall hung with photographs.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.float32]

_SHIFT = 4  # bits below the pixel with which discs are drawn


def leaves(
    width: int, height: int, rng: np.random.Generator, *, grain: float = 0.12, least: float = 2.5
) -> Image:
    """Paint overlapping discs with shade, grain and a soft slope of light.

    Args:
        grain: Standard deviation of the grain on every disc, as a share of its light.
        least: Smallest radius in px; the largest is an eighth of the height.
    """
    picture = np.full((height, width), 0.2, np.float32)
    most = height / 8
    # Sizes fall as the third power, so that no scale is special; large ones are painted first
    # and a second, smaller helping goes on top of them.
    for count, largest in ((1500, most), (14000, most / 3)):
        share = rng.random(count)
        radius = (least**-2 + share * (largest**-2 - least**-2)) ** -0.5
        if largest == most:
            radius = np.exp(rng.uniform(np.log(most / 8), np.log(most), count))
        at = rng.random((count, 2)) * (width, height)
        shade = 0.04 * (0.9 / 0.04) ** rng.random(count)
        for (x, y), r, value in zip(at, radius, shade, strict=True):
            centre = (round(x * (1 << _SHIFT)), round(y * (1 << _SHIFT)))
            size = round(r * (1 << _SHIFT))
            cv2.circle(picture, centre, size, float(value), -1, cv2.LINE_8, _SHIFT)
    picture *= np.float32(1) + np.float32(grain) * _octaves(width, height, rng)
    return np.asarray(np.clip(picture, 0.01, 1.0), np.float32)


def _octaves(width: int, height: int, rng: np.random.Generator) -> Image:
    """Unit noise whose power falls as one over the square of the frequency."""
    total = np.zeros((height, width), np.float32)
    for step in (1, 2, 4, 8, 16, 32):
        small = rng.standard_normal((height // step + 2, width // step + 2), np.float32)
        large = cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)
        total += np.asarray(large, np.float32)
    return np.asarray(total / total.std(), np.float32)


def wall(
    photographs: Sequence[npt.NDArray[np.uint8]], width: int, height: int, rng: np.random.Generator
) -> Image:
    """Hang photographs side by side, each a different way round, pixel for pixel.

    Args:
        photographs: sequence of (h, w) or (h, w, 3) uint8. Gamma-coded (sRGB); they are taken to
            linear light by a power of 2.2.
    """
    picture = np.zeros((height, width), np.float32)
    linear = [_linear(p) for p in photographs]
    step = min(min(p.shape) for p in linear)
    for top in range(0, height, step):
        for left in range(0, width, step):
            photo = linear[int(rng.integers(len(linear)))]
            row, column = (int(rng.integers(n - step + 1)) for n in photo.shape)
            piece = np.rot90(photo[row : row + step, column : column + step], int(rng.integers(4)))
            room = picture[top : top + step, left : left + step]
            room[:] = piece[: room.shape[0], : room.shape[1]]
    return picture


def _linear(photo: npt.NDArray[np.uint8]) -> Image:
    grey = cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY) if photo.ndim == 3 else photo
    return np.asarray((grey.astype(np.float32) / 255) ** 2.2, np.float32)
