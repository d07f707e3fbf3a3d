"""The reviewer's own words: which part of a Markdown text goes where, shown without danger.

The text of one camera has headings of any level, each starting a part::

    # Verdict
    # Notes
    # Rating kite-picture 4
    # Test readout

What stands before the first known heading counts as the verdict. HTML in the text is shown
as typed, never obeyed; pictures are not loaded; links go to http, https and mailto only.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from seeworthy.publish.typeset import escape

_HEADING = re.compile(
    r"^#{1,6}[ \t]+(?:(verdict|notes)|(rating|test)[ \t]+([\w-]{1,60})(?:[ \t]+([1-5]))?)[ \t]*$",
    re.IGNORECASE,
)
_LINK = re.compile(r"(?:https?|mailto):", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Rating:
    """A reviewer's rating of a camera for a purpose: 1 to 5, 0 without a number."""

    purpose: str
    stars: int
    text: str


@dataclass(frozen=True, slots=True)
class Words:
    """A reviewer's text, sorted.

    Attributes:
        verdict, notes: Markdown.
        tests: mapping of procedure to Markdown
    """

    verdict: str = ""
    notes: str = ""
    ratings: tuple[Rating, ...] = ()
    tests: Mapping[str, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        """Tell whether anything was said."""
        return bool(self.verdict or self.notes or self.ratings or self.tests)


def sort_words(text: str) -> Words:
    """Sort a reviewer's Markdown by its headings; an unknown heading stays in its part."""
    parts: list[tuple[tuple[str, str, int], list[str]]] = [(("verdict", "", 0), [])]
    for line in text.splitlines():
        found = _HEADING.match(line)
        if found:
            kind = (found[1] or found[2]).lower()
            parts.append(((kind, (found[3] or "").lower(), int(found[4] or 0)), []))
        else:
            parts[-1][1].append(line)
    said: dict[str, str] = {"verdict": "", "notes": ""}
    ratings: list[Rating] = []
    tests: dict[str, str] = {}
    for (kind, name, stars), lines in parts:
        body = "\n".join(lines).strip()
        if kind == "rating":
            ratings.append(Rating(name, stars, body))
        elif body and kind == "test":
            tests[name] = f"{tests[name]}\n\n{body}" if name in tests else body
        elif body:
            said[kind] = f"{said[kind]}\n\n{body}".strip()
    return Words(said["verdict"], said["notes"], tuple(ratings), tests)


def _parser() -> Any:
    from markdown_it import MarkdownIt

    # "commonmark" with html=False: tags become text. Pictures would load from elsewhere.
    parser = MarkdownIt("commonmark", {"html": False}).disable(["image", "html_block"])
    parser.validateLink = lambda url: bool(_LINK.match(url))  # type: ignore[method-assign]
    return parser


def to_html(text: str) -> Any:
    """Return Markdown as HTML that can do no harm; headings become bold paragraphs."""
    from markupsafe import Markup

    html: str = _parser().render(text)
    html = re.sub(r"<h[1-6]>(.*?)</h[1-6]>", r"<p><strong>\1</strong></p>", html)
    html = html.replace("<a href=", '<a rel="nofollow noopener" href=')
    return Markup(html)  # noqa: S704 - made by the parser above, tags of the text are escaped


def to_typst(text: str) -> str:
    """Return Markdown as Typst source: paragraphs, lists, bold, slanted; links as words."""
    out: list[str] = []
    depth = 0
    for token in _parser().parse(text):
        if token.type in ("bullet_list_open", "ordered_list_open"):
            depth += 1
        elif token.type in ("bullet_list_close", "ordered_list_close"):
            depth -= 1
            out.append("\n")
        elif token.type == "inline":
            lead = "  " * max(0, depth - 1) + "- " if depth else ""
            out.append(lead + _inline(token) + ("\n" if depth else "\n\n"))
        elif token.type in ("fence", "code_block"):
            out.append(_escape(token.content) + "\n\n")
    return "".join(out).strip()


def _inline(token: Any) -> str:
    words = []
    for child in token.children or ():
        if child.type in ("text", "code_inline"):
            words.append(_escape(child.content))
        elif child.type in ("strong_open", "em_open"):
            words.append("#strong[" if child.type == "strong_open" else "#emph[")
        elif child.type in ("strong_close", "em_close"):
            words.append("]")
        elif child.type in ("softbreak", "hardbreak"):
            words.append(" ")
    return "".join(words)


def _escape(text: str) -> str:
    return escape(" ".join(text.split("\n")))
