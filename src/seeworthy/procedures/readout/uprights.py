"""Finding uprights in bands of rows: which straight, nearly vertical edges a frame holds.

For every trial lean the bands are shifted against each other and summed; an upright
edge makes all bands agree at one place. Each hit is then followed band by band.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

# Share of bands that must agree for a hit.
_AGREE = 0.36
_OFFSETS = np.arange(-32, 33, 4)


@dataclass(frozen=True, slots=True)
class Edges:
    """Upright edges of one run at one scale, n of them, sorted by frame.

    Attributes:
        frame: (n,) int. Number within the run.
        place: (n,) float. Column where it crosses the middle of the frame.
        lean: (n,) float. Slope dx/dy, columns per row.
        bend: (n,) float. Quadratic term, columns per row squared.
        sign: (n,) int, +1 dark to bright from left to right.
        look: (n, m) float32. What it looks like along its path: unit vectors for comparing.
        scale: Width of the derivative filter, px.
    """

    frame: npt.NDArray[np.int64]
    place: Doubles
    lean: Doubles
    bend: Doubles
    sign: npt.NDArray[np.int64]
    look: Floats
    scale: float

    def __len__(self) -> int:
        return len(self.frame)


def slope_image(bands: npt.NDArray[Any], scale: float) -> Floats:
    """Return the derivative along x of Gaussian-smoothed bands, (K, B, W).

    Args:
        bands: Linear light.
        scale: Standard deviation of the Gaussian, px.
    """
    half = int(np.ceil(3 * scale))
    u = np.arange(-half, half + 1, dtype=np.float32)
    kernel = u * np.exp(-0.5 * (u / scale) ** 2)
    kernel /= np.sum(u * kernel)
    frames, count, width = bands.shape
    flat = np.ascontiguousarray(bands, np.float32).reshape(frames * count, width)
    out = cv2.filter2D(flat, cv2.CV_32F, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32).reshape(frames, count, width)


def find_edges(
    bands: npt.NDArray[Any], rows: Doubles, height: int, scale: float, steepest: float
) -> Edges:
    """Find upright edges in every frame of a run.

    Args:
        rows: (B,) array. Row of each band relative to the middle of the frame.
        height: Rows of the frame.
        scale: Derivative scale, px.
        steepest: Largest lean searched, columns per row.
    """
    slope = slope_image(bands, scale)
    floor = 2.5 * float(np.median(np.abs(slope))) + 3e-4
    agreed = (slope / (np.abs(slope) + floor)).astype(np.float32)
    frame, place, lean, sign = _shear_search(agreed, rows, height, scale, steepest)
    place, lean, bend, good = _follow(slope, rows, frame, place, lean, sign, scale, floor)
    kept = np.flatnonzero(good)
    kept = kept[_distinct(frame[kept], place[kept], sign[kept], max(3.0, 1.5 * scale))]
    frame, sign = frame[kept], sign[kept]
    place, lean, bend = place[kept], lean[kept], bend[kept]
    look = _looks(agreed, rows, frame, place, lean, bend, scale)
    return Edges(frame, place, lean, bend, sign, look, scale)


def _shear_search(
    agreed: Floats, rows: Doubles, height: int, scale: float, steepest: float
) -> tuple[npt.NDArray[np.int64], Doubles, Doubles, npt.NDArray[np.int64]]:
    """Return frame, place, lean and sign of every place where the bands agree."""
    thin = 2 if scale < 6 else 4
    small = np.ascontiguousarray(agreed[:, :, ::thin].transpose(1, 0, 2))  # (B, K, W/thin)
    count, frames, width = small.shape
    pad = int(np.ceil(steepest * height / 2 / thin)) + 2
    padded = np.pad(small, ((0, 0), (0, 0), (pad, pad)))
    pitch = max(3.0, 1.2 * scale) / height
    leans = np.arange(-steepest, steepest + pitch / 2, pitch)
    best = np.zeros((frames, width), np.float32)
    which = np.zeros((frames, width), np.int16)
    total = np.empty((frames, width), np.float32)
    for number, lean in enumerate(leans):
        total.fill(0)
        for b in range(count):
            shift = pad + int(np.rint(lean * rows[b] / thin))
            total += padded[b, :, shift : shift + width]
        better = np.abs(total) > np.abs(best)
        best[better] = total[better]
        which[better] = number
    strength = np.abs(best)
    peak = cv2.dilate(strength, np.ones((1, 5), np.uint8))
    frame, column = np.nonzero((strength >= peak) & (strength > _AGREE * count))
    lean_found = leans[which[frame, column]]
    sign = np.where(best[frame, column] > 0, 1, -1)
    return frame, column.astype(float) * thin, lean_found, sign


def _follow(
    slope: Floats,
    rows: Doubles,
    frame: npt.NDArray[np.int64],
    place: Doubles,
    lean: Doubles,
    sign: npt.NDArray[np.int64],
    scale: float,
    floor: float,
) -> tuple[Doubles, Doubles, Doubles, npt.NDArray[np.bool_]]:
    """Locate each edge in each band near its straight path and fit a parabola through it."""
    n, count = len(frame), len(rows)
    width = slope.shape[2]
    reach = int(np.ceil(scale + 3))
    bend = np.zeros(n)
    good = np.zeros(n, bool)
    if n == 0:
        return place, lean, bend, good
    unit = rows / np.max(np.abs(rows))
    design = np.stack([np.ones(count), unit, unit**2], axis=1)
    where = np.zeros((n, count))
    weight = np.zeros((n, count))
    for _ in range(2):
        path = place[:, None] + lean[:, None] * rows + bend[:, None] * rows**2
        start = np.rint(path).astype(int)
        index = start[:, :, None] + np.arange(-reach, reach + 1)
        inside = (index[:, :, 0] >= 1) & (index[:, :, -1] < width - 1)
        window = (
            slope[
                frame[:, None, None], np.arange(count)[None, :, None], np.clip(index, 0, width - 1)
            ]
            * sign[:, None, None]
        )
        top = np.argmax(window, axis=2)
        inner = np.clip(top, 1, 2 * reach - 1)
        take = np.take_along_axis
        a, b, c = (take(window, inner[:, :, None] + d, 2)[:, :, 0] for d in (-1, 0, 1))
        curve = a - 2 * b + c
        sub = np.where(curve < 0, 0.5 * (a - c) / np.where(curve < 0, curve, -1), 0.0)
        where = start - reach + inner + np.clip(sub, -1, 1)
        usable = inside & (top == inner) & (b > 0.7 * floor)
        weight = usable.astype(float)
        for _ in range(3):
            fit = _weighted_fit(design, where, weight)
            residual = where - fit @ design.T
            weight = usable / (1 + (residual / 1.0) ** 2) ** 2
        half = np.max(np.abs(rows))
        place, lean, bend = fit[:, 0], fit[:, 1] / half, fit[:, 2] / half**2
    close = usable & (np.abs(residual) < 1.0 + 0.25 * scale)
    good = (close.sum(1) >= 0.36 * count) & (np.abs(bend) * half**2 < 25)
    # A straight edge fits nearly everywhere where it is seen at all.
    good &= close.sum(1) >= 0.6 * usable.sum(1)
    return place, lean, bend, good


def _weighted_fit(design: Doubles, values: Doubles, weight: Doubles) -> Doubles:
    """Weighted least squares of many rows at once: (n, 3) of (n, B)."""
    products = (design[:, :, None] * design[:, None, :]).reshape(len(design), 9)
    normal = (weight @ products).reshape(-1, 3, 3) + 1e-3 * np.diag([0, 0.01, 1.0])
    normal += 1e-9 * np.eye(3)
    right = (weight * values) @ design
    return np.asarray(np.linalg.solve(normal, right[:, :, None])[:, :, 0])


def _distinct(
    frame: npt.NDArray[np.int64], place: Doubles, sign: npt.NDArray[np.int64], apart: float
) -> npt.NDArray[np.int64]:
    """Return indices, sorted by frame and place, with repeats of one edge left out."""
    order = np.lexsort((place, sign, frame))
    if len(order) == 0:
        return order
    f, p, s = frame[order], place[order], sign[order]
    new = np.ones(len(order), bool)
    new[1:] = (np.diff(f) != 0) | (np.diff(s) != 0) | (np.diff(p) > apart)
    kept = order[new]
    return kept[np.lexsort((place[kept], frame[kept]))]


def _looks(
    agreed: Floats,
    rows: Doubles,
    frame: npt.NDArray[np.int64],
    place: Doubles,
    lean: Doubles,
    bend: Doubles,
    scale: float,
) -> Floats:
    """Return unit vectors of what surrounds each edge, straightened: (n, B * offsets)."""
    width = agreed.shape[2]
    count = len(rows)
    path = place[:, None] + lean[:, None] * rows + bend[:, None] * rows**2
    stretch = max(1.0, scale / 4)
    index = np.rint(path[:, :, None] + _OFFSETS * stretch).astype(int)
    inside = (index >= 0) & (index < width)
    look = agreed[
        frame[:, None, None], np.arange(count)[None, :, None], np.clip(index, 0, width - 1)
    ]
    look = look * inside
    # Two bands at a time: enough to tell edges apart, half the work.
    look = (look[:, 0 : count - 1 : 2] + look[:, 1:count:2]).reshape(
        len(frame), (count // 2) * len(_OFFSETS)
    )
    norm = np.linalg.norm(look, axis=1, keepdims=True)
    return np.asarray(look / np.maximum(norm, 1e-6), np.float32)
