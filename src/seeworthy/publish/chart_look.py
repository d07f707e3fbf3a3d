"""How figures look: theme, shapes, dashes, shades."""

from __future__ import annotations

from typing import Any

from seeworthy.publish.palette import INK, RULE

SHAPES = ["circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "stroke"]
DASHES = [[1, 0], [6, 3], [2, 2], [8, 3, 2, 3], [10, 4], [4, 1], [1, 3]]
# How a mark with one name stands in the legend: shape, opacity. A bar of no height is a line.
SYMBOLS = {"line": ("M-1,-.12h2v.24h-2Z", 1.0), "band": ("square", 0.3), "bars": ("square", 1.0)}
# One hue, evenly darker: reads the same in grey and for every kind of colour vision.
RAMP = ["#f4ecd8", "#bcd3d6", "#7fb0bf", "#3f86a3", "#125a7c", "#06314a"]


def theme(columns: int) -> dict[str, Any]:
    """Return the configuration of a figure whose legend has so many columns (0: one row)."""
    words = {"labelColor": INK, "titleColor": INK, "labelFontSize": 12, "titleFontSize": 12}
    return {
        "aria": False,
        "background": "#ffffff",
        "font": "sans-serif",
        "view": {"stroke": None},
        "axis": {
            **words,
            "titleFontWeight": "normal",
            "gridColor": RULE,
            "domainColor": INK,
            "tickColor": INK,
            "labelFlush": False,
            "titlePadding": 8,
        },
        "axisX": {"grid": False},
        "axisY": {"titleAnchor": "start", "titleAngle": 0, "titleAlign": "left",
                  "titleY": -14, "titleX": 0, "domain": False, "ticks": False},
        "legend": {**words, "columnPadding": 18, "orient": "bottom", "symbolStrokeWidth": 2,
                   "symbolOpacity": 1, "columns": columns, "labelLimit": 240,
                   "titleFontWeight": "normal"},
    }  # fmt: skip
