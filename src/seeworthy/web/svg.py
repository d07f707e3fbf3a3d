"""SVG that may stand inside a page under the strict policy: no style attributes, no script."""

from __future__ import annotations

import re
from typing import Any


def tidy(svg: str) -> Any:
    """Return a drawing of ours as markup, without what the policy forbids anyway."""
    from markupsafe import Markup

    clean = re.sub(r'\sstyle="([^"]*)"', _as_attributes, svg)
    return Markup(clean)  # noqa: S704 - drawn here, from numbers; texts are escaped by the drawer


def _as_attributes(match: re.Match[str]) -> str:
    found = []
    for part in match.group(1).split(";"):
        name, colon, value = part.partition(":")
        if colon and re.fullmatch(r"[a-z-]+", name.strip()):
            found.append(f' {name.strip()}="{value.strip()}"')
    return "".join(found)
