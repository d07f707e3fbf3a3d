"""A wide tint: where a part of the picture has another hue than its border.

Made small, a flat field shows it at a glance: the middle is reddish, say, and the border is not.
A compact hot spot is sharper than this and is looked for against a surface that takes such a
tint for the lens's (`measure`); here a round hill on a plane is fitted to the whole field, so
that nothing wide is left out. What is round about the optical centre may come from the lens, the
filter or the sensor: one field cannot tell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.optics.colour import XYZ_OF_RGB
from seeworthy.optics.hues import GREY, chroma_step, hue_word, uv_of
from seeworthy.procedures.shading.spots import LEAST_SPOT, is_centred

Floats = npt.NDArray[np.float64]

_NARROW, _WIDE = 0.06, 0.35  # sigma, shares of the width: compact spots below, the plane above
_FLOOR = 0.0003  # Δu'v', that of the tint (see `measure`)


@dataclass(frozen=True)
class Wide:
    """A wide tint.

    Attributes:
        x, y, size: Place and full width at half height, px.
        strength, u: Δu'v' of its middle against the corners of the frame.
        hue: Towards which it differs: the nearest of the primaries of IEC 61966-2-1 and their sums.
        centred: It lies on the optical centre: lens, filter or sensor.
    """

    x: float
    y: float
    size: float
    strength: float
    u: float
    hue: str
    centred: bool


def find_wide(field: Floats, size: tuple[int, int], centre: tuple[float, float]) -> Wide | None:
    """Return the wide tint of a flat field, or None where none stands out.

    Args:
        field: array (rows, columns, 3). Block means of linear RGB, the mean of both takes where
            there are two.
        size: (width, height). Of the frame, px.
        centre: (x, y). Optical centre, px.
    """
    rows, columns = field.shape[:2]
    down, across = np.mgrid[:rows, :columns]
    tall = size[1] / size[0] * columns / rows  # a block's height in widths of a block
    plane = np.column_stack([np.ones(rows * columns), across.ravel(), down.ravel()])
    seen = uv_of(field).reshape(-1, 2)

    def hill(p: Floats) -> Floats:
        away = (across - p[0]) ** 2 + (tall * (down - p[1])) ** 2
        return np.asarray(np.exp(-away / (2 * p[2] ** 2)).ravel())

    def fitted(p: Floats) -> tuple[Floats, Floats]:
        a = np.column_stack([plane, hill(p)])
        c = np.linalg.lstsq(a, seen, rcond=None)[0]
        return np.asarray((a @ c - seen).ravel()), np.asarray(c[-1])

    best = None
    for sigma in (0.1, 0.22):
        start = ((columns - 1) / 2, (rows - 1) / 2, sigma * columns)
        low = (0.1 * columns, 0.1 * rows, _NARROW * columns)
        high = (0.9 * columns, 0.9 * rows, _WIDE * columns)
        found = least_squares(
            lambda p: fitted(p)[0], start, bounds=(low, high), diff_step=1e-3, loss="soft_l1",
            f_scale=0.002,
        )  # fmt: skip
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    corners = hill(best.x).reshape(rows, columns)[[0, 0, -1, -1], [0, -1, 0, -1]]
    way = fitted(best.x)[1] * (1 - float(corners.mean()))
    strength = float(np.hypot(*way))
    whole = np.broadcast_to(field.mean(axis=(0, 1)), (4, 4, 3))
    u = math.hypot(_FLOOR, 0.25 * chroma_step(np.asarray(whole)), 0.03 * strength)
    if strength < max(LEAST_SPOT, coverage_factor() * u):
        return None
    scale = size[0] / columns
    x = (float(best.x[0]) + 0.5) * scale - 0.5
    y = (float(best.x[1]) + 0.5) * size[1] / rows - 0.5
    return Wide(
        x, y, 2.355 * float(best.x[2]) * scale, strength, u, hue_word(way),
        is_centred(x, y, centre, size[0]),
    )  # fmt: skip


def exaggerated(field: Floats, times: float) -> npt.NDArray[np.uint8]:
    """Return the field's hues at even light, their differences from the border enlarged.

    Args:
        field: array (rows, columns, 3)

    Returns:
        array (rows, columns, 3) uint8. sRGB.
    """
    uv = uv_of(field)
    border = np.concatenate([uv[[0, -1]].reshape(-1, 2), uv[:, [0, -1]].reshape(-1, 2)])
    grey = uv_of(GREY[None])[0]
    u, v = np.moveaxis(grey + times * (uv - border.mean(axis=0)), -1, 0)
    # CIE 1976 u'v' back to XYZ at luminance 0.35.
    xyz = 0.35 * np.stack([9 * u / (4 * v), np.ones_like(u), (12 - 3 * u - 20 * v) / (4 * v)], -1)
    rgb = np.clip(xyz @ np.linalg.inv(XYZ_OF_RGB).T, 0, 1)
    coded = np.where(rgb <= 0.0031308, 12.92 * rgb, 1.055 * rgb ** (1 / 2.4) - 0.055)
    return np.asarray(np.round(255 * coded), np.uint8)
