"""The report of a camera as one HTML file that asks nothing of any other host.

Style and figures are inside it, pictures are ``data:`` addresses, there is no script.
"""

from __future__ import annotations

import base64
import re
import secrets
from collections.abc import Iterable
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, Literal

from seeworthy.ground.glossary import words_in
from seeworthy.ground.results import Figure, Picture
from seeworthy.ground.seen import only_seen
from seeworthy.procedures.cautions import CAUTIONS
from seeworthy.publish import drawing, figures, numbers, views
from seeworthy.publish.chart import VERSION
from seeworthy.publish.command import command
from seeworthy.publish.figures_us import us_figure, us_report
from seeworthy.publish.first import First, first_page
from seeworthy.publish.model import CameraReport, TakeReport
from seeworthy.publish.units_first import us_first
from seeworthy.publish.verdict import Tally, Verdict, tallies, verdict
from seeworthy.publish.words import to_html

Units = Literal["both", "us", "metric"]
# Most pixels across and down, as wide as the page and a strip of ten, and quality (a judgement).
_LIGHT = (960, 9600), 80
_HEAVY = 100_000  # bytes: smaller pictures go in as they are (a judgement)
TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True, slots=True)
class ReportPage:
    """Everything the template ``report.html`` sees.

    Attributes:
        report: CameraReport
        first: The first page.
        verdict: Verdict
        tallies: Claims kept and broken, with their figures.
        claims: list of ClaimLine
        silent: Titles of what is measured without a claim entered.
        chapters: list of Chapter
        refused: Takes without a figure, with what to do.
        customary: Show US customary units beside metric ones.
        style: The style sheet.
        disclaimer: That no figure speaks of the safety of a flight.
    """

    report: CameraReport
    first: First
    verdict: Verdict
    tallies: tuple[Tally, ...]
    claims: list[views.ClaimLine]
    silent: list[str]
    chapters: list[views.Chapter]
    refused: list[views.TakeView]
    customary: bool
    style: str
    disclaimer: str = field(default=CAUTIONS["verdict"])


def units_of(setting: str) -> Units:
    """Return how a bench's setting of units is shown in a report."""
    return "us" if setting == "us" else "metric" if setting == "metric" else "both"


def begin_drawing(takes: Iterable[TakeReport], *, units: Units, hands: Executor) -> None:
    """Have every figure drawn that `page` will ask for, as soon as the takes are read.

    Pictures are made lighter here: figures alone keep the other process at work for as long.
    """
    for told in takes:
        for figure in told.figures:
            shown = us_figure(figure) if units == "us" else figure
            spec = figures.specification(shown, figures.MIDDLE)
            hands.submit(drawing.svg, spec, VERSION)


def page(report: CameraReport, *, units: Units = "both", hands: Executor | None = None) -> str:
    """Return the report as a complete HTML document.

    Args:
        hands: What draws figures and fits pictures in (`seeworthy.publish.drawing`); by default
            this process.
        units: {"both", "us", "metric"}. Metric with US customary ones beside them, US customary
            ones first, metric alone.
    """
    if units == "us":
        report = us_report(report)
    chapters = views.chapters(report)
    style = (TEMPLATES / "report.css").read_text(encoding="utf-8")
    if units == "us":
        style = style.replace("size:A4", "size:letter")
    refused = [t for c in chapters for t in c.takes if t.told.refusal is not None]
    context = ReportPage(
        report,
        first_page(report),
        verdict(report),
        tallies(report),
        views.claim_rows(report.judgements),
        views.silent_titles(report.judgements),
        chapters,
        refused,
        units == "both",
        style,
    )
    later = _Later(hands or drawing.Here())
    html = later.filled(
        environment()
        .get_template("report.html")
        .render(page=context, draw_once=later.figure, address=cache(_light))
    )
    html = only_seen(html)
    return us_first(html) if units == "us" else html


class _Later:
    """Hands out marks for what is still being drawn, and puts the drawings in their places."""

    def __init__(self, hands: Executor) -> None:
        self._hands = hands
        self._parts: list[tuple[Future[str], str]] = []
        self._sign = secrets.token_hex(8)  # that no note or name of a stranger can hold

    def figure(self, figure: Figure, prefix: str) -> Any:
        """Have a figure drawn, and return the mark of its place."""
        from markupsafe import Markup

        spec = figures.specification(figure, figures.MIDDLE)
        self._parts.append((self._hands.submit(drawing.svg, spec, VERSION), prefix))
        return Markup(f"{self._sign}:{len(self._parts) - 1};")  # noqa: S704 - ours

    def filled(self, html: str) -> str:
        """Return the page with everything in its place."""

        def drawn(mark: re.Match[str]) -> str:
            job, prefix = self._parts[int(mark[1])]
            return figures.on_page(job.result(), prefix)

        return re.sub(rf"{self._sign}:(\d+);", drawn, html)


def _light(picture: Picture) -> str:
    """Return the ``data:`` address of a picture, made lighter where it is heavy.

    A PNG over about 100 kB becomes a JPEG at most 960 pixels wide; the bench keeps the
    original.
    """
    data = picture.data
    if len(data) > _HEAVY:
        data = min(drawing.jpeg(data, *_LIGHT), data, key=len)
    return _address(data)


def templates(*folders: Path) -> Any:
    """Return an environment of these folders' templates, with what pages and reports share."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    env = Environment(
        loader=FileSystemLoader(folders),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["long_date"] = views.long_date
    env.filters["typed"] = numbers.typed
    env.filters["words_in"] = words_in
    return env


@lru_cache(maxsize=1)
def environment() -> Any:
    """Return the template environment of all reports."""
    from markupsafe import Markup

    env = templates(TEMPLATES)
    env.filters["markdown"] = to_html
    env.filters["command"] = command
    env.tests["in_map"] = views.in_map
    env.globals["picture_anchor"] = views.picture_anchor
    env.globals["figure_table"] = figures.table

    def draw(figure: Figure, prefix: str) -> Any:
        wide = figures.inline_svg(figure, figures.WIDE, f"{prefix}-w")
        narrow = figures.inline_svg(figure, figures.NARROW, f"{prefix}-n")
        return Markup(f'<div class="wide">{wide}</div><div class="narrow">{narrow}</div>')  # noqa: S704

    env.globals["draw"] = draw
    return env


def _address(data: bytes) -> str:
    kind = "jpeg" if data[:2] == b"\xff\xd8" else "png"
    return f"data:image/{kind};base64,{base64.b64encode(data).decode()}"
