"""Small drawings of set-ups, one per `Procedure.setup`: our own SVG, drawn in the page's ink."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent / "drawings"
_NAMES = {
    "tape and wall": "tape-and-wall",
    "any clip": "any-clip",
    "cell and thermometer": "cell-and-thermometer",
    "table": "table",
    "card": "card",
    "board": "target",
    "rings": "target",
    "edges": "target",
    "greys": "target",
    "chart": "target",
    "clock": "clock",
    "flight": "flight",
    "passing": "passing",
    "card and wall": "card-and-wall",
    "flat field": "flat-field",
    "wall": "flat-field",
    "target": "target",
    "black cloth": "black-cloth",
    "loudspeaker": "loudspeaker",
}


@lru_cache(maxsize=64)
def drawing(setup: str) -> Any:
    """Return the drawing of a set-up as markup; a camera on its stand where there is none."""
    from markupsafe import Markup

    name = _NAMES.get(setup, "any-clip")
    text = (FOLDER / f"{name}.svg").read_text(encoding="utf-8")
    return Markup(text)  # noqa: S704 - our own files
