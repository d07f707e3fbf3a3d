"""A finished report with US customary units first: every sentence, cell and interval."""

from __future__ import annotations

import re

from seeworthy.ground.customary import customary_text

# What is typed, drawn or addressed stays; a row of a table is read as a whole, for `g` is a mass
# only beside a word that says so.
_PIECE = re.compile(
    r"<(?P<kept>style|svg|code|title)\b.*?</(?P=kept)>|<tr\b.*?</tr>|<[^>]*>|[^<]+", re.DOTALL
)
_TAG = re.compile(r"(<[^>]*>)")


def us_first(html: str) -> str:
    """Return an HTML document whose figures stand in US customary units, metric in brackets."""
    return _PIECE.sub(_turned, html)


def _turned(found: re.Match[str]) -> str:
    piece = found[0]
    if piece.startswith("<tr"):
        about = _TAG.sub(" ", piece)
        return "".join(_said(p, about) for p in _TAG.split(piece))
    return piece if piece.startswith("<") else _said(piece, "")


def _said(piece: str, about: str) -> str:
    return piece if piece.startswith("<") else customary_text(piece, about=about)
