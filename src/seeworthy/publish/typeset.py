"""Small things that a Typst document is built from."""

from __future__ import annotations

import re
from collections.abc import Sequence

from seeworthy.ground.seen import only_seen

_SPECIAL = re.compile(r"([\\#$*_`<>@\[\]~=+/-])")


def escape(text: object) -> str:
    """Return a text so that Typst prints it as it is."""
    return _SPECIAL.sub(r"\\\1", only_seen(str(text)))


def whole(text: object) -> str:
    """Return an escaped text that is never broken inside (a number and its unit)."""
    return f"#box[{escape(text)}]" if str(text) else ""


def table(widths: Sequence[str], heads: Sequence[str], rows: Sequence[tuple[str, ...]]) -> str:
    """Return a table; a row of one cell goes across.

    Args:
        widths: Of Typst: ``2fr``, ``auto``.
        heads: Plain words; no head where empty.
        rows: Typst source.
    """
    head = ", ".join(f"[*{escape(h)}*]" for h in heads)
    body = [f"table.header({head})"] if heads else []
    for row in rows:
        if len(row) == 1:
            body.append(f"table.cell(colspan: {len(widths)})[{row[0]}]")
        else:
            body.append(", ".join(f"[{cell}]" for cell in row))
    lines = ",\n  ".join(body)
    return f"#table(columns: ({', '.join(widths)},),\n  {lines})"
