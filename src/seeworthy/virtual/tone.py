"""Tone curves of the virtual camera: linear light to the coded signal, 0 to 1."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt


def bt709(light: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Code light as ITU-R BT.709-6, item 1.2, has it; the toe goes on below zero."""
    root = 1.099 * np.power(np.maximum(light, 1e-9), 0.45) - 0.099
    return np.where(light < 0.018, 4.5 * light, root)


def srgb(light: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Code light as IEC 61966-2-1 has it."""
    root = 1.055 * np.power(np.maximum(light, 1e-9), 1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, 12.92 * light, root)
