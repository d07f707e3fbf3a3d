"""Targets to print; the clock where there is one."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from seeworthy.errors import WrongCall
from seeworthy.targets import NAMES, printing, target
from seeworthy.web.context import TargetsPage
from seeworthy.web.deps import TheSite
from seeworthy.web.render import HERE, show

router = APIRouter()


@router.get("/targets")
def targets_page(request: Request) -> Response:
    """List the targets."""
    listed = [(n, target(n).title, target(n).use) for n in NAMES if n != "slate"]
    has_clock = (HERE / "templates" / "clock.html").is_file()
    page = TargetsPage(listed, tuple(printing.PAPERS), "/clock" if has_clock else "")
    return show(request, page)


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
