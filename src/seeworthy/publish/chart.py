"""Building the Vega-Lite specification of a figure: layers, axes, legend, theme.

Plain dictionaries: a library of chart objects took half the time of a report to make them.
Tests hold every kind of mark against the published schema.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.publish.chart_look import DASHES, RAMP, SHAPES, SYMBOLS, theme
from seeworthy.publish.palette import INK, SERIES
from seeworthy.publish.rows import rows_of, titled

# Stands for the paper under a label; `figures.inline_svg` puts the page's paper there.
HALO = "#fffffe"
_SWATCH = 19  # px of height that a row of swatches with a number on it needs
# The Vega-Lite that the specifications are written in.
VERSION = "6.4"

Json = dict[str, Any]


def build(figure: Figure, size: tuple[int, int]) -> Json:
    """Return the specification of a figure.

    Args:
        size: Plotting area in CSS pixels.

    Raises:
        ValueError: Columns of unequal length, or a mark that names no column.
    """
    return _Builder(figure, size).chart()


class _Builder:
    """State while one chart is built: renamed columns, legend entries, axes."""

    def __init__(self, figure: Figure, size: tuple[int, int]) -> None:
        lengths = {len(c) for c in figure.columns.values()}
        if len(lengths) > 1:
            raise ValueError(f"figure '{figure.name}': columns of unequal length {lengths}")
        self.figure = figure
        # Names with dots or brackets mean something else to Vega-Lite: use safe ones.
        self.safe = {name: f"c{i}" for i, name in enumerate(figure.columns)}
        self.rows = rows_of(figure, self.safe)
        self.legend = self._legend()
        self.width, self.height = size
        self.domains: dict[str, list[float]] = {}
        if figure.equal:
            self._equal(size)
        elif any(m.kind == "swatches" for m in figure.marks):
            rows = len(set(figure.columns[figure.y.column]))
            self.height = max(60, _SWATCH * rows)

    def chart(self) -> Json:
        layers: list[Json] = []
        for mark in self.figure.marks:
            if mark.series and all(v is None for v in self.figure.columns[mark.series]):
                continue  # nothing of that kind happened
            layers.extend(_DRAW[mark.kind](self, mark))
        return {
            "$schema": f"https://vega.github.io/schema/vega-lite/v{VERSION}.json",
            "config": theme(self._legend_columns()),
            "data": {"values": self.rows},
            "height": self.height,
            "layer": layers,
            "width": self.width,
        }

    def name(self, column: str) -> str:
        if column not in self.safe:
            raise ValueError(f"figure '{self.figure.name}' has no column '{column}'")
        return self.safe[column]

    def numeric(self, column: str) -> bool:
        self.name(column)
        values = [v for v in self.figure.columns[column] if v is not None]
        return all(isinstance(v, int | float) and not isinstance(v, bool) for v in values)

    def _legend(self) -> list[str]:
        """Return the entries of the one legend: values of series columns, labels of marks."""
        entries: dict[str, None] = {}
        for mark in self.figure.marks:
            if mark.kind in {"cells", "rule", "swatches", "links"}:
                continue
            if mark.series:
                values = (v for v in self.figure.columns[mark.series] if v is not None)
                entries.update(dict.fromkeys(str(v) for v in values))
            elif mark.label:
                entries[mark.label] = None
        return list(entries)

    def _legend_columns(self) -> int:
        """Return how many entries stand beside each other below the plot; 0 for all in one row."""
        widths = [34 + 6.2 * len(entry) for entry in self.legend]  # symbol, paddings, 12 px letters
        room = self.width + 60
        return 0 if sum(widths) <= room else max(1, int(room / max(widths)))

    def _equal(self, size: tuple[int, int]) -> None:
        """Give both axes the same scale: pixels per unit across equal those down."""
        spans = []
        for axis, letters in ((self.figure.x, "x"), (self.figure.y, "y")):
            columns = self._y_columns() if letters == "y" else {axis.column} | self._link_ends()
            numbers = [
                float(v)
                for c in columns
                for v in self.figure.columns.get(c, ())
                if isinstance(v, int | float)
            ]
            low, high = (min(numbers), max(numbers)) if numbers else (0.0, 1.0)
            pad = 0.04 * (high - low) or 0.5
            self.domains[letters] = [low - pad, high + pad]
            spans.append(high - low + 2 * pad)
        per_unit = min(size[0] / spans[0], 1.6 * size[1] / spans[1])
        self.width = max(60, round(per_unit * spans[0]))
        self.height = max(60, round(per_unit * spans[1]))

    def _y_columns(self) -> set[str]:
        found = {c for m in self.figure.marks for c in (m.y, m.low, m.high) if c}
        found -= self._link_ends()
        return found or {self.figure.y.column}

    def _link_ends(self) -> set[str]:
        """Return the columns of places across where links end."""
        return {m.low for m in self.figure.marks if m.kind == "links"}

    def label_place(self, mark: Mark, at: float) -> Json:
        """Return where an upright rule's words stand: where there is room, one below the other."""
        axis = self.figure.x
        found = [v for v in self.figure.columns[axis.column] if isinstance(v, int | float)]
        low, high = (min(found), max(found)) if found else (at, at)
        middle = (low * high) ** 0.5 if axis.scale == "log" and low > 0 else (low + high) / 2
        side = {"align": "left", "dx": 4} if at <= middle else {"align": "right", "dx": -4}
        marks = [m for m in self.figure.marks if m.kind == "rule" and m.across == "x" and m.label]
        return {**side, "dy": 4 + 13 * marks.index(mark), "y": 0, "baseline": "top"}

    # Channels

    def axis(self, axis: Axis, letter: str, column: str = "") -> Json:
        """Return the x or y channel for a column (the axis' own by default)."""
        name = column or axis.column
        found: Json = {"field": self.name(name), "title": titled(axis)}
        if not self.numeric(name):
            labels = {"labelAngle": 0 if letter == "y" or self.width > 400 else -40}
            bands = {"paddingInner": 0.45, "paddingOuter": 0.3}
            return {**found, "type": "nominal", "sort": None, "axis": labels, "scale": bands}
        scale: Json = {"type": axis.scale}
        if axis.scale == "log" and letter == "y":
            scale |= self._log_floor()
        if axis.scale == "linear":
            scale["zero"] = axis.zero
            if letter == "x" and any(m.kind in {"points", "bars"} for m in self.figure.marks):
                scale["padding"] = 10  # a point on the edge of the plot stays whole
        if letter in self.domains:
            scale |= {"domain": self.domains[letter], "nice": False}
        ticks = {"tickCount": 5 if self.width < 400 or letter == "y" else 8}
        return {**found, "type": "quantitative", "scale": scale, "axis": ticks}

    def layer(self, mark: Mark, look: Json, encoding: Json) -> Json:
        """Return a layer whose ``key`` column says which legend entry a mark is.

        Marks share columns, so a row may be there for another mark only: it must not
        break this one's line. A row in which nothing is drawn is a gap and does.
        """
        steps: list[Json] = []
        if mark.kind in {"line", "band"}:
            drawn = {c for m in self.figure.marks for c in (m.y, m.low, m.high) if c}
            others = " || ".join(f"isValid(datum.{self.name(c)})" for c in sorted(drawn))
            own = self.name(mark.y or mark.low)
            steps.append({"filter": f"isValid(datum.{own}) || !({others})"})
        if mark.series:
            name = self.name(mark.series)
            steps.append({"filter": f"datum.{name} !== null"})
            steps.append({"calculate": f"toString(datum.{name})", "as": "key"})
        elif mark.label:
            steps.append({"calculate": json.dumps(mark.label), "as": "key"})
        return _layer(look, encoding, **({"transform": steps} if steps else {}))

    def _log_floor(self) -> dict[str, float]:
        """Return where a log axis starts under bars: below the smallest, so that it shows."""
        columns = [self.safe[m.y] for m in self.figure.marks if m.kind == "bars" and m.y]
        known = [r[c] for r in self.rows for c in columns if r[c]]
        return {"domainMin": 0.7 * min(known)} if known else {}

    def colour(self, mark: Mark) -> Json:
        """Return the colour channel of a mark, tied to the one legend."""
        if not (mark.series or mark.label):
            # Not in the legend, so not in a colour of the legend either.
            return {"color": {"value": SERIES[len(self.legend) % len(SERIES)]}}
        legend = {"title": None, **self._symbols()} if len(self.legend) > 1 or mark.series else None
        return {"color": self._keyed(SERIES, legend)}

    def _symbols(self) -> Json:
        """Let the legend show a line as a line, a band pale, points as dots, where all are named.

        Series have their own shapes and dashes.
        """
        named = {m.label: m.kind for m in self.figure.marks if m.label in self.legend}
        if set(named) != set(self.legend):
            return {}
        looks = {label: SYMBOLS.get(kind, ("circle", 1.0)) for label, kind in named.items()}
        return {
            key: {"expr": f"{json.dumps({n: look[i] for n, look in looks.items()})}[datum.label]"}
            for i, key in enumerate(("symbolType", "symbolOpacity"))
        }

    def second(self, mark: Mark, kind: str) -> Json:
        """Return shape or dash of a series, so that colour is never alone."""
        if not mark.series or (kind == "strokeDash" and self._has_points(mark.series)):
            return {}
        options: Sequence[Any] = SHAPES if kind == "shape" else DASHES
        return {kind: self._keyed(options, {"title": None})}

    def _keyed(self, options: Sequence[Any], legend: Json | None) -> Json:
        looks = [options[i % len(options)] for i in range(len(self.legend))]
        scale = {"domain": self.legend, "range": looks}
        return {"field": "key", "type": "nominal", "scale": scale, "legend": legend}

    def _has_points(self, series: str) -> bool:
        return any(m.kind == "points" and m.series == series for m in self.figure.marks)


