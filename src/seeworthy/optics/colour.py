"""Colour spaces and differences: linear BT.709 to XYZ, Lab, u'v', ΔE00.

Thin door to colour-science, which is imported late because it is large. Lab is relative to
D65, the white of BT.709 and sRGB: linear (1, 1, 1) is L* 100.
"""

from __future__ import annotations

import warnings
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

XYZ_OF_RGB = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
"""IEC 61966-2-1:1999: linear RGB (BT.709 primaries, D65) to XYZ, Y 1 at white."""

WHITE_D65 = XYZ_OF_RGB.sum(axis=1)
WHITE_D50 = np.array([0.9642, 1.0, 0.8249])
"""White of the ICC profile connection space (ICC.1, 7.2.16)."""


@lru_cache(maxsize=1)
def colour_science() -> Any:
    """Import colour-science; it warns about plotting packages that are not wanted here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def xyz_of(rgb: npt.ArrayLike) -> Floats:
    """Return XYZ of linear RGB, (..., 3)."""
    return np.asarray(np.asarray(rgb, float) @ XYZ_OF_RGB.T)


def rgb_of(xyz: npt.ArrayLike) -> Floats:
    """Return linear RGB of XYZ relative to D65, (..., 3); outside the gamut it is negative."""
    return np.asarray(np.asarray(xyz, float) @ np.linalg.inv(XYZ_OF_RGB).T)


def luminance(rgb: npt.ArrayLike) -> Floats:
    """Return luminance of linear RGB, 1 at white, (...)."""
    return np.asarray(np.asarray(rgb, float) @ XYZ_OF_RGB[1])


def lab_of_xyz(xyz: npt.ArrayLike, white: Floats = WHITE_D65) -> Floats:
    """Return CIE 1976 L*a*b* (ISO/CIE 11664-4), (..., 3)."""
    colour = colour_science()
    return np.asarray(colour.XYZ_to_Lab(np.asarray(xyz, float), colour.XYZ_to_xy(white)), float)


def xyz_of_lab(lab: npt.ArrayLike, white: Floats = WHITE_D65) -> Floats:
    """Return XYZ of CIE 1976 L*a*b*, (..., 3), Y 1 at white."""
    colour = colour_science()
    return np.asarray(colour.Lab_to_XYZ(np.asarray(lab, float), colour.XYZ_to_xy(white)), float)


def lab_of(rgb: npt.ArrayLike) -> Floats:
    """Return L*a*b* of linear RGB, (..., 3)."""
    return lab_of_xyz(xyz_of(rgb))


def chroma_of(lab: Floats) -> Floats:
    """Return C*ab, (...)."""
    return np.asarray(np.hypot(lab[..., 1], lab[..., 2]))


def hue_of(rgb: npt.ArrayLike) -> Floats:
    """Return CIE 1976 u', v' of linear RGB, (..., 2); black is NaN."""
    return hue_of_xyz(xyz_of(rgb))


def hue_of_xyz(xyz: npt.ArrayLike) -> Floats:
    """Return CIE 1976 u', v' (ISO/CIE 11664-5), (..., 2); black is NaN."""
    colour = colour_science()
    return np.asarray(colour.models.xy_to_Luv_uv(colour.XYZ_to_xy(xyz)), float)


def de00(lab_1: npt.ArrayLike, lab_2: npt.ArrayLike) -> Floats:
    """Return CIEDE2000 (ISO/CIE 11664-6; Sharma, Wu and Dalal 2005), (...)."""
    colour = colour_science()
    a, b = np.broadcast_arrays(np.asarray(lab_1, float), np.asarray(lab_2, float))
    return np.asarray(colour.delta_E(a, b, method="CIE 2000"), float)


def adapt(xyz: npt.ArrayLike, source: Floats, target: Floats) -> Floats:
    """Return XYZ adapted from one white to another (Bradford, as ICC.1 has it), (..., 3)."""
    colour = colour_science()
    matrix = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        source, target, transform="Bradford"
    )
    return np.asarray(np.asarray(xyz, float) @ np.asarray(matrix, float).T)
