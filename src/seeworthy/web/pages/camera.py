"""One camera: claims against figures, results, takes, pictures, flights, firmware, units."""

from __future__ import annotations

import datetime as dt

from fastapi import APIRouter, Request, Response

from seeworthy.bench.cameras import (
    add_firmware,
    add_unit,
    edit_camera,
    edit_unit,
    get_camera,
    list_names,
    remove_camera,
    remove_firmware,
    remove_unit,
)
from seeworthy.bench.claims import checked_claim, remove_claim, set_claim
from seeworthy.bench.records import Camera, Take
from seeworthy.bench.takes import list_takes
from seeworthy.ground.errors import NotFound, WrongCall
from seeworthy.ground.measurands import all_measurands
from seeworthy.judge.claims.judgement import title_of
from seeworthy.judge.claims.listing import check_choice, read_listing
from seeworthy.procedures import all_findings
from seeworthy.publish import views
from seeworthy.publish.assemble import camera_report
from seeworthy.publish.verdict import verdict
from seeworthy.web.context import CameraPage, FigureRows, ListingPage, PickedClaim, ShotRow
from seeworthy.web.deps import TheForm, TheSite, go
from seeworthy.web.pages.sure import ask
from seeworthy.web.render import show
from seeworthy.web.site import Site

router = APIRouter()
_MOST_PICTURES = 12  # a page of them (a judgement)
_MOST_TAKES = 60  # newest; all stand on the page of takes (a judgement)


def named(site: Site, number: int) -> Camera:
    """Return a camera by its number in the address.

    Raises:
        NotFound
    """
    name = site.remember("names", lambda: list_names(site.bench)).get(number)
    if name is None:
        raise NotFound("There is no such camera.", "The first page lists them.")
    return site.remember(("named", number), lambda: get_camera(site.bench, name))


@router.get("/cameras/{number}")
def camera_page(request: Request, site: TheSite, number: int) -> Response:
    """Show one camera."""
    camera = named(site, number)
    page = site.remember(("camera", number), lambda: _page(site, camera))
    return show(request, page)


def _page(site: Site, camera: Camera) -> CameraPage:
    report = camera_report(site.bench, camera.name, pictures=False)
    takes = list_takes(site.bench, camera=camera.name)
    chapters = views.chapters(report)
    results = []
    for chapter in chapters:
        rows = [row for take in chapter.takes for row in take.rows]
        if rows:
            told = [v.told.outcome.sentence for v in chapter.now if v.told.outcome]
            name = chapter.anchor.removeprefix("p-")
            results.append(FigureRows(name, chapter.title, (told or [""])[0], rows))
    newest = sorted(takes, key=lambda t: -t.id)
    return CameraPage(
        camera,
        verdict(report).line,
        views.claim_rows(report.judgements),
        {c.subject: c.version for c in camera.claims},
        views.silent_titles(report.judgements),
        results,
        newest[:_MOST_TAKES],
        [t for t in newest if t.procedure in ("load", "survival")],
        pictures(site, newest),
        _subjects(),
        site.settings().units != "metric",
        str(report.tolerance),
    )


# Where a frame shows the world rather than a sheet of paper, the best first: as a report has it.
_SCENES = ("stamp", "native", "readout", "softness")


def frame_of(site: Site, takes: list[Take]) -> ShotRow | None:
    """Return a picture by which a camera is known again."""
    place = {name: i for i, name in enumerate(_SCENES)}
    order = sorted(takes, key=lambda t: (place.get(t.procedure, len(place)), -t.id))
    shots = pictures(site, [t for t in order if t.state == "measured"], 1)
    return shots[0] if shots else None


def pictures(site: Site, takes: list[Take], most: int = _MOST_PICTURES) -> list[ShotRow]:
    """Return evidence pictures of takes, the first ones first."""
    from seeworthy.bench.outcomes import get_outcome

    found: list[ShotRow] = []
    for take in takes:
        if len(found) >= most:
            break
        outcome = get_outcome(site.bench, take.id) if take.state != "new" else None
        for place, picture in enumerate(outcome.pictures if outcome else ()):
            address = f"/takes/{take.id}/pictures/{place}"
            found.append(ShotRow(address, f"Take {take.id}, {take.procedure}: {picture.caption}"))
    return found[:most]


_USUAL = (
    "width_px", "height_px", "frame_rate", "hfov", "dfov", "mass", "length", "width", "height",
    "run_time", "record_time", "bit_rate_mean", "codec", "container", "dynamic_range",
    "usable_lux", "upscaled", "stamp_present", "dropped_frames", "lost_share",
)  # fmt: skip
"""What the listings of small cameras speak of (common practice, no source)."""


def _subjects() -> list[tuple[str, list[tuple[str, str, str]]]]:
    """Return what a claim can be about, what sellers usually claim first."""
    found = {m.id: (m.id, title_of(m.id), m.unit) for m in all_measurands().values()}
    found |= {n: (n, title_of(n), "") for n, told in all_findings().items() if told.claimed}
    usual = [found.pop(name) for name in _USUAL if name in found]
    return [("What sellers usually claim", usual), ("Everything else", list(found.values()))]


