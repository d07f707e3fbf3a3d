"""Figures with axes in US customary units, for those who set them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from seeworthy.ground.customary import customary_unit
from seeworthy.ground.results import Axis, Figure
from seeworthy.publish.model import CameraReport


def us_figure(figure: Figure) -> Figure:
    """Return a figure in US customary units; as it is where its axes have none."""
    # What lies along which axis is not told for these; none of them has a unit of length or heat.
    if any(m.kind in ("links", "cells", "swatches") for m in figure.marks):
        return figure
    along_y = {n for m in figure.marks for n in (m.y, m.low, m.high) if n}
    figure = _turned(figure, "x", {figure.x.column})
    return _turned(figure, "y", {figure.y.column, *along_y})


def us_report(report: CameraReport) -> CameraReport:
    """Return a report whose figures stand in US customary units."""
    takes = tuple(
        t
        if t.outcome is None
        else replace(
            t, outcome=replace(t.outcome, figures=tuple(map(us_figure, t.outcome.figures)))
        )
        for t in report.takes
    )
    return replace(report, takes=takes)


def _turned(figure: Figure, which: str, names: set[str]) -> Figure:
    axis: Axis = figure.x if which == "x" else figure.y
    found = customary_unit(axis.unit, about=f"{axis.title} {figure.title}")
    if found is None:
        return figure
    unit, factor, offset = found

    def turned(value: Any) -> Any:
        return value if value is None or isinstance(value, str) else value * factor + offset

    columns = {
        name: [turned(v) for v in values] if name in names else values
        for name, values in figure.columns.items()
    }
    marks = tuple(
        replace(m, value=turned(m.value)) if m.kind == "rule" and m.across == which else m
        for m in figure.marks
    )
    made = replace(axis, unit=unit)
    return replace(
        figure,
        columns=columns,
        marks=marks,
        x=made if which == "x" else figure.x,
        y=made if which == "y" else figure.y,
    )
