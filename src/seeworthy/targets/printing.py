"""From a layout to sheets of paper: Typst source, then PDF at exact millimetres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from seeworthy.ground.errors import WrongCall
from seeworthy.targets.layout import Disc, Label, Layout, Marker, Patch, Point, light_cells
from seeworthy.targets.layout import ruler_patches as _ruler_patches

PAPERS: dict[str, tuple[float, float]] = {
    "A4": (297.0, 210.0),
    "A3": (420.0, 297.0),
    "letter": (279.4, 215.9),
}
"""Landscape sheets, width and height in mm (ISO 216; US Letter 11 in × 8.5 in)."""

MARGIN = 10.0
"""Most home printers cannot print nearer to the edge, mm."""

_FOOT = 4.0
OVERLAP = 10.0
"""Neighbouring sheets repeat this much of the drawing, for cutting and gluing, mm."""


@dataclass(frozen=True, slots=True)
class Sheets:
    """How a layout lies on paper.

    Attributes:
        columns, rows: Sheets side by side and one above the other.
        scale: Printed millimetres per millimetre of the layout.
    """

    paper: str
    columns: int
    rows: int
    scale: float

    @property
    def count(self) -> int:
        """Number of sheets."""
        return self.columns * self.rows


def plan(layout: Layout, paper: str = "A4", columns: int = 1, rows: int = 1) -> Sheets:
    """Return the largest scale at which a layout fits the sheets.

    Raises:
        WrongCall: Unknown paper, or sheets that are not 1 to 6 each way.
    """
    names = {name.lower(): name for name in PAPERS}
    if paper.lower() not in names:
        raise WrongCall(f"There is no paper '{paper}'.", f"Papers: {', '.join(PAPERS)}.")
    if not (1 <= columns <= 6 and 1 <= rows <= 6):
        raise WrongCall("A target takes 1 to 6 sheets each way.", "Write the sheets like 2x2.")
    name = names[paper.lower()]
    width, height = _usable(name)
    full_w = columns * width - (columns - 1) * OVERLAP
    full_h = rows * height - (rows - 1) * OVERLAP
    scale = min(full_w / layout.width, full_h / layout.height)
    return Sheets(name, columns, rows, math.floor(scale * 1e4) / 1e4)


def _usable(paper: str) -> tuple[float, float]:
    width, height = PAPERS[paper]
    return width - 2 * MARGIN, height - 2 * MARGIN - _FOOT


def ruler_length(layout: Layout, sheets: Sheets) -> float:
    """Return what the ruler measures when the printer keeps the scale, mm."""
    return layout.ruler.length * sheets.scale


def typst_source(layout: Layout, sheets: Sheets) -> str:
    """Return the Typst document: one page per sheet, vector shapes in millimetres."""
    width, height = PAPERS[sheets.paper]
    use_w, use_h = _usable(sheets.paper)
    lines = [
        f'#set document(title: "{_escape(layout.title)}")',
        f"#set page(width: {_mm(width)}, height: {_mm(height)}, margin: 0mm)",
        '#set text(font: ("DejaVu Sans", "Libertinus Serif"), size: 6pt, '
        'top-edge: "baseline", bottom-edge: "baseline")',
        "#let drawing = {",
        *_drawing(layout, sheets.scale),
        "}",
    ]
    total_w, total_h = layout.width * sheets.scale, layout.height * sheets.scale
    full_w = sheets.columns * use_w - (sheets.columns - 1) * OVERLAP
    full_h = sheets.rows * use_h - (sheets.rows - 1) * OVERLAP
    pages = []
    for row in range(sheets.rows):
        for column in range(sheets.columns):
            dx = (full_w - total_w) / 2 - column * (use_w - OVERLAP)
            dy = (full_h - total_h) / 2 - row * (use_h - OVERLAP)
            pages.append(_page(layout, sheets, (row, column), (dx, dy)))
    return "\n".join([*lines, "\n#pagebreak()\n".join(pages)])


def _page(
    layout: Layout, sheets: Sheets, cell: tuple[int, int], offset: tuple[float, float]
) -> str:
    use_w, use_h = _usable(sheets.paper)
    row, column = cell
    nominal = ruler_length(layout, sheets)
    foot = (
        f"{layout.title}. {layout.use} Print at 100 %, no fitting to the page. "
        f"Ruler: {nominal:.1f} mm ({nominal / 25.4:.3f} in) when the printer keeps the scale."
    )
    if sheets.count > 1:
        which = f"Sheet {column + 1}-{row + 1} of {sheets.columns} x {sheets.rows}"
        foot = f"{which}, cut at the marks. {foot}"
    parts = [
        f"#place(top + left, dx: {_mm(MARGIN)}, dy: {_mm(MARGIN)}, "
        f"box(width: {_mm(use_w)}, height: {_mm(use_h)}, clip: true, "
        f"place(top + left, dx: {_mm(offset[0])}, dy: {_mm(offset[1])}, drawing)))",
        _text(Label(foot, (MARGIN, MARGIN + use_h + _FOOT), 1.5, grey=0.35)),
    ]
    if sheets.count > 1:
        parts.extend(_cut_marks(sheets, row, column))
    return "\n".join(parts)


def _cut_marks(sheets: Sheets, row: int, column: int) -> list[str]:
    """Short lines in the margin where a sheet is cut to meet its neighbour's edge."""
    use_w, use_h = _usable(sheets.paper)
    marks = []
    if column + 1 < sheets.columns:
        x = MARGIN + use_w - OVERLAP / 2
        marks += [_line((x, 3.0), (x, MARGIN - 1.0))]
        marks += [_line((x, MARGIN + use_h + 5.0), (x, MARGIN + use_h + 10.0))]
    if column > 0:
        x = MARGIN + OVERLAP / 2
        marks += [_line((x, 3.0), (x, MARGIN - 1.0))]
        marks += [_line((x, MARGIN + use_h + 5.0), (x, MARGIN + use_h + 10.0))]
    if row + 1 < sheets.rows:
        y = MARGIN + use_h - OVERLAP / 2
        right = 2 * MARGIN + use_w
        marks += [_line((3.0, y), (MARGIN - 1.0, y)), _line((right - 9.0, y), (right - 3.0, y))]
    if row > 0:
        y = MARGIN + OVERLAP / 2
        right = 2 * MARGIN + use_w
        marks += [_line((3.0, y), (MARGIN - 1.0, y)), _line((right - 9.0, y), (right - 3.0, y))]
    return marks


