"""Size, mass and enclosing volume from a calliper and a scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from seeworthy.ground.statistics import mean_t
from seeworthy.ground.uncertainty import effective_dof


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with standard uncertainty `u`, degrees of freedom `dof`, from `n` readings.

    `instrument` is the part of `u` that all readings share.
    """

    value: float
    u: float
    dof: float
    n: int
    instrument: float = 0.0

    @property
    def scatter(self) -> float:
        """The part of `u` that is the readings' own scatter."""
        return math.sqrt(max(self.u**2 - self.instrument**2, 0.0))


def combine_readings(values: Sequence[float], us: Sequence[float]) -> Estimate:
    """Combine repeated readings of one instrument.

    Args:
        values, us: Readings and their standard uncertainties; the instrument's part is shared by
            all readings, so the largest of `us` stays whole.

    Returns:
        Mean; `u` from scatter and instrument (JCGM 100:2008, 4.2 and 4.3).
    """
    if len(values) == 1:
        return Estimate(values[0], us[0], math.inf, 1, us[0])
    mean = mean_t(values, max(us))
    return Estimate(mean.value, mean.u, mean.dof, mean.n, max(us))


def box_volume(length: Estimate, width: Estimate, height: Estimate) -> Estimate:
    """Return the volume of the enclosing box, in the cube of the given unit.

    The sides are read with one calliper or tape: its error is one influence, so that its
    parts add up, and only the readings' scatter adds as squares (JCGM 100:2008, 5.2.2 with
    r = 1, Note 1).
    """
    sides = (length, width, height)
    value = length.value * width.value * height.value
    shares = [value / s.value for s in sides]
    instrument = sum(c * s.instrument for c, s in zip(shares, sides, strict=True))
    scatter = [(c * s.scatter, max(s.n - 1.0, 1.0)) for c, s in zip(shares, sides, strict=True)]
    u = math.sqrt(instrument**2 + sum(part**2 for part, _ in scatter))
    dof = effective_dof([(instrument, math.inf), *scatter])
    return Estimate(value, u, dof, min(s.n for s in sides), instrument)
