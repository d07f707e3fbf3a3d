"""One time axis: a logger's record laid on its clip, as a tie says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Result
from seeworthy.media.logs import Log, pairs, read_log
from seeworthy.procedures.declare import Inputs

Floats = npt.NDArray[np.float64]

G = 9.80665
"""m/s², standard gravity (ISO 80000-3:2019, as CGPM 1901 laid it down)."""
_LEAST = 50  # rows of the log (a judgement)
_RATE_KNOWN = 50.0
"""ppm; quartz of loggers is off by some tens (a judgement), so a rate that is known less well is
further from the truth than none."""


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """How a log's clock stands to the clip's.

    Attributes:
        offset: s to add to the clip's time to get the log's, at `middle`.
        rate: Of the log's clock against the clip's, less 1; 0 where it is not known.
        middle: s of the clip.
        knocks: s of the clip, where it was knocked.
    """

    offset: float
    rate: float
    middle: float
    knocks: tuple[float, ...]

    @classmethod
    def of(cls, results: Sequence[Result], findings: Mapping[str, Any]) -> TimeAxis:
        """Read it off what `tie` said."""
        by = {r.measurand: r for r in results}
        rate = by.get("log_rate")
        return cls(
            by["log_offset"].value / 1e3,
            rate.value / 1e6 if rate is not None and rate.u < _RATE_KNOWN else 0.0,
            float(findings["middle_s"]), tuple(float(k[0]) for k in findings["knocks"]),
        )  # fmt: skip

    def of_clip(self, logged: Floats) -> Floats:
        """Return the clip's time of moments of the log, s."""
        return self.middle + (logged - self.offset - self.middle) / (1 + self.rate)


def log_of(inputs: Inputs) -> Log:
    """Read the log with what the options ``columns`` and ``units`` say of it."""
    columns = pairs(inputs.option("columns"), "columns")
    units = pairs(inputs.option("units"), "units")
    return read_log(inputs.file("log"), columns=columns, units=units)


def acceleration(log: Log) -> tuple[Floats, Floats]:
    """Return times, rising, and the axes of acceleration, m/s².

    Raises:
        CannotMeasure: No such column, or hardly any rows.
    """
    columns = log.all("acceleration")
    axes = {c.axis: c for c in reversed(columns) if c.axis in ("x", "y", "z")}
    chosen = [axes[a] for a in sorted(axes)] or list(columns[:1])
    if not chosen:
        shown = ", ".join(f"'{c.header}'" for c in log.columns)
        raise CannotMeasure(
            f"'{log.name}' has no acceleration; its columns: {shown}.",
            "Name it with --option columns=acceleration:HEADER.",
        )
    time, accel = log.together(chosen)
    if time.size < _LEAST:
        raise CannotMeasure("The log holds hardly any rows.", "Give the log of the whole clip.")
    return time, accel
