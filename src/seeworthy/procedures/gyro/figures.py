"""Figures of the gyro procedure, as data."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.optics.turning import AXES

Floats = npt.NDArray[np.float64]

_MOST = 600  # points of a line; more cannot be seen


def rates_figure(time: Floats, picture: Floats, told: Floats) -> Figure:
    """Return rotation by picture and by log over time, for the axis that moves most."""
    axis = int(np.nanargmax(np.nanstd(picture, axis=0)))
    pick = slice(None, None, max(1, len(time) // _MOST))
    shown = [np.degrees(v[pick, axis]) for v in (picture, told)]

    def plain(values: Floats) -> list[Any]:
        return [float(v) if np.isfinite(v) else None for v in values]

    return Figure(
        "gyro_rates",
        f"{AXES[axis].capitalize()} by the picture and by the gyroscope",
        "Where both lie on each other, lens, offset and axes are right.",
        {"time": plain(time[pick]), "picture": plain(shown[0]), "log": plain(shown[1])},
        Axis("time", "time of the clip", "s"),
        Axis("picture", "rotation", "deg/s", zero=True),
        (Mark("line", y="picture", label="picture"), Mark("line", y="log", label="gyroscope")),
    )
