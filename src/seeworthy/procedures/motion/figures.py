"""Figures of the motion procedure, as data."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.optics.turning import AXES
from seeworthy.procedures.motion.measure import RotationRates

Floats = npt.NDArray[np.float64]

_MOST = 600  # points of a line; more cannot be seen


def _plain(values: Floats) -> list[Any]:
    return [float(v) if np.isfinite(v) else None for v in values]


def rates_figure(rates: RotationRates) -> Figure:
    """Return the rates of all axes over time."""
    pick = slice(None, None, max(1, len(rates.time) // _MOST))
    columns = {"time": _plain(rates.time[pick])}
    for i, axis in enumerate(AXES):
        columns[axis] = _plain(np.degrees(rates.rate[pick, i]))
    return Figure(
        "rotation",
        "Rotation over time",
        "Pitch up, yaw to the right and roll clockwise count as positive.",
        columns,
        Axis("time", "time", "s"),
        Axis("yaw", "rotation", "deg/s", zero=True),
        tuple(Mark("line", y=axis, label=axis) for axis in AXES),
    )


def spectrum_figure(f: Floats, density: Floats) -> Figure:
    """Return the spectral density of the rates, thinned evenly on a log scale."""
    edges = np.unique(np.round(np.geomspace(1, len(f) - 1, 200)).astype(int))
    parts = [(float(f[a:b].mean()), density[a:b].mean(0)) for a, b in itertools.pairwise(edges)]
    columns: dict[str, list[Any]] = {"frequency": [p[0] for p in parts]}
    for i, axis in enumerate(AXES):
        columns[axis] = [max(float(p[1][i]), 1e-9) for p in parts]
    return Figure(
        "rotation_spectrum",
        "Spectrum of the rotation",
        "A swing stands out on the left, vibration on the right.",
        columns,
        Axis("frequency", "frequency", "Hz", scale="log"),
        Axis("yaw", "spectral density", "(deg/s)²/Hz", scale="log"),
        tuple(Mark("line", y=axis, label=axis) for axis in AXES),
    )
