"""Plan: what a flight will look like, as typed or as a log shows that it was flown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response
from starlette.datastructures import QueryParams

from seeworthy.ground.errors import SeeworthyError, WrongCall
from seeworthy.judge.plan.bench_plan import (
    PLAN_CAUTIONS,
    camera_of,
    flight_of_take,
    flown,
    plan_flight,
)
from seeworthy.judge.plan.flight import PlannedFlight, read_flight
from seeworthy.judge.plan.form import ENTRIES, FormEntry, flight_text
from seeworthy.judge.plan.preview import preview_bytes
from seeworthy.web.context_judge import PlanPage, PreviewPart
from seeworthy.web.deps import TheSite
from seeworthy.web.pages.judge import camera_names
from seeworthy.web.render import show
from seeworthy.web.site import Site

router = APIRouter()
_MOST_CAMERAS = 6  # side by side on a wide screen (a judgement)
_TYPES = {"png": "image/png", "mp4": "video/mp4"}


@dataclass(frozen=True)
class _Asked:
    """The fields of the form; they come in the address, so that a plan can be kept."""

    typed: dict[str, str]
    heading: str
    take: int
    cameras: list[str]

    @classmethod
    def read(cls, query: QueryParams) -> _Asked:
        """Read the address."""
        take = query.get("flown", "")
        if take and not (take.isdecimal() and len(take) <= 12):
            raise WrongCall(f"'{take[:20]}' is no number of a take.", "Choose one from the list.")
        return cls(
            {e.name: query.get(e.name, "")[:200] for e in ENTRIES},
            query.get("heading", "")[:200],
            int(take or 0),
            query.getlist("camera")[:_MOST_CAMERAS],
        )

    @property
    def says_something(self) -> bool:
        """True when there is a flight to foresee."""
        return bool(self.take) or any(self.typed.values())

    @property
    def text(self) -> str:
        """The plan as TOML."""
        return flight_text(self.heading, self.typed)

    def address(self, camera: str) -> str:
        """Return the fields as they stand in an address, for one camera."""
        pairs = [(k, v) for k, v in self.typed.items() if v]
        pairs += [("heading", self.heading)] if self.heading else []
        pairs += [("flown", str(self.take))] if self.take else []
        return urlencode([*pairs, ("camera", camera)])

    def flight(self, site: Site) -> PlannedFlight:
        """Return the flight, from the log of a take where one is named."""
        typed = any(self.typed.values()) or bool(self.heading)
        base = read_flight(self.text, self.heading or "A flight") if typed else None
        return flight_of_take(site.bench, self.take, base) if self.take else base or _nothing()


def _nothing() -> PlannedFlight:
    raise WrongCall("No flight is given.", "Fill in a field, or choose a flight that was flown.")


@router.get("/plan")
def plan_page(request: Request, site: TheSite) -> Response:
    """Show the form of a flight, and the flight through each camera."""
    asked = _Asked.read(request.query_params)
    names = camera_names(site)
    sections: dict[str, list[FormEntry]] = {}
    for entry in ENTRIES:
        sections.setdefault(entry.name.partition(".")[0], []).append(entry)
    flights = site.remember("flown", lambda: flown(site.bench))
    page = PlanPage(
        sections,
        asked.typed,
        asked.heading,
        [(n, n in asked.cameras) for n in names],
        [(n, words, n == asked.take) for n, words in flights],
        cautions=PLAN_CAUTIONS,
        text=asked.text,
    )
    if not asked.says_something:
        return show(request, page)
    try:
        flight = asked.flight(site)
        chosen = asked.cameras or names[:_MOST_CAMERAS]
        key = ("plan", asked.text, asked.take, tuple(chosen))
        plans = site.remember(key, lambda: plan_flight(site.bench, flight, chosen))
    except SeeworthyError as error:
        return show(request, page.refuse(error.message, error.hint))
    return show(request, page.answer([(p, asked.address(p.camera)) for p in plans]))


@router.get("/plan/preview")
def preview_part(request: Request, site: TheSite) -> Response:
    """Return the picture of one plan with what had to be assumed, as a part of the page."""
    asked = _Asked.read(request.query_params)
    camera = _one(asked)
    try:
        _, said = _preview(site, asked, camera, "png")
    except SeeworthyError as error:
        return show(request, PreviewPart(camera, "", (), error.message, error.hint))
    return show(request, PreviewPart(camera, asked.address(camera), said))


@router.get("/plan/preview.{ending}")
def preview_file(request: Request, site: TheSite, ending: Literal["png", "mp4"]) -> Response:
    """Give out the preview: a frame, or a clip of two seconds."""
    asked = _Asked.read(request.query_params)
    data, _ = _preview(site, asked, _one(asked), ending)
    return Response(data, media_type=_TYPES[ending])


def _one(asked: _Asked) -> str:
    if len(asked.cameras) != 1:
        raise WrongCall("A preview shows one camera.", "Name one camera.")
    return asked.cameras[0]


def _preview(site: Site, asked: _Asked, name: str, ending: str) -> tuple[bytes, tuple[str, ...]]:
    key = ("preview", asked.text, asked.take, name, ending)

    def make() -> tuple[bytes, tuple[str, ...]]:
        return site.peek(preview_bytes, asked.flight(site), camera_of(site.bench, name), ending)

    return site.remember(key, make)
