"""The frame viewer: scrub a clip, mark a region or an edge."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from seeworthy.bench.records import Take, TakeFile
from seeworthy.bench.takes import get_take
from seeworthy.ground.errors import NotFound
from seeworthy.media.glimpse import GlimpsedFacts, facts, frame_jpeg
from seeworthy.procedures import all_procedures
from seeworthy.web.context_take import FramesPage
from seeworthy.web.deps import TheSite
from seeworthy.web.pages.procedure import fields_of
from seeworthy.web.render import show
from seeworthy.web.site import Site

router = APIRouter()
_WIDTHS = (320, 640, 1280)  # px: a telephone, a page, a screen (a judgement): few pictures are made


def _file(site: Site, number: int, place: int) -> tuple[Take, TakeFile]:
    take = get_take(site.bench, number)
    if not 0 <= place < len(take.files):
        raise NotFound("This take has no such file.")
    return take, take.files[place]


def _facts(site: Site, file: TakeFile) -> GlimpsedFacts:
    key = ("facts", file.sha256)
    return site.remember(key, lambda: site.peek(facts, str(file.path), file.name))


@router.get("/takes/{number}/frames/{place}")
def frames_page(request: Request, site: TheSite, number: int, place: int) -> Response:
    """Show the viewer for one file of a take."""
    take, file = _file(site, number, place)
    found = _facts(site, file)
    if found.kind not in ("clip", "still"):
        raise NotFound(f"'{file.name}' has no picture.", "Choose a clip or a still.")
    chosen = all_procedures().get(take.procedure)
    marked = [f for f in fields_of(chosen, take) if f.mark] if chosen else []
    page = FramesPage(
        take, place, file.name, found.count, found.rate, found.width, found.height, marked
    )
    return show(request, page)


@router.get("/takes/{number}/frames/{place}/{index}.jpg")
def frame(site: TheSite, number: int, place: int, index: int, width: int = 1280) -> Response:
    """Give out one frame as JPEG, made in a worker process."""
    _, file = _file(site, number, place)
    if not 0 <= index < _facts(site, file).count:
        raise NotFound("This file has no such frame.", "The viewer counts them from 0.")
    widest = next((w for w in _WIDTHS if w >= width), _WIDTHS[-1])
    key = ("frame", file.sha256, index, widest)
    data = site.remember(
        key, lambda: site.peek(frame_jpeg, str(file.path), file.name, index, widest)
    )
    kept = {"cache-control": "private, max-age=3600"}
    return Response(data, media_type="image/jpeg", headers=kept)
