"""One definition per figure: `results.Figure` to Vega-Lite, and from that every format.

The page shows the SVG inline, the export writes SVG, PNG and PDF; all are rendered by
vl-convert, without a browser and without a network.
"""

from __future__ import annotations

import json
import re
from typing import Any, Literal

from seeworthy.ground.results import Figure
from seeworthy.publish import chart, drawing
from seeworthy.publish.palette import INK, RULE
from seeworthy.publish.rows import titled

Format = Literal["svg", "png", "pdf", "html", "json"]

# Widths of the plotting area in CSS pixels: a page column, and a phone held upright.
WIDE = (620, 300)
NARROW = (250, 220)
# In a report: half of a column beside its table, and readable on a phone as it is.
MIDDLE = (270, 130)
# On paper, where it is drawn 55 mm high: its words come out at some 8 points.
PRINTED = (380, 170)


def specification(figure: Figure, size: tuple[int, int] = WIDE) -> dict[str, Any]:
    """Return the Vega-Lite specification of a figure as plain JSON values."""
    return chart.build(figure, size)


def render(figure: Figure, kind: Format, size: tuple[int, int] = WIDE) -> bytes:
    """Draw a figure in one format.

    Args:
        kind: {"svg", "png", "pdf", "html", "json"}. ``html`` is a fragment with inline SVG,
            ``json`` the specification itself.
        size: Width and height of the plotting area, CSS pixels. With `Figure.equal` the height
            follows from the data.

    Returns:
        A complete file (UTF-8 for the text formats).
    """
    spec = specification(figure, size)
    if kind == "json":
        return json.dumps(spec, ensure_ascii=False).encode()
    if kind == "html":
        return inline_svg(figure, size).encode()
    if kind == "svg":
        return drawing.svg(spec, chart.VERSION).encode()
    import vl_convert

    if kind == "png":
        png: bytes = vl_convert.vegalite_to_png(spec, vl_version=chart.VERSION, scale=2)
        return png
    pdf: bytes = vl_convert.vegalite_to_pdf(spec, vl_version=chart.VERSION)
    return pdf


def inline_svg(figure: Figure, size: tuple[int, int] = WIDE, prefix: str = "") -> str:
    """Return SVG for use inside a page.

    The background is left out and the ink is ``currentColor``, so that the page's light
    or dark paper decides; ids start with `prefix`, because a page holds many figures.
    """
    return on_page(render(figure, "svg", size).decode(), prefix or figure.name)


def on_page(svg: str, prefix: str) -> str:
    """Return a drawn figure as `inline_svg` does."""
    svg = re.sub(r'<rect width="[\d.]+" height="[\d.]+" fill="[^"]*"/>', "", svg, count=1)
    svg = svg.replace(f'"{INK}"', '"currentColor"')
    svg = svg.replace(f'stroke="{RULE}"', 'stroke="currentColor" stroke-opacity="0.18"')
    svg = svg.replace(f'"{chart.HALO}"', '"var(--sheet, #fff)"')
    # Vega counts its ids over the life of the process; count them per figure instead.
    for place, old in enumerate(dict.fromkeys(re.findall(r'\bid="([^"]+)"', svg))):
        new = f"{prefix}-{place}"
        svg = re.sub(rf'(\bid="|url\(#|href="#){re.escape(old)}(?=["\)])', rf"\g<1>{new}", svg)
    # The words beside the figure say what it shows; a reader needs not hear every tick.
    return svg.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1)


def table(figure: Figure, most: int = 120) -> tuple[list[str], list[list[str]], int]:
    """Return the figure's data as text: heads, rows, and how many rows were left out.

    Long columns are thinned evenly to `most` rows.
    """
    names = list(figure.columns)
    titles = {a.column: titled(a) for a in (figure.x, figure.y)}
    for mark in figure.marks:
        if mark.y and mark.label:
            titles.setdefault(mark.y, mark.label)
    heads = [titles.get(name, name.replace("_", " ")) for name in names]
    length = max((len(c) for c in figure.columns.values()), default=0)
    step = max(1, -(-length // most))
    rows = [[_cell(figure.columns[n][i]) for n in names] for i in range(0, length, step)]
    return heads, rows, length - len(rows)


def _cell(value: Any) -> str:
    if value is None:
        return "–"
    if isinstance(value, float):
        return f"{value:.5g}"
    return str(value)
