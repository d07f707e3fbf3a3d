"""Reports: to read in place, and to take away as HTML, PDF or open data."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from functools import partial

from fastapi import APIRouter, Request, Response

from seeworthy.bench.cameras import list_names, takes_per_camera
from seeworthy.bench.takes import list_takes
from seeworthy.publish import html
from seeworthy.publish.assemble import camera_report
from seeworthy.publish.drawing import hands
from seeworthy.publish.export import export_zip
from seeworthy.publish.html import units_of
from seeworthy.publish.model import CameraReport, TakeReport
from seeworthy.publish.write import report_name
from seeworthy.web.context import ReportsPage, Waiting
from seeworthy.web.deps import TheSite
from seeworthy.web.pages.camera import named
from seeworthy.web.render import show
from seeworthy.web.site import Site
from seeworthy.web.trust import REPORT_POLICY

router = APIRouter()
_PATIENCE = 0.2  # s before words: a page answers within 0.3 s, whatever it has to work out


@router.get("/reports")
def reports_page(request: Request, site: TheSite) -> Response:
    """List the reports."""
    takes = site.remember("counts", lambda: takes_per_camera(site.bench))
    names = site.remember("names", lambda: list_names(site.bench))
    return show(request, ReportsPage([(n, name, takes.get(name, 0)) for n, name in names.items()]))


def _report(site: Site, number: int, begin: Callable[[Sequence[TakeReport]], None]) -> CameraReport:
    now = dt.datetime.now(dt.UTC).astimezone()
    return camera_report(site.bench, named(site, number).name, made=now, begin=begin)


@router.get("/reports/data.zip")
def data(site: TheSite) -> Response:
    """Give out all figures as open data."""
    content = site.remember("data", lambda: export_zip(site.bench))
    headers = {"content-disposition": 'attachment; filename="seeworthy-data.zip"'}
    return Response(content, media_type="application/zip", headers=headers)


@router.get("/reports/{number}")
def report(request: Request, site: TheSite, number: int, download: bool = False) -> Response:
    """Show a report as it would be published; it runs no script at all."""
    units = units_of(site.settings().units)

    def make() -> str:
        with hands() as drawing:
            begin = partial(html.begin_drawing, units=units, hands=drawing)
            return html.page(_report(site, number, begin), units=units, hands=drawing)

    # A person who reads is told that it is being made; what fetches a file waits for it.
    reads = "text/html" in request.headers.get("accept", "") and not download
    if reads and not site.ready(("report", number), make, _PATIENCE):
        camera = named(site, number)
        takes = len(list_takes(site.bench, camera=camera.name))
        many = f"{takes} take{'s' if takes != 1 else ''}"
        words = f"Being put together from {many}: figures are drawn, pictures are fitted in."
        heading = f"Report of {camera.name}"
        return show(request, Waiting(heading, words, ("/reports", "Reports")))
    made = site.remember(("report", number), make)
    headers = {"content-security-policy": REPORT_POLICY}
    if download:
        name = f"{report_name(named(site, number).name)}.html".encode("ascii", "replace").decode()
        headers["content-disposition"] = f'attachment; filename="{name.replace("?", "_")}"'
    return Response(made, media_type="text/html; charset=utf-8", headers=headers)


@router.get("/reports/{number}/report.pdf")
def report_pdf(site: TheSite, number: int) -> Response:
    """Give out a report as PDF."""
    from seeworthy.publish import pdf

    units = units_of(site.settings().units)

    def make() -> bytes:
        with hands() as drawing:
            begin = partial(pdf.begin_drawing, units=units, hands=drawing)
            return pdf.pdf(_report(site, number, begin), units=units, hands=drawing)

    data = site.remember(("report-pdf", number), make)
    name = f"{report_name(named(site, number).name)}.pdf".encode("ascii", "replace").decode()
    headers = {"content-disposition": f'attachment; filename="{name.replace("?", "_")}"'}
    return Response(data, media_type="application/pdf", headers=headers)
