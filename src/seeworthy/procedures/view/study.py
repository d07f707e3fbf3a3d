"""Study of `view`: tape readings of a camera of known angle, with what goes wrong at a wall."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import interval
from seeworthy.procedures.study import Goal, Study, Trial
from seeworthy.procedures.view.measure import SQUARENESS, Station, measure_view

_TAPE = 0.002
"""Standard deviation of reading a tape at a frame edge, m."""


def _station(rng: np.random.Generator, half: float, distance: float, offset: float) -> Station:
    """Read one set-up: wall out of square, tape not square to it, reading scatter."""
    turned, slanted = rng.normal(0, SQUARENESS, 2)
    true = distance + offset
    width = true * (math.tan(half - turned) + math.tan(half + turned))
    taped = distance / math.cos(slanted)
    return Station(
        (taped + rng.normal(0, _TAPE), _TAPE), (width + rng.normal(0, _TAPE * 1.4), _TAPE * 1.4)
    )


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials with one and with two distances, angles from 30° to 110°."""
    rng = np.random.default_rng(seed)
    for _ in range(repeats):
        truth = float(rng.uniform(30, 110))
        # Not the measure's own belief (0 to 10 mm evenly): some lenses' pupils lie near the front.
        offset = float(rng.triangular(0, 0.003, 0.010))
        near = float(rng.uniform(0.6, 2.0))
        half = math.radians(truth) / 2
        stations = [_station(rng, half, d, offset) for d in (near, 2.5 * near)]
        for group, used in (("one distance", stations[1:]), ("two distances", stations)):
            try:
                view = measure_view(used)
            except CannotMeasure as refusal:
                yield Trial(group, "hfov", truth, refused=refusal.message)
                continue
            yield _trial(group, "hfov", truth, view.hfov)
            if view.offset is not None:
                yield _trial(group, "entrance_offset", offset, view.offset)


def _trial(group: str, name: str, truth: float, found: tuple[float, float] | None) -> Trial:
    if found is None:
        return Trial(group, name, truth, refused="no value")
    value, u = found
    return Trial(group, name, truth, value, u, *interval(value, u))


STUDY = Study(
    "view",
    "Angle of view by tape, numbers only",
    run,
    {"one distance": (Goal("coverage", 0.90),), "two distances": (Goal("coverage", 0.90),)},
)
