"""The rows behind a figure: plain JSON values, and no more of them than can be seen."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from seeworthy.ground.digits import sign
from seeworthy.ground.plain import plain
from seeworthy.ground.results import Axis, Figure

_MOST_ROWS = 1200  # of a figure: more change no line that is seen (a judgement)
Row = dict[str, Any]


def titled(axis: Axis) -> str:
    """Return the title of an axis with its unit as printed: ``lean (°)``."""
    return f"{axis.title} ({sign(axis.unit)})" if axis.unit else axis.title


def rows_of(figure: Figure, names: Mapping[str, str]) -> list[Row]:
    """Return the columns of a figure as rows.

    Args:
        names: mapping of column to key. Keys of the rows.

    Returns:
        What cannot stand on a logarithmic axis is None. Long lines keep their outline.
    """
    logs = {a.column for a in (figure.x, figure.y) if a.scale == "log"}
    if figure.y.scale == "log":
        logs |= {c for m in figure.marks for c in (m.y, m.low, m.high) if c}
    rows = []
    for values in zip(*figure.columns.values(), strict=True):
        row = {}
        for column, value in zip(figure.columns, values, strict=True):
            told = plain(value)
            if column in logs and isinstance(told, float | int) and told <= 0:
                told = None
            row[names[column]] = told
        rows.append(row)
    return _thin(figure, names, rows)


def _thin(figure: Figure, names: Mapping[str, str], rows: list[Row]) -> list[Row]:
    """Keep the outline of long lines: extremes of every drawn column per stretch of x."""
    if len(rows) <= _MOST_ROWS or any(m.kind == "cells" for m in figure.marks):
        return rows
    drawn = {names[c] for m in figure.marks for c in (m.y, m.low, m.high) if c}
    series = {names[m.series] for m in figure.marks if m.series}
    groups: dict[tuple[Any, ...], list[Row]] = {}
    for row in rows:
        groups.setdefault(tuple(row[s] for s in series), []).append(row)
    keep: list[Row] = []
    for group in groups.values():
        room = max(1, _MOST_ROWS // (2 * max(1, len(drawn)) * len(groups)))
        step = max(1, len(group) // room)
        for start in range(0, len(group), step):
            keep.extend(_extremes(group[start : start + step], drawn))
    return keep


def _extremes(rows: list[Row], columns: set[str]) -> list[Row]:
    chosen: set[int] = set()
    for column in columns:
        known = [i for i, r in enumerate(rows) if isinstance(r[column], int | float)]
        if known:
            chosen.add(min(known, key=lambda i: rows[i][column]))
            chosen.add(max(known, key=lambda i: rows[i][column]))
        else:
            chosen.add(0)  # a gap in this column stays a gap
    return [rows[i] for i in sorted(chosen)]
