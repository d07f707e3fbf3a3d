"""Figures of the exposure procedure, as data."""

from __future__ import annotations

from typing import Any

import numpy as np

from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.procedures.exposure.adaptation import Adaptation
from seeworthy.procedures.exposure.measure import Exposure


def blur_figure(found: Exposure) -> Figure:
    """Return the edge at rest and in motion, with the box that was fitted."""
    middle = float(np.median([p.length for p in found.passes]))
    best = min(found.passes, key=lambda p: abs(p.length - middle))
    reach = min(best.length / 2 + 4 * max(found.rest_width, 2.0), float(best.line.at[-1]))
    inside = np.abs(best.line.at) <= reach
    pick = np.flatnonzero(inside)[:: max(1, int(inside.sum()) // 160)]
    at = best.line.at[pick]
    rest = np.interp(at, found.rest_at, found.rest_light)
    return Figure(
        "edge_profile",
        "The edge at rest and in motion",
        f"At {abs(best.speed):.0f} px/s the edge is smeared over {best.length:.1f} px; at rest "
        f"its own width is {found.rest_width:.1f} px.",
        {
            "at": [round(float(v), 2) for v in at],
            "rest": [round(float(v), 4) for v in rest],
            "moving": [round(float(v), 4) for v in best.line.light[pick]],
            "fitted": [round(float(v), 4) for v in best.fitted[pick]],
        },
        Axis("at", "distance from the edge along the row", "px"),
        Axis("rest", "light across the edge, 0 dark to 1 bright"),
        (
            Mark("line", y="rest", label="at rest"),
            Mark("points", y="moving", label="in motion"),
            Mark("line", y="fitted", label="at rest, smeared by the fitted box"),
        ),
    )


def trace_figure(step: Adaptation, number: int) -> Figure:
    """Return the light over time around a step, with the 10 % and 90 % marks."""
    pick = slice(None, None, max(1, len(step.seconds) // 400))
    columns: dict[str, list[Any]] = {
        "time": [round(float(v), 4) for v in step.seconds[pick]],
        "level": [round(float(v), 4) if np.isfinite(v) else None for v in step.level[pick]],
    }
    way = "bright" if step.brighter else "dark"
    return Figure(
        f"adaptation_{number + 1}",
        f"Adaptation after a step to {way}",
        f"From 10 % (at {step.ten:.2f} s) to 90 % (at {step.ninety:.2f} s) of the way to the "
        "settled level, counted in stops.",
        columns,
        Axis("time", "time in the clip", "s"),
        Axis("level", "light in the picture against the settled level", zero=True),
        (
            Mark("line", y="level", label="picture"),
            Mark("rule", value=step.ten, across="x", label="10 %"),
            Mark("rule", value=step.ninety, across="x", label="90 %"),
        ),
    )
