"""The shoot sheet and its slates: printed, or shown on a phone."""

from __future__ import annotations

from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request, Response

from seeworthy.bench.cameras import list_cameras
from seeworthy.bench.shoot import shoot_sheet, slates_wanted
from seeworthy.bench.slates import slate_for
from seeworthy.procedures import all_procedures
from seeworthy.targets.cards import cards_pdf
from seeworthy.web.context_card import ShootPage, SlatePage
from seeworthy.web.deps import TheSite
from seeworthy.web.layout_svg import layout_svg
from seeworthy.web.render import show
from seeworthy.web.site import Site

router = APIRouter()


def units_of(site: Site) -> list[tuple[int, str]]:
    """Return all units with their names in words."""
    found = []
    for camera in site.remember("cameras", lambda: list_cameras(site.bench)):
        for unit in camera.units:
            words = camera.name if len(camera.units) == 1 else f"{camera.name}, unit {unit.serial}"
            found.append((unit.id, words))
    return found


@router.get("/shoot")
def shoot_page(
    request: Request,
    site: TheSite,
    test: list[str] = Query(default=[]),  # noqa: B008
    unit: list[int] = Query(default=[]),  # noqa: B008
) -> Response:
    """Show the choices, and the sheet for what is chosen."""
    tests = [(p.id, p.title, p.setup, p.minutes, p.id in test) for p in all_procedures().values()]
    units = [(n, words, n in unit) for n, words in units_of(site)]
    sheet = shoot_sheet(test, len(unit)) if test else None
    query = urlencode([("test", t) for t in test] + [("unit", str(u)) for u in unit])
    return show(request, ShootPage(tests, units, sheet, query))


@router.get("/slate")
def slate_page(request: Request, site: TheSite, unit: int, test: str, role: str = "") -> Response:
    """Show one slate full-screen."""
    card, layout = slate_for(site.bench, unit, test, role)
    words = [t.text for t in layout.labels if "measure me" not in t.text]
    title = f"Slate for {card.procedure}"
    return show(request, SlatePage(layout_svg(layout, title), words, title))


@router.get("/slates.pdf")
def slates_pdf(
    site: TheSite,
    test: list[str] = Query(default=[]),  # noqa: B008
    unit: list[int] = Query(default=[]),  # noqa: B008
    paper: str = "A4",
) -> Response:
    """Give out the slates of a shoot as PDF, one a sheet."""
    wanted = slates_wanted(test, unit)
    data = cards_pdf([slate_for(site.bench, *one)[1] for one in wanted], paper)
    headers = {"content-disposition": 'attachment; filename="slates.pdf"'}
    return Response(data, media_type="application/pdf", headers=headers)
