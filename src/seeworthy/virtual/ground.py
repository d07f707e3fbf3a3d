"""Ground as it is seen from above, painted from nothing: fields, water, tracks, grain."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt


def ground(width: int, height: int, seed: int) -> npt.NDArray[np.uint8]:
    """Paint a scene, (height, width, 3) gamma-coded RGB.

    Args:
        seed: Another seed gives another country: colours, contrast, grain, how many edges.
    """
    rng = np.random.default_rng([seed, 11])
    picture = np.empty((height, width, 3), np.float32)
    picture[:] = rng.uniform(60, 190, 3)
    for _ in range(int(rng.integers(15, 90))):
        _field(picture, rng)
    for _ in range(int(rng.integers(0, 12))):
        _track(picture, rng)
    grain = rng.uniform(6, 26) * _grain(width, height, rng)
    picture += grain[..., None]
    soft = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.6, 1.5))
    return np.clip(soft, 0, 255).astype(np.uint8)


def _field(picture: npt.NDArray[np.float32], rng: np.random.Generator) -> None:
    h, w = picture.shape[:2]
    centre = rng.uniform((0, 0), (w, h))
    radius = rng.uniform(0.03, 0.25) * h
    count = int(rng.integers(3, 9))
    angles = np.sort(rng.uniform(0, 2 * np.pi, count))
    spread = rng.uniform(0.6, 1.2, count) * radius
    corners = centre + np.stack([np.cos(angles), np.sin(angles)], axis=1) * spread[:, None]
    colour = tuple(float(v) for v in rng.uniform(20, 230, 3))
    cv2.fillPoly(picture, [corners.astype(np.int32)], colour, cv2.LINE_AA)


def _track(picture: npt.NDArray[np.float32], rng: np.random.Generator) -> None:
    h, w = picture.shape[:2]
    steps = np.cumsum(rng.normal(0, 0.02 * h, (60, 2)) + rng.normal(0, 0.03 * h, 2), axis=0)
    line = (rng.uniform((0, 0), (w, h)) + steps).astype(np.int32).reshape(-1, 1, 2)
    colour = tuple(float(v) for v in rng.uniform(60, 240, 3))
    cv2.polylines(picture, [line], False, colour, int(rng.integers(2, 14)), cv2.LINE_AA)


def _grain(width: int, height: int, rng: np.random.Generator) -> npt.NDArray[np.float32]:
    """Unit noise summed over octaves, as sand and grass have it."""
    total = np.zeros((height, width), np.float32)
    for octave in range(6):
        step = 2 ** (octave + 1)
        small = rng.standard_normal((height // step + 2, width // step + 2), dtype=np.float32)
        big = cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)
        total += np.float32(step**0.3) * np.asarray(big, np.float32)
    return np.asarray(total / np.float32(total.std()), np.float32)
