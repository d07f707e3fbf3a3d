"""Parts of an aircraft that stand in the picture: nose, strut, guard, wing, legs."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

Picture = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]
Airframe = Literal["nose", "strut", "guard", "wing", "legs"]


def airframe(
    kind: Airframe, width: int, height: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Return colour (height, width, 3) and opacity (height, width): a smooth, shaded shape."""
    w, h = width, height
    mask = np.zeros((2 * h, 2 * w), np.uint8)
    _DRAW[kind](mask, rng)
    # Near the lens it is out of focus more or less.
    soft = cv2.GaussianBlur(
        cv2.resize(mask, (w, h), interpolation=cv2.INTER_AREA), (0, 0), rng.uniform(0.6, 3.0)
    )
    alpha = np.asarray(soft, np.float32) / np.float32(255)
    y, x = np.mgrid[:h, :w].astype(np.float32)
    a = rng.uniform(0, 2 * np.pi)
    ramp = (x / w - 0.5) * math.cos(a) + (y / h - 0.5) * math.sin(a)
    base = rng.uniform(20, 235, 3).astype(np.float32)
    return np.clip(base + 60 * ramp[..., None], 0, 255).astype(np.float32), alpha


def _nose(mask: Picture, rng: np.random.Generator) -> None:
    h, w = mask.shape
    centre = (int(w * rng.uniform(0.35, 0.65)), int(h * rng.uniform(1.0, 1.15)))
    axes = (int(w * rng.uniform(0.12, 0.3)), int(h * rng.uniform(0.3, 0.5)))
    cv2.ellipse(mask, centre, axes, rng.uniform(-15, 15), 0, 360, (255,), -1, cv2.LINE_AA)


def _strut(mask: Picture, rng: np.random.Generator) -> None:
    h, w = mask.shape
    for _ in range(int(rng.integers(1, 4))):
        a = (int(w * rng.uniform(0, 1)), -20 if rng.random() < 0.5 else h + 20)
        b = (-20 if rng.random() < 0.5 else w + 20, int(h * rng.uniform(0.2, 0.8)))
        cv2.line(mask, a, b, (255,), int(h * rng.uniform(0.006, 0.06)), cv2.LINE_AA)


def _guard(mask: Picture, rng: np.random.Generator) -> None:
    h, w = mask.shape
    centre = (int(w * rng.choice([0.0, 1.0])), int(h * rng.uniform(0.2, 1.0)))
    radius = int(h * rng.uniform(0.25, 0.6))
    thick = int(h * rng.uniform(0.01, 0.03))
    cv2.circle(mask, centre, radius, (255,), thick, cv2.LINE_AA)
    if rng.random() < 0.5:
        cv2.circle(mask, centre, int(radius * 0.9), (255,), max(4, thick // 2), cv2.LINE_AA)
    count, start = int(rng.integers(3, 9)), rng.uniform(0, 6.28)
    for k in range(count):
        a = start + 2 * np.pi * k / count
        end = (int(centre[0] + radius * math.cos(a)), int(centre[1] + radius * math.sin(a)))
        cv2.line(mask, centre, end, (255,), max(4, thick // 2), cv2.LINE_AA)


def _wing(mask: Picture, rng: np.random.Generator) -> None:
    h, w = mask.shape
    side = rng.choice([-1, 1])
    root = 0 if side < 0 else w
    tip = int(w * (0.5 + side * rng.uniform(-0.1, 0.2)))
    y, chord = h * rng.uniform(0.3, 0.9), h * rng.uniform(0.1, 0.3)
    corners = [(root, y), (root, y + chord), (tip, y + chord * 0.7), (tip, y + chord * 0.3)]
    cv2.fillPoly(mask, [np.array(corners, np.int32)], (255,), cv2.LINE_AA)
    for k in range(int(rng.integers(0, 4))):  # ribs and hinge lines show through
        x = int(root + (tip - root) * (0.2 + 0.2 * k))
        cv2.line(mask, (x, int(y)), (x, int(y + chord)), (170,), 8, cv2.LINE_AA)


def _legs(mask: Picture, rng: np.random.Generator) -> None:
    h, w = mask.shape
    foot = int(h * rng.uniform(0.15, 0.3))
    for x in (0.3, 0.7):
        a = int(w * (x + rng.uniform(-0.1, 0.1)))
        thick = int(h * rng.uniform(0.01, 0.03))
        cv2.line(mask, (a, -20), (a + int(rng.uniform(-0.1, 0.1) * w), foot), (255,), thick)
        cv2.line(mask, (a - 120, foot), (a + 160, foot), (255,), thick, cv2.LINE_AA)


_DRAW: dict[str, Callable[[Picture, np.random.Generator], None]] = {
    "nose": _nose, "strut": _strut, "guard": _guard, "wing": _wing, "legs": _legs,
}  # fmt: skip