def _layer(look: Json, encoding: Json, **more: Any) -> Json:
    return {**more, "mark": look, "encoding": encoding}


def _line(b: _Builder, mark: Mark) -> list[Json]:
    look = {"type": "line", "strokeWidth": 1.8, "interpolate": "linear", "clip": True}
    encoding = {
        "x": b.axis(b.figure.x, "x"),
        "y": b.axis(b.figure.y, "y", mark.y),
        **b.colour(mark),
        **b.second(mark, "strokeDash"),
    }
    return [b.layer(mark, look, encoding)]


def _points(b: _Builder, mark: Mark) -> list[Json]:
    many = len(b.rows) > 300
    size, opacity = (16, 0.55) if many else (44, 0.9)
    look = {"type": "point", "filled": True, "size": size, "opacity": opacity, "clip": True}
    encoding = {
        "x": b.axis(b.figure.x, "x"),
        "y": b.axis(b.figure.y, "y", mark.y),
        **b.colour(mark),
        **b.second(mark, "shape"),
    }
    return [*_whiskers(b, mark), b.layer(mark, look, encoding)]


def _whiskers(b: _Builder, mark: Mark) -> list[Json]:
    """Draw the interval of points or bars, where low and high are given."""
    if not (mark.low and mark.high):
        return []
    encoding = {
        "x": b.axis(b.figure.x, "x"),
        "y": b.axis(b.figure.y, "y", mark.low),
        "y2": {"field": b.name(mark.high)},
        **({"color": {"value": INK}} if mark.kind == "bars" else b.colour(mark)),
    }
    return [b.layer(mark, {"type": "rule", "strokeWidth": 1.4}, encoding)]