@router.post("/cameras/{number}")
def change(site: TheSite, number: int, form: TheForm) -> Response:
    """Change name, maker and note."""
    edit_camera(
        site.bench,
        named(site, number).name,
        rename=form.get("name"),
        maker=form.get("maker"),
        note=form.get("note"),
        version=form.number("version"),
    )
    return go(f"/cameras/{number}")


@router.post("/cameras/{number}/remove")
def remove(site: TheSite, number: int, form: TheForm) -> Response:
    """Remove a camera, with its takes where that is said."""
    camera = named(site, number)
    if form.get("sure").casefold() != camera.name.casefold():
        raise WrongCall("The name was not repeated; nothing was removed.", "Type it to be sure.")
    remove_camera(site.bench, camera.name, with_takes=True)
    return go("/")


@router.post("/cameras/{number}/units")
def unit(site: TheSite, number: int, form: TheForm) -> Response:
    """Add a unit, or change its note."""
    name = named(site, number).name
    if form.get("version"):
        edit_unit(
            site.bench, name, form.get("unit"), serial=form.get("serial"),
            note=form.get("note"), version=form.number("version"),
        )  # fmt: skip
    else:
        add_unit(site.bench, name, form.get("serial"), note=form.get("note"))
    return go(f"/cameras/{number}#units")


@router.post("/cameras/{number}/units/remove")
def unit_away(request: Request, site: TheSite, number: int, form: TheForm) -> Response:
    """Remove a unit without takes, when that is confirmed."""
    words = f"Unit {form.get('unit')} of {named(site, number).name} goes, with its firmware notes."
    question = ask(request, form, words, "Remove the unit", f"/cameras/{number}#units")
    if question:
        return question
    remove_unit(site.bench, named(site, number).name, form.get("unit"))
    return go(f"/cameras/{number}#units")


@router.post("/cameras/{number}/firmware")
def firmware(request: Request, site: TheSite, number: int, form: TheForm) -> Response:
    """Note a firmware, or take it back when that is confirmed."""
    name, unit = named(site, number).name, form.get("unit")
    if form.get("remove"):
        words = f"The note of firmware {form.get('remove')} of {name}, unit {unit}, goes."
        question = ask(request, form, words, "Take it back", f"/cameras/{number}#units")
        if question:
            return question
        remove_firmware(site.bench, name, form.get("remove"), unit=unit)
    else:
        since = form.get("since")
        day = _day(since) if since else None
        add_firmware(site.bench, name, form.get("firmware"), unit=unit, since=day)
    return go(f"/cameras/{number}#units")


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise WrongCall(f"'{text}' is not a date.", "Write it like 2026-03-21.") from None


@router.post("/cameras/{number}/claims")
def claim(site: TheSite, number: int, form: TheForm) -> Response:
    """Enter or change one claim, or several confirmed ones of a listing."""
    name = named(site, number).name
    many = form.all("take")  # numbers of a listing's suggestions
    chosen = [(form.get(f"subject.{n}") or n, form.get(f"text.{n}")) for n in many]
    frames = [pair.partition("x")[::2] for pair in form.all("frame")]
    check_choice(chosen, frames)
    if not many and form.get("subject"):
        version = form.number("version") if form.get("version") else None
        set_claim(
            site.bench, name, form.get("subject"), form.get("text"),
            source=form.get("source"), version=version,
        )  # fmt: skip
    for subject, text in chosen:  # all of them are right, or none is entered
        checked_claim(subject, text)
    for subject, text in chosen:
        set_claim(site.bench, name, subject, text, source=form.get("source"))
    return go(f"/cameras/{number}#claims")


@router.post("/cameras/{number}/claims/remove")
def claim_away(request: Request, site: TheSite, number: int, form: TheForm) -> Response:
    """Remove a claim, when that is confirmed."""
    name, subject = named(site, number).name, form.get("subject")
    words = f"The claim of {name} about {title_of(subject)} goes: “{form.get('text')}”."
    question = ask(request, form, words, "Remove the claim", f"/cameras/{number}#claims")
    if question:
        return question
    remove_claim(site.bench, name, subject)
    return go(f"/cameras/{number}#claims")


@router.post("/cameras/{number}/listing")
def listing(request: Request, site: TheSite, number: int, form: TheForm) -> Response:
    """Pick claims out of a pasted listing, for the user to confirm."""
    camera = named(site, number)
    text = form.get("listing")
    if not text:
        raise WrongCall("Nothing was pasted.", "Copy the seller's text into the box.")
    found = read_listing(text)
    now = {c.subject: "nothing" if c.silent else c.text for c in camera.claims}
    picked = [
        PickedClaim(i, s.subject, title_of(s.subject), s.text, s.found, s.line, s.mind,
                    now.get(s.subject, "") if now.get(s.subject) != s.text else "")
        for i, s in enumerate(found.suggestions, 1)
    ]  # fmt: skip
    page = ListingPage(camera, form.get("source") or "listing", picked, found.left, found.prose,
                       sorted(found.frames))  # fmt: skip
    return show(request, page)
