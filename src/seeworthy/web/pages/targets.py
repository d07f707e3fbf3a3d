"""Targets to print; the clock where there is one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from fastapi import APIRouter, Request, Response

from seeworthy.ground.errors import NotFound, WrongCall
from seeworthy.targets import NAMES, printing, target
from seeworthy.web.clock_file import clock_file
from seeworthy.web.context import TargetsPage
from seeworthy.web.deps import TheSite
from seeworthy.web.render import HERE, show

router = APIRouter()


@dataclass(frozen=True, slots=True)
class ClockPage:
    """The bench clock; its template stands alone and takes nothing but its title."""

    template: ClassVar[str] = "clock.html"
    title: ClassVar[str] = "Bench clock"


def _has_clock() -> bool:
    return (HERE / "templates" / ClockPage.template).is_file()


@router.get("/targets")
def targets_page(request: Request) -> Response:
    """List the targets."""
    listed = [(n, target(n).title, target(n).use) for n in NAMES if n != "slate"]
    page = TargetsPage(listed, tuple(printing.PAPERS), "/clock" if _has_clock() else "")
    return show(request, page)


@router.get("/clock")
def clock_page(request: Request) -> Response:
    """Show the bench clock, where it is installed."""
    if not _has_clock():
        raise NotFound("There is no clock page in this version.", "See the other targets.")
    return show(request, ClockPage())


@router.get("/clock.html")
def clock_alone() -> Response:
    """Give out the bench clock as one file for a screen without this server."""
    headers = {"content-disposition": 'attachment; filename="clock.html"'}
    return Response(clock_file(), media_type="text/html", headers=headers)


@router.get("/targets/{name}.pdf")
def target_pdf(site: TheSite, name: str, paper: str = "A4", sheets: str = "1x1") -> Response:
    """Give out a target as PDF at exact millimetres."""
    columns, _, rows = sheets.partition("x")
    if not (columns.isdecimal() and rows.isdecimal() and len(sheets) <= 3):
        raise WrongCall(f"'{sheets[:20]}' is not a number of sheets.", "Write it like 2x2.")
    layout = target(name)
    plan = printing.plan(layout, paper, int(columns), int(rows))
    filename = f"{name}-{plan.paper}-{columns}x{rows}.pdf"
    headers = {"content-disposition": f'attachment; filename="{filename}"'}
    return Response(printing.pdf(layout, plan), media_type="application/pdf", headers=headers)