def _line(a: Point, b: Point) -> str:
    return (
        f"#place(top + left, line(start: ({_mm(a[0])}, {_mm(a[1])}), "
        f"end: ({_mm(b[0])}, {_mm(b[1])}), stroke: 0.2mm + luma(50%)))"
    )


def _drawing(layout: Layout, scale: float) -> list[str]:
    out = [_patch(p, scale) for p in layout.patches]
    out += [_disc(d, scale) for d in layout.discs]
    for marker in layout.markers:
        out += _marker(marker, scale)
    out += [_patch(p, scale) for p in _ruler_patches(layout.ruler)]
    out += [_text(_scaled(label, scale))[1:] for label in layout.labels]
    return out


def _scaled(label: Label, k: float) -> Label:
    return Label(
        label.text, (label.at[0] * k, label.at[1] * k), label.size * k, label.anchor, label.grey
    )


def _patch(patch: Patch, scale: float) -> str:
    return _polygon(patch.points, patch.tone, scale)


def _polygon(points: Sequence[Point], tone: float, scale: float) -> str:
    corners = ", ".join(f"({_mm(x * scale)}, {_mm(y * scale)})" for x, y in points)
    return f"place(top + left, polygon(fill: {_fill(tone)}, {corners}))"


def _disc(disc: Disc, scale: float) -> str:
    x, y = disc.centre[0] - disc.radius, disc.centre[1] - disc.radius
    return (
        f"place(top + left, dx: {_mm(x * scale)}, dy: {_mm(y * scale)}, "
        f"circle(radius: {_mm(disc.radius * scale)}, fill: {_fill(disc.tone)}))"
    )


def _marker(marker: Marker, scale: float) -> list[str]:
    out = [_polygon(marker.corners, 0.0, scale)]
    out += [_polygon(cell, 1.0, scale) for cell in light_cells(marker)]
    return out


def _text(label: Label) -> str:
    x, y = label.at
    size = label.size / 0.73  # capitals of the face are 0.73 of its size
    body = f'text(size: {_mm(size)}, fill: luma({label.grey * 100:.0f}%), "{_escape(label.text)}")'
    if label.anchor == "right":
        width = 400.0
        body = f"box(width: {_mm(width)}, align(right, {body}))"
        x -= width
    return f"#place(top + left, dx: {_mm(x)}, dy: {_mm(y)}, {body})"


def _fill(tone: float) -> str:
    return f"luma({printed(tone) * 100:.3f}%)"


def printed(tone: float) -> float:
    """Return the sRGB signal, 0 to 1, of a tone in linear light (IEC 61966-2-1)."""
    return 12.92 * tone if tone <= 0.0031308 else 1.055 * tone ** (1 / 2.4) - 0.055


def _mm(value: float) -> str:
    return f"{value:.4f}mm"


def _escape(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')


def pdf(layout: Layout, sheets: Sheets) -> bytes:
    """Return the PDF of all sheets."""
    import typst

    compiled = typst.compile(typst_source(layout, sheets).encode(), format="pdf")
    if not isinstance(compiled, bytes):
        raise TypeError("one PDF expected")
    return compiled
