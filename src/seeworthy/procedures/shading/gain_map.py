"""The gain that evens out a lens: a smooth surface per colour channel of a flat field.

The fall-off of a lens is smooth, so its logarithm is fitted with a polynomial per channel;
texture of the wall, noise and compact spots stay out of it. A hot spot that is the
camera's is fitted along and told apart. The lamp's share, which
`measure` beside this tells from the lens by a turned take, is taken off: it is not the
camera's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.polynomial import legendre

from seeworthy.ground.statistics import robust_spread
from seeworthy.procedures.shading.spots import Spot

Floats = npt.NDArray[np.float64]

GRID = (32, 18)
"""Columns and rows of the gain grid."""

CAP = 8.0
"""Largest gain, three stops: beyond it there is more noise than picture to lift."""

_DEGREE = 6  # as in `measure`
_LEAST_SCALE = 0.004  # stops; what a real fall-off differs from a polynomial


@dataclass(frozen=True, slots=True)
class GainMap:
    """What to multiply linear light with.

    Attributes:
        gain: array (rows, columns, 3). At the centres of the grid's cells, which span the frame; 1
            at the optical centre.
        cap: Largest gain that was allowed.
        capped: Share of the cells where more would have been needed.
        spot: Stops by which the middle of the hot spot is too bright, per channel; not in `gain`.
    """

    gain: Floats
    cap: float
    capped: float
    spot: tuple[float, float, float] | None = None


def gain_map(
    fields: Sequence[Floats],
    lamp: tuple[float, float],
    centre: tuple[float, float],
    size: tuple[int, int],
    spot: Spot | None = None,
) -> GainMap:
    """Return the gain that makes the field even.

    Args:
        fields: one or two arrays (rows, columns, 3). Block means of linear RGB; the second with the
            camera turned by 180°, in its own frame.
        lamp: (x, y). Stops of the lamp from left to right and top to bottom. With two takes it
            cancels in their mean; with one it cannot be told from the lens, and half of it is taken
            off: the fault is at most half the slope, whichever it is.
        centre: (x, y). Optical centre, px.
        size: (width, height). Of the frame, px.
        spot: A hot spot of the camera's own.
    """
    rows, columns = fields[0].shape[:2]
    terms = _terms(_places(columns), _places(rows))
    smooth = terms.shape[1]
    if spot is not None:
        across, down = ((np.arange(n) + 0.5) * side / n - 0.5 for n, side in
                        zip((columns, rows), size, strict=True))  # fmt: skip
        terms = np.column_stack([terms, bump(across, down, spot.x, spot.y, spot.size).ravel()])
    goal = _terms(_places(GRID[0]), _places(GRID[1]))
    at = [2 * (centre[i] + 0.5) / size[i] - 1 for i in range(2)]
    middle = _terms(np.array([at[0]]), np.array([at[1]]))
    stops = np.empty((GRID[1], GRID[0], 3))
    tops = []
    for k in range(3):
        seen = np.mean([np.log2(np.maximum(f[..., k], 1e-5)) for f in fields], axis=0)
        c = _robust(terms, seen.ravel())
        tops.append(float(c[smooth:].sum()))
        c = c[:smooth]
        stops[..., k] = (goal @ c).reshape(GRID[1], GRID[0]) - (middle @ c)[0]
    if len(fields) == 1:
        x, y = np.meshgrid(_places(GRID[0]), _places(GRID[1]))
        stops -= (lamp[0] / 4 * (x - at[0]) + lamp[1] / 4 * (y - at[1]))[..., None]
    needed = np.exp2(-stops)
    over = (needed > CAP).any(axis=2)
    height = None if spot is None else (tops[0], tops[1], tops[2])
    return GainMap(np.minimum(needed, CAP), CAP, float(over.mean()), height)


def bump(across: Floats, down: Floats, x: float, y: float, size: float) -> Floats:
    """Return a round Gaussian of height 1, (rows, columns).

    Args:
        across, down: Places of columns and rows, px.
        size: Full width at half height, px.
    """
    away = (across - x) ** 2 + (down[:, None] - y) ** 2
    return np.asarray(np.exp(-4 * np.log(2) * away / size**2))


def _places(count: int) -> Floats:
    """Centres of cells, the frame reaching from -1 to 1."""
    return np.asarray((np.arange(count) + 0.5) / count * 2 - 1)


def _terms(x: Floats, y: Floats) -> Floats:
    """Products of Legendre polynomials up to the degree, (rows · columns, terms)."""
    across, down = np.meshgrid(x, y)
    full = legendre.legvander2d(across.ravel(), down.ravel(), [_DEGREE, _DEGREE])
    total = np.add.outer(np.arange(_DEGREE + 1), np.arange(_DEGREE + 1)).ravel()
    return np.asarray(full[:, total <= _DEGREE])


def _robust(a: Floats, b: Floats) -> Floats:
    """Least squares with Tukey's biweight: compact spots do not pull the surface."""
    weight = np.ones_like(b)
    c: Floats = np.zeros(a.shape[1])
    for _ in range(10):
        # The products of Legendre polynomials are nearly orthogonal: normal equations will do.
        weighted = a * weight[:, None]
        c = np.asarray(np.linalg.solve(weighted.T @ a, weighted.T @ b), np.float64)
        rest = b - a @ c
        scale = max(robust_spread(rest, about=0), _LEAST_SCALE)
        weight = np.clip(1 - (rest / (5 * scale)) ** 2, 0, None) ** 2
    return c
