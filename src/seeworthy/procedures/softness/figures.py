"""Figures of the softness procedure, as data."""

from __future__ import annotations

from collections.abc import Mapping

from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.procedures.softness.causes import Cause


def causes_figure(causes: Mapping[str, Cause]) -> Figure:
    """Return what each cause takes, from at least to at most."""
    told = {name: c for name, c in causes.items() if c.low is not None and c.high is not None}
    rows = [
        (name, 100 * value, end)
        for name, c in told.items()
        for value, end in ((c.low or 0.0, "at least"), (c.high or 0.0, "at most"))
    ]
    return Figure(
        "causes",
        "What takes contrast off lines four pixels wide",
        "A cause whose “at least” is high is the one to mend first; those not drawn cannot be "
        "told from this clip.",
        {"cause": [r[0] for r in rows], "taken": [r[1] for r in rows], "end": [r[2] for r in rows]},
        Axis("cause", "cause"),
        Axis("taken", "contrast taken", "%", zero=True),
        (Mark("points", y="taken", series="end"),),
    )
