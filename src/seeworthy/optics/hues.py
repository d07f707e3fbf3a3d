"""CIE 1976 u'v' (ISO/CIE 11664-5) of linear RGB, and words for differences of hue."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from seeworthy.optics.colour import XYZ_OF_RGB

Floats = npt.NDArray[np.float64]

GREY = np.array([1.0, 1.0, 1.0])
_PRIMARIES = {
    "red": (1, 0, 0), "yellow": (1, 1, 0), "green": (0, 1, 0), "blue-green": (0, 1, 1),
    "blue": (0, 0, 1), "purple": (1, 0, 1),
}  # fmt: skip


def uv_of(field: Floats) -> Floats:
    """Return CIE 1976 u', v' of linear RGB, (..., 2) of (..., 3)."""
    xyz = np.maximum(field, 0) @ XYZ_OF_RGB.T
    bottom = xyz @ np.array([1.0, 15.0, 3.0])
    return np.stack([4 * xyz[..., 0] / bottom, 9 * xyz[..., 1] / bottom], axis=-1)


def chroma_step(field: Floats) -> float:
    """Return how far, Δu'v', half a step of both 8-bit chroma codes moves the darkest corner.

    BT.709-6: red and blue move by 1.5748 and 1.8556 of a chroma step, coded in 224 steps.
    """
    corners = np.array([field[:2, :2], field[:2, -2:], field[-2:, :2], field[-2:, -2:]])
    rgb = corners.mean(axis=(1, 2))
    dark = np.maximum(rgb[int(np.argmin(rgb.sum(axis=1)))], 1e-4)
    signal = 1.099 * np.maximum(dark, 0.018) ** 0.45 - 0.099
    step = np.array([1.5748, 0.0, 1.8556]) / 224 * dark / (0.45 * (signal + 0.099))
    here = uv_of(dark[None])[0]
    return float(
        math.hypot(*(np.hypot(*(uv_of((dark + 0.5 * s)[None])[0] - here)) for s in np.diag(step)))
    )


def hue_word(way: Floats) -> str:
    """Return the word for a direction (Δu', Δv') from grey."""
    grey = uv_of(GREY[None])[0]
    angle = math.atan2(way[1], way[0])

    def off(rgb: tuple[int, int, int]) -> float:
        there = uv_of(np.array([rgb], float))[0] - grey
        turn = abs(math.atan2(there[1], there[0]) - angle) % (2 * math.pi)
        return min(turn, 2 * math.pi - turn)

    return min(_PRIMARIES, key=lambda word: off(_PRIMARIES[word]))
