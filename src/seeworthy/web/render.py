"""Turning page contexts into HTML: one template environment, one frame around every page."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from fastapi import Request
from fastapi.responses import HTMLResponse

from seeworthy.ground.digits import sign
from seeworthy.ground.examples import EXAMPLES
from seeworthy.judge.claims.judgement import title_of
from seeworthy.publish import numbers
from seeworthy.web import words
from seeworthy.web.drawings import drawing
from seeworthy.web.frame import Frame
from seeworthy.web.words import label, percent, plain

if TYPE_CHECKING:
    from seeworthy.judge.plan.prediction import Prediction
    from seeworthy.judge.purpose.rank import Measure
    from seeworthy.web.site import Site

HERE = Path(__file__).parent
STATIC = HERE / "static"
YEAR = 31_536_000  # s, the longest that caches keep (RFC 2616, from memory)
_ENDINGS = {".css", ".js", ".svg", ".txt"}


class Page(Protocol):
    """A page context: a frozen dataclass that names its template and its title."""

    @property
    def template(self) -> str:
        """File name of the template."""

    @property
    def title(self) -> str:
        """What stands in the browser's title."""


def show(request: Request, page: Page, status: int = 200) -> HTMLResponse:
    """Return a page (or the fragment that a template is) as an answer."""
    site: Site = request.app.state.site
    frame = Frame.of(site, request.url.path)
    html = environment().get_template(page.template).render(page=page, frame=frame)
    return HTMLResponse(html, status)


@lru_cache(maxsize=1)
def environment() -> Any:
    """Return the template environment of the pages."""
    from seeworthy.publish.html import TEMPLATES, templates

    env = templates(HERE / "templates", TEMPLATES)
    env.filters["plain"] = plain
    env.filters["label"] = label
    env.filters["percent"] = percent
    env.filters["likely"] = words.likely
    env.filters["tests_named"] = words.tests_named
    env.filters["unnamed"] = words.unnamed
    env.filters["test_title"] = words.test_title
    env.filters["claim_title"] = title_of
    env.filters["shown"] = _shown
    env.filters["ends"] = _ends
    env.filters["sign"] = sign
    env.filters["size"] = _size
    env.filters["finding"] = numbers.finding_text
    env.globals["static"] = static
    env.globals["drawing"] = drawing
    env.globals["examples"] = EXAMPLES
    return env


def _shown(one: Measure | Prediction, unit: str) -> str:
    """Write what was found or is foreseen, to the digit that its interval leaves."""
    if one.value is None:
        return ""
    return numbers.figure(one.value, *(one.interval or (one.value, one.value)), unit)


def _ends(interval: tuple[float, float], unit: str) -> str:
    return numbers.interval_text(*interval, 0.0, unit)


def _size(count: int) -> str:
    """Write a file's size so that it is never nought."""
    return f"{count / 1e6:.1f} MB" if count >= 1e5 else f"{count / 1e3:.1f} kB"


@lru_cache(maxsize=64)
def static(name: str) -> str:
    """Return the address of a static file; it changes with the content, so it may be kept."""
    data = (STATIC / name).read_bytes()
    return f"/static/{hashlib.sha256(data).hexdigest()[:12]}/{name}"


def static_file(name: str) -> Path | None:
    """Return the path of a static file by its name, None for what is not one of ours."""
    if not name.isprintable():
        return None
    path = (STATIC / name).resolve()
    inside = path.is_relative_to(STATIC.resolve())
    return path if inside and path.is_file() and path.suffix in _ENDINGS else None
