"""Compact coloured spots of a flat field."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from seeworthy.ground.statistics import robust_spread
from seeworthy.optics.hues import hue_word
from seeworthy.procedures.shading.surface import robust_fit

Floats = npt.NDArray[np.float64]

LEAST_SPOT = 0.002  # Δu'v': half of what the study calls a spot (0.004)
_SPOT_Z = 7.0  # times its noise: hundreds of places are looked at (a judgement)
_CENTRED = 0.05  # shares of the width from the optical centre (a judgement)


@dataclass(frozen=True, slots=True)
class Spot:
    """A compact deviation.

    Attributes:
        x, y, size: Place and full width at half height, px.
        strength: Δu'v' of its middle against what is round it.
        hue: Towards which it differs: the nearest of the primaries of IEC 61966-2-1 and their sums.
        centred: It lies on the optical centre: lens, filter or sensor.
    """

    x: float
    y: float
    size: float
    strength: float
    hue: str
    centred: bool = False


def is_centred(x: float, y: float, centre: tuple[float, float], width: int) -> bool:
    """Return whether a place lies on the optical centre, all in px."""
    return math.hypot(x - centre[0], y - centre[1]) < _CENTRED * width


def radial_terms(x: Floats, y: Floats, centre: tuple[float, float], tall: float) -> Floats:
    """Return what a lens may do along the radius: a plane, r² and r⁴, (blocks, 5)."""
    r2 = (x - centre[0]) ** 2 + (tall * (y - centre[1])) ** 2
    """Return what a lens may do along the radius: constant, plane, r² and r⁴, (blocks, 5)."""
    columns = [np.ones(x.size), x.ravel(), y.ravel(), r2.ravel(), (r2**2).ravel()]
    return np.stack(columns, axis=1)


def find_spot(uv: Floats, terms: Floats, size: tuple[int, int]) -> tuple[Spot, Floats] | None:
    """Return the strongest compact tint that stands out of the noise and its shape, or None.

    A lens tints along the radius; a hot spot must not be taken for that, so spots are looked
    for against a stiff surface, the combination of `terms`.
    """
    rows, columns = uv.shape[:2]
    smooth = [terms @ robust_fit(terms, uv[..., k].ravel(), 0.0)[0] for k in range(2)]
    place = _strongest(uv - np.stack(smooth, axis=-1).reshape(uv.shape))
    if place is None:
        return None
    row, column, area = place
    x, y, sigma, way = _fit_spot(uv, terms, row, column, math.sqrt(area / math.pi) / 1.18)
    half = 1.18 * sigma
    if not (half < x + 0.5 < columns - half and half < y + 0.5 < rows - half):
        return None  # not seen whole: it cannot be told from the tint of a corner
    scale = (size[0] / columns, size[1] / rows)
    spot = Spot(
        (x + 0.5) * scale[0] - 0.5, (y + 0.5) * scale[1] - 0.5, 2.355 * sigma * scale[0],
        float(np.hypot(*way)), hue_word(way),
    )  # fmt: skip
    return spot, _bump(rows, columns, x, y, sigma)


def _strongest(residual: Floats) -> tuple[int, int, int] | None:
    """Return row, column and area in blocks of the spot that stands out most."""
    rows, columns = residual.shape[:2]
    best: tuple[float, tuple[int, int, int]] | None = None
    for sigma in (1.0, 2.0, 4.0):
        smooth = np.stack(
            [cv2.GaussianBlur(residual[..., k].copy(), (0, 0), sigma) for k in range(2)], axis=-1
        )
        strength = np.hypot(smooth[..., 0], smooth[..., 1])
        noise = np.array([robust_spread(smooth[..., k]) for k in range(2)])
        row, column = (int(i) for i in np.unravel_index(int(strength.argmax()), strength.shape))
        height = float(strength[row, column])
        if height < LEAST_SPOT or height < _SPOT_Z * float(np.hypot(*noise)):
            continue
        # Compact: it falls to half within a quarter of the frame.
        _, labels = cv2.connectedComponents((strength > height / 2).astype(np.uint8))
        area = int((labels == labels[row, column]).sum())
        if area > 0.08 * rows * columns:
            continue
        if best is None or height > best[0]:
            best = height, (row, column, area)
    return None if best is None else best[1]


def _fit_spot(
    uv: Floats, terms: Floats, row: int, column: int, sigma: float
) -> tuple[float, float, float, Floats]:
    """Fit a round Gaussian on the stiff surface: x, y, sigma in blocks, height (Δu', Δv')."""
    rows, columns = uv.shape[:2]
    seen = uv.reshape(-1, 2)

    def fitted(p: Floats) -> tuple[Floats, Floats]:
        a = np.column_stack([terms, _bump(rows, columns, p[0], p[1], p[2])])
        c = np.linalg.lstsq(a, seen, rcond=None)[0]
        return a @ c - seen, c[-1]

    low = (column - 4.0, row - 4.0, 0.4)
    high = (column + 4.0, row + 4.0, 0.25 * columns)
    start = (float(column), float(row), float(np.clip(sigma, 0.6, 0.2 * columns)))
    found = least_squares(
        lambda p: fitted(p)[0].ravel(), start, bounds=(low, high), x_scale=(1.0, 1.0, 1.0),
        diff_step=1e-3,
    )  # fmt: skip
    height = fitted(found.x)[1]
    return float(found.x[0]), float(found.x[1]), float(found.x[2]), np.asarray(height)


def _bump(rows: int, columns: int, x: float, y: float, sigma: float) -> Floats:
    """Return a round Gaussian of height 1 at every block, (rows · columns,)."""
    down, across = np.mgrid[:rows, :columns]
    return np.asarray(np.exp(-((across - x) ** 2 + (down - y) ** 2) / (2 * sigma**2)).ravel())
