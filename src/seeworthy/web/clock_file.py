"""The bench clock as one file that opens alone, without a server and without a network."""

from __future__ import annotations

import re
from pathlib import Path

_HERE = Path(__file__).parent
_STYLE = re.compile(r'<link rel="stylesheet" href="/static/([\w.]+)">')
_SCRIPT = re.compile(r'<script src="/static/([\w.]+)"></script>')


def clock_file() -> str:
    """Return the page of the clock with its style and its script inside it."""
    page = (_HERE / "templates" / "clock.html").read_text(encoding="utf-8")
    page = _STYLE.sub(lambda found: f"<style>\n{_static(found[1])}</style>", page)
    return _SCRIPT.sub(lambda found: f"<script>\n{_static(found[1])}</script>", page)


def _static(name: str) -> str:
    return (_HERE / "static" / name).read_text(encoding="utf-8")
