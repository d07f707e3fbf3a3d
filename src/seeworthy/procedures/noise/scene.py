"""Noise of any still scene: tiles of like brightness pooled to levels; and whether it is still.

Without a step scale there is no surface of known reflectance: the grey of a level is the light
in the picture itself. Only the flattest tiles are used, because the least shake of the camera
makes texture flicker.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.noise.measure import NoiseLevel

Floats = npt.NDArray[np.float64]
Box = tuple[int, int, int, int]

TILE = 32  # px: 1024 pixels tell a spread to 2 % (derived)
_PER_STOP = 3  # levels of light that are told apart (a judgement)
_MOST = 24  # tiles of a level: more tell no more (a judgement)
_LEAST = 4  # tiles or levels that a median needs (a judgement)
_OUTLIER = 1.6  # times: 4 dB off the line of its neighbours (a judgement)
_SMOOTH = 2.0  # px: so that grain moves nothing (a judgement)


@dataclass(frozen=True, slots=True)
class SceneMotion:
    """How far the picture shifted between two means, px, and the share of tiles that changed."""

    shift: float
    changed: float


def motion_between(first: npt.NDArray[np.floating], last: npt.NDArray[np.floating]) -> SceneMotion:
    """Compare the means of the first and the last frames.

    Args:
        first, last: arrays (H, W). Mean code values.

    Returns:
        The shift by least squares on the gradient, good to some px.
    """
    a, b = (
        cv2.GaussianBlur(np.asarray(m, np.float32), (0, 0), _SMOOTH).astype(np.float64)
        for m in (first, last)
    )
    gx = (a[1:-1, 2:] - a[1:-1, :-2]) / 2
    gy = (a[2:, 1:-1] - a[:-2, 1:-1]) / 2
    change = (b - a)[1:-1, 1:-1]
    # Light that changes as a whole is no movement.
    change = change - float(np.median(change))
    strong = np.hypot(gx, gy) > 1.0
    if int(strong.sum()) < 200:
        return SceneMotion(0.0, 0.0)
    g = np.stack([gx[strong], gy[strong]], axis=1)
    found, _, _, _ = np.linalg.lstsq(g, -change[strong], rcond=None)
    texture, moved = _tiles(a, np.std), _tiles(b - a, np.std)
    quiet = float(np.median(np.sort(moved.ravel())[: max(1, moved.size // 2)]))
    rough = texture > 4.0
    changed = moved > np.maximum(8 * quiet, 0.12 * texture + 0.5)
    share = float(changed[rough].mean()) if rough.sum() >= _LEAST else 0.0
    return SceneMotion(float(np.hypot(*found)), share)


def _tiles(image: npt.NDArray[np.floating], how: Any) -> Floats:
    rows, columns = image.shape[0] // TILE, image.shape[1] // TILE
    if rows < 1 or columns < 1:
        raise CannotMeasure("The picture is too small.", "Film with more pixels.")
    cut = image[: rows * TILE, : columns * TILE].reshape(rows, TILE, columns, TILE)
    return np.asarray(how(cut, axis=(1, 3)))


def choose_tiles(light: npt.NDArray[np.floating], limits: tuple[float, float]) -> list[list[Box]]:
    """Return the flattest tiles of each third of a stop, darkest first.

    Args:
        light: array (H, W). Mean of the frames in linear light.
        limits: (low, high). Light near which tiles are left out, because noise is clipped there.

    Returns:
        list of lists of (x, y, w, h)
    """
    mean = _tiles(light, np.mean)
    rough = _tiles(light, np.std) / np.maximum(mean, 1e-6)
    usable = (mean > max(limits[0], 0) + 0.003) & (mean < 0.9 * limits[1])
    bins: dict[int, list[tuple[float, Box]]] = {}
    for row, column in zip(*np.nonzero(usable), strict=True):
        place = math.floor(_PER_STOP * math.log2(float(mean[row, column])))
        box = (int(column) * TILE, int(row) * TILE, TILE, TILE)
        bins.setdefault(place, []).append((float(rough[row, column]), box))
    found = []
    for place in sorted(bins):
        flat = sorted(bins[place])[: max(1, len(bins[place]) // 2)]
        if len(flat) >= _LEAST:
            found.append([box for _, box in flat[:_MOST]])
    return found


def pool(levels: Sequence[NoiseLevel], name: str) -> NoiseLevel | None:
    """Put tiles of one brightness together; None where too few agree.

    Tiles in which something moved stand out and are left out.
    """
    if len(levels) < _LEAST:
        return None
    typical = float(np.median([v.temporal for v in levels]))
    kept = [v for v in levels if typical / _OUTLIER <= v.temporal <= _OUTLIER * typical]
    if len(kept) < _LEAST:
        return None
    squares = np.array([v.temporal**2 for v in kept])
    mean = float(squares.mean())
    dof = sum(v.dof for v in kept)
    # Tiles that differ more than chance has it: their scatter counts.
    scatter = float(squares.var(ddof=1)) / mean**2
    seen = 2 * len(kept) / scatter if scatter > 0 else dof
    dof = seen if seen < 0.5 * dof else dof
    temporal = math.sqrt(mean)
    fixed = float(np.median([v.fixed_variance for v in kept]))
    u_fixed = float(np.std([v.fixed_variance for v in kept], ddof=1)) / math.sqrt(len(kept))
    root = math.sqrt(max(fixed, 0.0))

    def average(field: str) -> float:
        return float(np.mean([getattr(v, field) for v in kept]))

    signal = average("signal")
    return NoiseLevel(
        name, signal, float(np.std([v.signal for v in kept])) / math.sqrt(len(kept)), temporal,
        temporal / math.sqrt(2 * dof), dof, root, math.sqrt(max(fixed, 0.0) + u_fixed) - root,
        fixed, u_fixed, average("codes"), average("step"), average("neighbours"),
        average("repeated"), average("frozen"), average("smear"), average("flicker"),
        average("bands"), average("sparse"), sum(v.pixels for v in kept), kept[0].frames,
    )  # fmt: skip
