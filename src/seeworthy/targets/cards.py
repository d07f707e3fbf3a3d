"""Several layouts as one PDF, a sheet each (slates for a shoot)."""

from __future__ import annotations

from collections.abc import Sequence

from seeworthy.targets.layout import Layout
from seeworthy.targets.printing import plan, typst_source


def cards_pdf(layouts: Sequence[Layout], paper: str = "A4") -> bytes:
    """Return a PDF with one layout per page, at exact millimetres."""
    import typst

    sources = []
    for place, layout in enumerate(layouts):
        source = typst_source(layout, plan(layout, paper))
        # A document has one title, said before anything is drawn; a page rule begins a page.
        sources.append(source if place == 0 else source.partition("\n")[2])
    compiled = typst.compile("\n".join(sources).encode(), format="pdf")
    if not isinstance(compiled, bytes):
        raise TypeError("one PDF expected")
    return compiled
