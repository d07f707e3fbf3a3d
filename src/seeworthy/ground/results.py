"""What a measurement says: results, findings, pictures, figures.

Plain frozen data without arithmetic of any measure. Everything here can be
pickled (workers return it) and written as JSON (``to_json``).
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from seeworthy.ground.budget import Component, budget_rows, combined
from seeworthy.ground.measurands import measurand as _measurand
from seeworthy.ground.plain import picked, plain
from seeworthy.ground.uncertainty import COVERAGE, Uncertain
from seeworthy.ground.uncertainty import interval as _interval


@dataclass(frozen=True, slots=True)
class Result:
    """One measured value of one measurand.

    Attributes:
        measurand: Id from :mod:`seeworthy.ground.measurands`.
        value: In the unit of the measurand.
        unit: Unit symbol, ``""`` for a ratio.
        u: Standard uncertainty, same unit. Never NaN.
        interval: 95 % interval, same unit. An end may be infinite (a bound from one side); JSON has
            no word for that and says null.
        n: Number of independent observations behind the value.
        conditions: ``method``, ``position``, ``orientation``, ``light`` (lx), ``temperature``
            (degC), ``channel`` where they apply. Plain JSON values.
        evidence: Names of the pictures that show it.
        dof: Effective degrees of freedom of `u`; JSON has no word for infinity and says null.
        budget: What `u` is made of (their combination is `u`), empty where it is not told.
        shared: On a bench, the parts of `u` that other results have too, by what they share:
            signed, None where it is not told how much (`seeworthy.bench.instruments`). No part of
            the JSON.
    """

    measurand: str
    value: float
    unit: str
    u: float
    interval: tuple[float, float]
    n: int = 1
    conditions: Mapping[str, Any] = field(default_factory=dict)
    evidence: tuple[str, ...] = ()
    dof: float = math.inf
    budget: tuple[Component, ...] = ()
    shared: Mapping[str, float | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        numbers = (self.value, self.u, *self.interval)
        if not self.dof > 0:
            raise ValueError(f"{self.measurand}: degrees of freedom are above zero, not {self.dof}")
        unknown = any(math.isnan(x) for x in numbers)
        if unknown or self.u < 0 or not (math.isfinite(self.value) and math.isfinite(self.u)):
            raise ValueError(f"{self.measurand}: a result needs numbers, got {numbers}")
        if not self.interval[0] <= self.value <= self.interval[1]:
            raise ValueError(f"{self.measurand}: {self.value} outside its interval {self.interval}")
        if self.budget and not math.isclose(combined(self.budget), self.u, rel_tol=1e-6):
            raise ValueError(f"{self.measurand}: the budget does not add up to u = {self.u}")

    @property
    def uncertain(self) -> Uncertain:
        """What draws, chances and comparisons are made from; its interval is this one."""
        return Uncertain(self.value, self.u, self.dof, self.interval)

    def to_json(self) -> dict[str, Any]:
        """Return the ``results`` entry of the JSON contract."""
        return {
            **picked(self, "measurand value unit u dof interval"),
            "coverage": COVERAGE,
            **picked(self, "n conditions evidence"),
            "budget": budget_rows(self.budget),
        }


def result(
    measurand: str,
    value: float,
    u: float | None = None,
    *,
    n: int = 1,
    dof: float = math.inf,
    interval: tuple[float, float] | None = None,
    conditions: Mapping[str, Any] | None = None,
    evidence: Sequence[str] = (),
    budget: Sequence[Component] = (),
) -> Result:
    """Build a `Result` whose unit comes from the registry of measurands.

    Args:
        measurand: Registered id.
        value, u: Value and standard uncertainty in the registered unit; `u` left out: what `budget`
            adds up to.
        n: Independent observations.
        dof: Effective degrees of freedom of `u`; the 95 % interval is Student's t (JCGM 100:2008,
            G.3) unless `interval` is given. Value and interval keep to what the measurand can be
            (`Measurand.least`).
        interval: An interval that is not symmetric (percentiles, bounds).
        conditions, evidence, budget: See `Result`.
    """
    entry = _measurand(measurand)
    if u is None:
        u = combined(budget)
    if interval is None:
        interval = _interval(value, u, dof)
    value, low, high = that_can_be(measurand, value, *interval)
    return Result(
        measurand,
        float(value),
        entry.unit,
        float(u),
        (float(low), float(high)),
        int(n),
        plain(conditions or {}),
        tuple(evidence),
        float(dof),
        tuple(budget),
    )


def that_can_be(measurand: str, *numbers: float) -> tuple[float, ...]:
    """Return value or ends of an interval, kept to what the measurand can be (its `least`).

    The part of a 95 % interval that can be holds the truth as often as the whole does.
    """
    least = _measurand(measurand).least
    return numbers if least is None else tuple(least if x < least else x for x in numbers)


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture that shows what was found, ready to be written as a file.

    Attributes:
        name: File name with ending, unique within the outcome (``"edges.png"``).
        caption: One sentence.
        data: Encoded PNG or JPEG.
    """

    name: str
    caption: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis of a figure: column, words, unit."""

    column: str
    title: str
    unit: str = ""
    scale: Literal["linear", "log"] = "linear"
    zero: bool = False


@dataclass(frozen=True, slots=True)
class Mark:
    """One layer of a figure.

    ``kind`` is ``line``, ``points``, ``band`` (needs `low` and `high`), ``bars``,
    ``rule`` (a line at `value`, across when `y` is the axis it belongs to),
    ``cells`` (a map: `x`, `y`, colour by `value` column), ``swatches`` (the same, painted in
    the sRGB colour, ``#rrggbb``, of the column `shade`, with the number of column `y` on it),
    or ``links`` (lines from `x`, `y` to the places in columns `low`, `high`).
    """

    kind: Literal["line", "points", "band", "bars", "rule", "cells", "swatches", "links"]
    y: str = ""
    low: str = ""
    high: str = ""
    series: str = ""
    label: str = ""
    value: float | None = None
    across: Literal["x", "y"] = "y"
    shade: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure as data: faces draw it (one definition for page, SVG, PNG, PDF).

    Attributes:
        name: Unique within the outcome.
        title, sentence: What it shows; what it means for a flyer.
        columns: Equal-length columns of numbers, text or None.
        equal: True when x and y must have the same scale (maps, plans).
    """

    name: str
    title: str
    sentence: str
    columns: Mapping[str, Sequence[Any]]
    x: Axis
    y: Axis
    marks: tuple[Mark, ...]
    equal: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """Everything one run of a procedure says.

    Attributes:
        results: The more certain one first where two methods answer.
        findings: Plain JSON values.
        warnings: Sentences a user reads.
        method: Which method answered (``passing``, ``lamp`` ...), ``""`` where there is one.
        sentence: What it means for a flyer, one sentence.
        correction: What ``correct`` needs to mend a clip, plain JSON values with a ``kind``
            (``lens``, ``shading``, ``colour``); empty where a procedure has none
            (`seeworthy.judge.correct.data`).
    """

    results: tuple[Result, ...] = ()
    findings: Mapping[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = ()
    figures: tuple[Figure, ...] = ()
    method: str = ""
    sentence: str = ""
    correction: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.correction:
            # Stored and printed as JSON: a number that JSON does not know is found here.
            json.dumps(dict(self.correction), allow_nan=False)
            if "kind" not in self.correction:
                raise ValueError("a correction says its kind")

    def to_json(self) -> dict[str, Any]:
        """Return the outcome's part of the JSON contract; `correction` only where there is one."""
        found = picked(self, "method findings warnings sentence")
        found["results"] = [r.to_json() for r in self.results]
        if self.correction:
            found["correction"] = plain(self.correction)
        return found