def _band(b: _Builder, mark: Mark) -> list[Json]:
    encoding = {
        "x": b.axis(b.figure.x, "x"),
        "y": b.axis(b.figure.y, "y", mark.low),
        "y2": {"field": b.name(mark.high)},
        **b.colour(mark),
    }
    look = {"type": "area", "opacity": 0.22, "line": False, "clip": True}
    return [b.layer(mark, look, encoding)]


def _bars(b: _Builder, mark: Mark) -> list[Json]:
    if not mark.y:
        return _whiskers(b, mark)
    look: Json = {"type": "bar", "clip": True, "orient": "vertical"}
    if b.numeric(b.figure.x.column):
        distinct = len({r[b.name(b.figure.x.column)] for r in b.rows})
        look["size"] = max(1.0, min(28.0, 0.8 * b.width / max(1, distinct)))
    encoding = {
        "x": b.axis(b.figure.x, "x"),
        "y": {**b.axis(b.figure.y, "y", mark.y), "stack": None},
        **b.colour(mark),
    }
    if b.figure.y.scale == "log":
        encoding["y2"] = {"value": b.height}  # there is no zero to stand on
    if mark.series:
        encoding["xOffset"] = {"field": b.name(mark.series), "type": "nominal", "sort": None}
    return [b.layer(mark, look, encoding), *_whiskers(b, mark)]


