"""The slate: a card held before the camera at the start of a take.

Coded markers tell where it is; an open matrix code (ISO/IEC 18004) carries the text
that files the take; the same words stand beside it for people.
"""

from __future__ import annotations

import textwrap

from seeworthy.targets.layout import (
    INK,
    Label,
    Layout,
    Marker,
    Patch,
    Region,
    Ruler,
    rectangle,
    ruler_label,
)

FIRST_ID = 150  # of markers, apart from those of all other targets
_CODE = 120.0  # mm, side of the matrix code


def layout(payload: str = "seeworthy", lines: tuple[str, ...] = ()) -> Layout:
    """Return a card that carries `payload` as a matrix code and `lines` in words."""
    cells = _cells(payload)
    cell = _CODE / len(cells)
    left, top = 12.0, 28.0
    patches = []
    for r, row in enumerate(cells):
        c = 0
        while c < len(row):
            run = c
            while run < len(row) and row[run]:
                run += 1
            if run > c:
                box = rectangle(left + c * cell, top + r * cell, (run - c) * cell, cell)
                patches.append(Patch(box, INK))
            c = max(run, c + 1)
    code = rectangle(left, top, _CODE, _CODE)
    words = _words(lines)
    ruler = Ruler((12.0, 176.5), 150.0)
    side = 24.0
    places = ((150.0, 2.0), (246.0, 2.0), (246.0, 140.0), (12.0, 151.0))
    return Layout(
        name="slate",
        title="Slate",
        width=272.0,
        height=186.0,
        ruler=ruler,
        patches=tuple(patches),
        markers=tuple(Marker(FIRST_ID + i, c, side) for i, c in enumerate(places)),
        labels=(*words, ruler_label(ruler), Label("Seeworthy slate", (12.0, 12.0), 4.0)),
        regions=(Region("code", (code[0], code[1], code[2], code[3])),),
        use="Hold it in view for two seconds at the start of the take.",
    )


def _words(lines: tuple[str, ...]) -> tuple[Label, ...]:
    """Return the words beside the code, whole: long ones turn over, and shrink to fit."""
    # 118 mm up to the edge; a capital is 0.73 em high.
    turned: list[str] = []
    for text in lines:
        widest = max(26, -(-len(text) // 4))
        turned += textwrap.wrap(text, widest) or [text]
    longest = max((_ems(text) for text in turned), default=1.0)
    size = min(5.0, 118.0 * 0.73 / longest)
    step = min(12.0, 84.0 / max(1, len(turned)))  # down to the marker
    return tuple(Label(text, (150.0, 52.0 + step * i), size) for i, text in enumerate(turned))


def _ems(text: str) -> float:
    """Return at most how wide a text is, in em: a judgement on the wide side of sans faces."""
    return sum(1.05 if c in "WM@%mw" else 0.78 if c.isupper() else 0.66 for c in text) or 1.0


def _cells(payload: str) -> list[list[bool]]:
    """Return the dark cells of the matrix code, without its quiet zone."""
    import segno

    # Level M mends 15 % of the code, which a thumb or a glare takes.
    code = segno.make(payload, error="m", boost_error=False, micro=False)
    return [[bool(cell) for cell in row] for row in code.matrix]
