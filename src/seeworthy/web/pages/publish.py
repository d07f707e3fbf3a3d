"""Cards for a film, the bench as open data, and what other benches publish."""

from __future__ import annotations

import shutil
from typing import Any

from fastapi import APIRouter, Request, Response
from fastapi.responses import FileResponse
from starlette.background import BackgroundTask

from seeworthy.bench.cameras import list_cameras
from seeworthy.bench.identity import read_identity, save_identity
from seeworthy.bench.upkeep import show_bench
from seeworthy.ground.errors import NotFound, SeeworthyError, WrongCall
from seeworthy.publish.card_drawing import SIZES, Card, card_png, card_svg
from seeworthy.publish.cards import KINDS, cards_of
from seeworthy.publish.export import export_bench
from seeworthy.publish.package_checks import check_package
from seeworthy.publish.taking_in import take_in_package
from seeworthy.publish.write import slug
from seeworthy.web.context_publish import CardsPage, DataPage, PackagePage
from seeworthy.web.deps import Form, TheForm, TheSite, go
from seeworthy.web.pages.camera import named
from seeworthy.web.pages.card import size_text
from seeworthy.web.pages.settings import passing_file
from seeworthy.web.pages.sure import filled
from seeworthy.web.render import show
from seeworthy.web.site import Site
from seeworthy.web.workshop import do_cards

router = APIRouter()
_SIZES = {"wide": "Wide, for a film", "tall": "Tall, for a phone", "square": "Square"}
_KINDS = {
    "claim": "The seller's claims",
    "result": "Figures",
    "figure": "Drawings",
    "comparison": "Beside the other cameras",
}
LICENCES = (
    ("CC0-1.0", "anything, without naming you"),
    ("CC-BY-4.0", "anything, if they name you"),
    ("CC-BY-SA-4.0", "anything, if they name you and share alike"),
    ("ODbL-1.0", "anything, if they name you and keep data made from yours open"),
)
"""Names as SPDX lists them; what each allows, in short."""


def _cards(site: Site, number: int) -> list[Card]:
    camera = named(site, number).name
    found: list[Card] = site.remember(("cards", number), lambda: cards_of(site.bench, camera))
    return found


@router.get("/reports/{number}/cards")
def cards_page(
    request: Request, site: TheSite, number: int, size: str = "wide", alpha: bool = False
) -> Response:
    """Show every card of a camera."""
    if size not in SIZES:
        raise NotFound("There is no such size of card.", "Choose one from the page.")
    cards = _cards(site, number)
    groups = [
        (words, [c for c in cards if c.kind == kind])
        for kind, words in _KINDS.items()
        if any(c.kind == kind for c in cards)
    ]
    sizes = [(name, _SIZES[name], *pixels) for name, pixels in SIZES.items()]
    camera = named(site, number).name
    works = [w for w in site.workshop.all() if w.kind == "cards" and w.name == camera]
    return show(request, CardsPage(number, camera, groups, sizes, size, alpha, works))


@router.get("/reports/{number}/cards/{name}")
def card(
    site: TheSite, number: int, name: str, size: str = "wide", alpha: bool = False
) -> Response:
    """Draw one card: ``NAME.svg`` or ``NAME.png``."""
    stem, _, ending = name.rpartition(".")
    found = next((c for c in _cards(site, number) if c.name == stem), None)
    if found is None or size not in SIZES or ending not in ("svg", "png"):
        raise NotFound("There is no such card.", "Choose one from the page of cards.")
    draw: Any = card_svg if ending == "svg" else card_png
    made = site.remember(
        ("card", number, name, size, alpha), lambda: draw(found, SIZES[size], alpha=alpha)
    )
    file = f"{slug(found.head)}-{found.name}-{size}.{ending}".encode("ascii", "replace").decode()
    headers = {"content-disposition": f'inline; filename="{file.replace("?", "_")}"'}
    kind = "image/svg+xml" if ending == "svg" else "image/png"
    return Response(made, media_type=kind, headers=headers)


@router.post("/reports/{number}/cards")
def draw_all(site: TheSite, number: int, form: TheForm) -> Response:
    """Begin to draw all cards into one ZIP file."""
    site.bench.require_writable()
    sizes = [s for s in form.all("size") if s in SIZES]
    kinds = [k for k in form.all("kind") if k in KINDS]
    if not sizes or not kinds:
        raise WrongCall("No size or no kind of card is chosen.", "Tick one of each at least.")
    camera = named(site, number).name
    ticket, folder = site.workshop.place()
    try:
        site.workshop.begin(
            ticket, "cards", camera, do_cards, str(site.bench.folder), camera, sizes, kinds,
            form.get("alpha") == "yes", form.get("clips") == "yes",
        )  # fmt: skip
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return go(f"/mend/{ticket}")


@router.get("/reports/data")
def data_page(request: Request, site: TheSite, saved: bool = False) -> Response:
    """Show what a data package says of this bench."""
    return show(request, _data(site, saved))


def _data(site: Site, saved: bool = False) -> DataPage:
    overview = site.remember("overview", lambda: show_bench(site.bench))
    cameras = [c for c in list_cameras(site.bench) if not c.group]
    size = size_text(overview.evidence_bytes)
    return DataPage(read_identity(site.bench), LICENCES, len(cameras), size, saved)


@router.post("/reports/data")
def data(request: Request, site: TheSite, form: TheForm) -> Response:
    """Keep title, licence and names; give the package out where asked for."""
    try:
        people = [line for line in form.get("contributors").splitlines() if line.strip()]
        licence = form.get("licence_other") or form.get("licence")
        save_identity(site.bench, title=form.get("title"), licence=licence, contributors=people)
        if form.get("do") != "package":
            return go("/reports/data?saved=true")
        return _package_file(site, form)
    except SeeworthyError as error:
        shown: Any = show(request, _data(site))
        page = filled(shown, request, form, error.message, error.hint, "", error.http_status)
        if page is None:
            raise
        return page


def _package_file(site: Site, form: Form) -> Response:
    path = export_bench(
        site.bench, passing_file(site.bench, "package"),
        with_evidence=form.get("evidence") == "yes", theirs=form.get("theirs") == "yes",
    )  # fmt: skip
    gone = BackgroundTask(path.unlink, missing_ok=True)
    name = f"{slug(site.bench.folder.name)}-data.zip".encode("ascii", "replace").decode()
    return FileResponse(
        path, media_type="application/zip", filename=name.replace("?", "_"), background=gone
    )


@router.post("/reports/package")
def package(request: Request, site: TheSite, form: TheForm) -> Response:
    """Look into another bench's package, or take it in once that was seen."""
    site.bench.require_writable()
    tickets = form.all("file.package")
    if not tickets:
        raise WrongCall("No package is chosen.", "Choose the ZIP file that the other bench gave.")
    name = site.uploads.get(tickets[-1]).name
    path = site.uploads.named(tickets[-1])
    if form.get("sure") != "yes":
        return show(request, PackagePage(tickets[-1], name, check_package(path)))
    came = take_in_package(site.bench, path)
    site.uploads.drop(tickets[-1])
    return show(request, PackagePage("", name, came))