def _rule(b: _Builder, mark: Mark) -> list[Json]:
    if mark.value is None:
        raise ValueError(f"figure '{b.figure.name}': a rule needs a value")
    one = {"values": [{"at": mark.value}]}
    where: Json = {mark.across: {"field": "at", "type": "quantitative"}}
    line = {"type": "rule", "color": INK, "strokeDash": [5, 4], "strokeWidth": 1.2}
    found = [_layer(line, where, data=one)]
    if mark.label:
        low = {"align": "right", "dx": -4, "dy": -5, "x": b.width}
        place = low if mark.across == "y" else b.label_place(mark, mark.value)
        for ink in ({"color": HALO, "stroke": HALO, "strokeWidth": 4}, {"color": INK}):
            text = {"type": "text", "fontSize": 11, **place, **ink}
            found.append(_layer(text, {"text": {"value": mark.label}, **where}, data=one))
    return found


def _cells(b: _Builder, mark: Mark) -> list[Json]:
    column = mark.shade or mark.y
    shown = mark.label or column.replace("_", " ")
    encoding: Json = {
        "color": {
            "field": b.name(column),
            "type": "quantitative",
            "title": shown,
            "scale": {"range": RAMP, "interpolate": "lab"},
        }
    }
    for axis, letter in ((b.figure.x, "x"), (b.figure.y, "y")):
        encoding[letter] = {
            "field": b.name(axis.column),
            "type": "ordinal",
            "title": titled(axis),
            "sort": "ascending" if b.numeric(axis.column) else None,
            "axis": {"labelAngle": 0, "labelOverlap": "parity"},
        }
    return [_layer({"type": "rect"}, encoding)]


def _swatches(b: _Builder, mark: Mark) -> list[Json]:
    encoding: Json = {}
    heads = dict.fromkeys(str(v) for v in b.figure.columns[b.figure.x.column])
    slant = 0 if 6.5 * max(map(len, heads), default=0) * len(heads) < b.width else -40
    for axis, letter in ((b.figure.x, "x"), (b.figure.y, "y")):
        encoding[letter] = {
            "field": b.name(axis.column),
            "type": "ordinal",
            "title": titled(axis) or None,
            "sort": None,
            "axis": {
                "labelAngle": slant if letter == "x" else 0,
                "orient": "top" if letter == "x" else "left",
                "grid": False,
            },
            "scale": {"paddingInner": 0.02 if letter == "x" else 0.12},
        }
    paint = {"field": b.name(mark.shade), "type": "nominal", "scale": None}
    found = [_layer({"type": "rect"}, {"color": paint, **encoding})]
    if mark.y:
        # Ink by the paint's own brightness (BT.601 luma of the code values).
        hexes = [
            f"parseInt(slice(datum.{b.name(mark.shade)}, {i}, {i + 2}), 16)" for i in (1, 3, 5)
        ]
        bright = " + ".join(f"{w} * {h}" for w, h in zip((0.299, 0.587, 0.114), hexes, strict=True))
        dark = {"test": f"{bright} > 128", "value": "#000000"}
        text = {"field": b.name(mark.y), "type": "quantitative", "format": ".1f"}
        words = {"text": text, "color": {"condition": dark, "value": "#ffffff"}, **encoding}
        whole = [{"filter": f"isValid(datum.{b.name(mark.y)})"}]
        found.append(_layer({"type": "text", "fontSize": 11}, words, transform=whole))
    return found


def _links(b: _Builder, mark: Mark) -> list[Json]:
    whole = f"isValid(datum.{b.name(mark.low)}) && isValid(datum.{b.name(mark.high)})"
    look = {"type": "rule", "color": INK, "opacity": 0.45, "strokeWidth": 1.2}
    encoding = {
        "x": b.axis(b.figure.x, "x"),
        "y": b.axis(b.figure.y, "y", mark.y),
        "x2": {"field": b.name(mark.low)},
        "y2": {"field": b.name(mark.high)},
    }
    return [_layer(look, encoding, transform=[{"filter": whole}])]


_DRAW = {
    "line": _line,
    "points": _points,
    "band": _band,
    "bars": _bars,
    "rule": _rule,
    "cells": _cells,
    "swatches": _swatches,
    "links": _links,
}
