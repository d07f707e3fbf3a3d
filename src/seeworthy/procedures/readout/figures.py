"""Figures of the readout procedure, as data."""

from __future__ import annotations

from typing import Any

from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.procedures.readout.lamp import LampReadout
from seeworthy.procedures.readout.passing import Passing


def lean_figure(found: Passing, height: int) -> Figure:
    """Return lean over image speed with the fit and its interval."""
    fit = found.fit
    sign = -1 if found.upwards else 1
    low, high = float(min(0, fit.speed.min())), float(max(0, fit.speed.max()))
    line = [low + (high - low) * i / 20 for i in range(21)]
    slope, half = sign * found.row_time * height, coverage_factor(found.dof) * found.u * height
    n = len(fit.speed)
    columns: dict[str, list[Any]] = {
        "speed": [float(v) for v in fit.speed] + line,
        "lean": [float(v) * height for v in fit.lean] + [None] * 21,
        "fit": [None] * n + [slope * v for v in line],
        "low": [None] * n + [slope * v - half * abs(v) for v in line],
        "high": [None] * n + [slope * v + half * abs(v) for v in line],
    }
    return Figure(
        "lean_over_speed",
        "Lean of uprights over their image speed",
        f"{n} edges; the slope of the line is the read-out time, the band its 95 % interval. "
        "Roll, pitch and lens bend are taken out.",
        columns,
        Axis("speed", "image speed", "px/s", zero=True),
        Axis("lean", "lean over the frame", "px", zero=True),
        (
            Mark("band", low="low", high="high", label="95 % interval"),
            Mark("line", y="fit", label="fit"),
            Mark("points", y="lean", label="edges"),
        ),
    )


def band_figure(found: LampReadout) -> Figure:
    """Return the bands of the first frame, seen and fitted."""
    pick = slice(None, None, max(1, len(found.rows) // 240))
    return Figure(
        "lamp_bands",
        "Bands of the lamp down the first frame",
        f"{found.bands:.2f} bands fit the height of the picture.",
        {
            "row": [float(v) for v in found.rows[pick]],
            "seen": [100 * float(v) for v in found.shown[pick]],
            "fitted": [100 * float(v) for v in found.fitted[pick]],
        },
        Axis("row", "row of the stored picture", "px"),
        Axis("seen", "light against its mean", "%"),
        (Mark("points", y="seen", label="seen"), Mark("line", y="fitted", label="fitted")),
    )
