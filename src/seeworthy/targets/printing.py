"""From a layout to sheets of paper: Typst source, then PDF at exact millimetres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from seeworthy.ground.errors import WrongCall
from seeworthy.targets.joints import OVERLAP, Lay, axes_of, lay
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

_FOOT = 4.0  # mm for the line below the target
_SAFE = 6.0
"""No mark lies nearer to the edge: what home printers reach with some to spare, mm; a judgement."""


@dataclass(frozen=True, slots=True)
class Sheets:
    """How a layout lies on paper.

    Attributes:
        columns, rows: Sheets side by side and one above the other.
        scale: Printed millimetres per millimetre of the layout.
        across, down: Where the drawing lies and where the sheets are cut.
    """

    paper: str
    columns: int
    rows: int
    scale: float
    across: Lay
    down: Lay

    @property
    def count(self) -> int:
        """Number of sheets."""
        return self.columns * self.rows


def plan(layout: Layout, paper: str = "A4", columns: int = 1, rows: int = 1) -> Sheets:
    """Return the largest scale at which a layout fits the sheets, cut beside what is measured.

    Raises:
        WrongCall: Unknown paper, or sheets that are not 1 to 6 each way.
    """
    names = {name.lower(): name for name in PAPERS}
    if paper.lower() not in names:
        raise WrongCall(f"There is no paper '{paper}'.", f"Papers: {', '.join(PAPERS)}.")
    if not (1 <= columns <= 6 and 1 <= rows <= 6):
        raise WrongCall("A target takes 1 to 6 sheets each way.", "Write the sheets like 2x2.")
    name = names[paper.lower()]
    scale, across, down = lay(axes_of(layout, columns, rows, _usable(name)))
    return Sheets(name, columns, rows, math.floor(scale * 1e4) / 1e4, across, down)


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
    pages = []
    for row in range(sheets.rows):
        for column in range(sheets.columns):
            dx = sheets.across.offset - column * (use_w - OVERLAP)
            dy = sheets.down.offset - row * (use_h - OVERLAP)
            pages.append(_page(layout, sheets, (row, column), (dx, dy)))
    return "\n".join([*lines, "\n#pagebreak()\n".join(pages)])


def _page(
    layout: Layout, sheets: Sheets, cell: tuple[int, int], offset: tuple[float, float]
) -> str:
    use_w, use_h = _usable(sheets.paper)
    row, column = cell
    nominal = ruler_length(layout, sheets)
    lines = [
        f"{layout.title}. {layout.use}",
        "Print at 100 %, no fitting to the page. "
        f"Ruler: {nominal:.1f} mm ({nominal / 25.4:.3f} in) when the printer keeps the scale.",
    ]
    left = MARGIN
    if sheets.count > 1:
        which = f"Sheet {column + 1}-{row + 1} of {sheets.columns} x {sheets.rows}"
        lines[1] = f"{which}, cut at the marks. {lines[1]}"
        left += OVERLAP  # clear of the marks
    parts = [
        f"#place(top + left, dx: {_mm(MARGIN)}, dy: {_mm(MARGIN)}, "
        f"box(width: {_mm(use_w)}, height: {_mm(use_h)}, clip: true, "
        f"place(top + left, dx: {_mm(offset[0])}, dy: {_mm(offset[1])}, drawing)))"
    ]
    for place, words in enumerate(lines):
        parts.append(_text(Label(words, (left, MARGIN + use_h + 3.4 + 3.8 * place), 2.0, grey=0.2)))
    if sheets.count > 1:
        parts.extend(_cut_marks(sheets, row, column))
    return "\n".join(parts)


def _cut_marks(sheets: Sheets, row: int, column: int) -> list[str]:
    """Short lines in the margin where a sheet is cut to meet its neighbour's edge."""
    width, height = PAPERS[sheets.paper]
    use_w, use_h = _usable(sheets.paper)
    marks = []
    for place in (column - 1, column):  # the cut to the left, and the one to the right
        if 0 <= place < sheets.columns - 1:
            x = MARGIN + sheets.across.cuts[place] - column * (use_w - OVERLAP)
            marks += [_line((x, _SAFE), (x, MARGIN - 0.5))]
            marks += [_line((x, MARGIN + use_h + 0.5), (x, height - _SAFE))]
    for place in (row - 1, row):
        if 0 <= place < sheets.rows - 1:
            y = MARGIN + sheets.down.cuts[place] - row * (use_h - OVERLAP)
            marks += [_line((_SAFE, y), (MARGIN - 0.5, y))]
            marks += [_line((width - MARGIN + 0.5, y), (width - _SAFE, y))]
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
