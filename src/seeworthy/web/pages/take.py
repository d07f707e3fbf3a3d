"""Takes: the list, one take with its result or refusal, new ones and changes."""

from __future__ import annotations

import contextlib
from pathlib import Path

from fastapi import APIRouter, Request, Response

from seeworthy.bench.outcomes import get_outcome
from seeworthy.bench.records import StoredOutcome, Take
from seeworthy.bench.takes import (
    add_take,
    edit_take,
    get_take,
    list_lines,
    list_places,
    list_takes,
    remove_take,
)
from seeworthy.ground.errors import CannotMeasure, Conflict, NotFound, SeeworthyError, WrongCall
from seeworthy.ground.plausible import typed_day
from seeworthy.ground.results import Figure
from seeworthy.media.glimpse import sniff
from seeworthy.procedures import all_procedures, procedure
from seeworthy.procedures.declare import Procedure, gather
from seeworthy.publish import views
from seeworthy.publish.model import TakeReport
from seeworthy.web.context import ShotRow
from seeworthy.web.context_take import Clash, ConflictPage, FigurePart, TakePage, TakesPage
from seeworthy.web.deps import Form, TheForm, TheSite, go
from seeworthy.web.pages.procedure import cautions_of, entry_page, fields_of, misread
from seeworthy.web.pages.sure import ask, filled
from seeworthy.web.render import show
from seeworthy.web.site import Site

router = APIRouter()
PER_PAGE = 40  # takes: two screens (a judgement)
_KINDS = {b"\x89PNG": "image/png", b"\xff\xd8\xff": "image/jpeg"}


@router.get("/takes")
def takes_page(
    request: Request,
    site: TheSite,
    camera: str = "",
    procedure: str = "",
    state: str = "",
    page: int = 1,
) -> Response:
    """List takes, a page at a time, newest first."""
    everything = site.remember("places", lambda: list_places(site.bench))
    # Where every take stands is worked out only where it is asked for.
    states = (
        {t.id: t.state for t in site.remember("takes", lambda: list_lines(site.bench))}
        if state
        else {}
    )
    found = [
        take
        for take, of, test in reversed(everything)
        if camera in ("", of)
        and procedure in ("", test)
        and (not state or states.get(take) == state)
    ]
    last = max(1, -(-len(found) // PER_PAGE))
    number = min(max(1, page), last)
    numbers = found[(number - 1) * PER_PAGE : number * PER_PAGE]
    shown = list_takes(site.bench, numbers=numbers)[::-1]
    context = TakesPage(
        shown, number, last, len(found), camera, procedure, state,
        sorted({of for _, of, _ in everything}),
        [p for p in all_procedures() if p in {test for *_, test in everything}],
        ["new", "measured", "refused", "failed", "lost", "stale"],
    )  # fmt: skip
    return show(request, context)


@router.post("/takes")
def new_take(request: Request, site: TheSite, form: TheForm) -> Response:
    """Enter a take from the form of a test, and measure it; what is wrong comes back as typed."""
    site.bench.require_writable()
    at = ""
    try:
        chosen = procedure(form.get("procedure"))
        if not form.get("camera"):
            at = "camera"
            raise WrongCall("No camera is chosen.", "Choose the camera that filmed it.")
        at = "taken"
        typed_day(form.get("taken"))
        at = ""
        _check_typed(chosen, form)
        _check_files(chosen, form)
        return _enter(site, form)
    except SeeworthyError as error:
        return _back(request, site, form, error, at)


def _check_typed(chosen: Procedure, form: Form) -> None:
    """Refuse a form with a reading that is not understood; each is told at its field."""
    count = len(misread(chosen, form))
    if count:
        raise WrongCall(
            "One entry is not understood."
            if count == 1
            else f"{count} entries are not understood.",
            "Nothing is entered yet, and nothing that you gave is lost.",
        )


def _check_files(chosen: Procedure, form: Form) -> None:
    """Refuse a take whose clip did not come along.

    Raises:
        WrongCall: A file was chosen and not sent (the browser runs no script), or there is nothing
            from which the test could conclude.
    """
    lost = [name for ones in form.named("plain").values() for name in ones]
    if lost:
        raise WrongCall(
            f"'{lost[0][:120]}' was not sent: files are sent by the page's script, which does not "
            "run in this browser.",
            "Allow scripts for this page, or bring the file in with the card.",
        )
    if chosen.files and not form.named("file"):
        try:
            inputs = gather(chosen, {}, form.named("reading"), form.named("option"))
            chosen.run(inputs)
        except CannotMeasure as error:
            raise WrongCall(
                f"No file came along, and the readings alone do not do: {error.message}",
                error.hint or "Choose the file.",
            ) from None


def _back(request: Request, site: Site, form: Form, error: SeeworthyError, at: str) -> Response:
    """Return the form of a take as it was typed, with the files that are here already."""
    arrived: dict[str, list[tuple[str, str]]] = {}
    for role, ones in form.named("file").items():
        for ticket in ones:
            with contextlib.suppress(SeeworthyError):
                name = site.uploads.get(ticket).name
                arrived.setdefault(role.removeprefix("role_"), []).append((ticket, name))
    shown = entry_page(request, site, form.get("procedure"), "", form, arrived)
    page = filled(shown, request, form, error.message, error.hint, at, error.http_status)
    if page is None:
        raise error
    return page


def _enter(site: Site, form: Form) -> Response:
    tickets = form.named("file")
    camera, _, unit = form.get("camera").partition("\x1f")
    files = {
        role.removeprefix("role_"): [site.uploads.named(t) for t in ones]
        for role, ones in tickets.items()
    }
    take = add_take(
        site.bench,
        form.get("procedure"),
        camera,
        files,
        readings=form.named("reading"),
        options=form.named("option"),
        conditions={k: v[-1] for k, v in form.named("condition").items()},
        unit=unit or None,
        taken=typed_day(form.get("taken")),
        note=form.get("note"),
    )
    for ones in tickets.values():
        for ticket in ones:
            site.uploads.drop(ticket)
    site.keeper.start((str(take.id),))
    return go(f"/takes/{take.id}#result")


@router.get("/takes/{number}")
def take_page(request: Request, site: TheSite, number: int) -> Response:
    """Show one take."""
    return show(request, _page(site, number))


def _page(site: Site, number: int, form: Form | None = None) -> TakePage:
    take = get_take(site.bench, number)
    outcome = get_outcome(site.bench, number)
    chosen = all_procedures().get(take.procedure)
    view = _view(take, outcome)
    from seeworthy.bench.cameras import get_camera

    return TakePage(
        take,
        chosen,
        outcome,
        view.rows if view else (),
        view.findings if view else (),
        [
            ShotRow(f"/takes/{number}/pictures/{i}", p.caption)
            for i, p in enumerate(outcome.pictures if outcome else ())
        ],
        [(i, f.title, f.sentence) for i, f in enumerate(outcome.figures if outcome else ())],
        fields_of(chosen, take, form) if chosen else (),
        get_camera(site.bench, take.camera).id,
        site.settings().units != "metric",
        cautions_of(chosen) if chosen else (),
        [_has_pictures(f.path) for f in take.files],
        queued=take.state in ("new", "stale", "lost") and site.keeper.holds(number),
    )


def _has_pictures(path: Path) -> bool:
    """Tell whether a file can be looked at: a log has no frames."""
    try:
        return sniff(path) in ("clip", "still")
    except OSError:
        return False


def _view(take: Take, outcome: StoredOutcome | None) -> views.TakeView | None:
    """Return the take's rows as the report words them."""
    if outcome is None:
        return None
    return views.take_view(TakeReport(take, outcome.outcome))


@router.post("/takes/{number}")
def change(request: Request, site: TheSite, number: int, form: TheForm) -> Response:
    """Change a take; what was changed in another tab meanwhile is shown, not overwritten."""
    try:
        return _change(request, site, number, form)
    except SeeworthyError as error:
        shown = show(request, _page(site, number, form))
        page = filled(shown, request, form, error.message, error.hint, "", error.http_status)
        if page is None:
            raise
        return page


def _change(request: Request, site: Site, number: int, form: Form) -> Response:
    take = get_take(site.bench, number)
    chosen = all_procedures().get(take.procedure)
    if chosen:
        _check_typed(chosen, form)
    readings, options = (
        form.named("reading", keep_empty=True),
        form.named("option", keep_empty=True),
    )
    around: dict[str, str | None] = {
        k: (v[-1] if v else None) for k, v in form.named("condition", keep_empty=True).items()
    }
    try:
        edit_take(
            site.bench, number, version=form.number("version"), readings=readings,
            options=options, conditions=around, taken=typed_day(form.get("taken")),
            note=form.get("note"),
        )  # fmt: skip
    except Conflict:
        now = get_take(site.bench, number)
        if now.version == form.number("version"):
            raise
        return show(request, _conflict(now, form), 409)
    if form.get("measure") != "no":
        site.keeper.start((str(take.id),))
    return go(f"/takes/{number}#result")


def _conflict(now: Take, form: Form) -> ConflictPage:
    """Set what was typed beside what the bench holds by now."""
    theirs: dict[str, list[str]] = {}
    for reading in now.readings:
        theirs.setdefault(f"reading.{reading.name}", []).append(reading.text)
    for name, value in now.options:
        theirs.setdefault(f"option.{name}", []).append(value)
    for around in now.conditions:
        theirs.setdefault(f"condition.{around.name}", []).append(around.text)
    theirs["note"] = [now.note] if now.note else []
    theirs["taken"] = [now.taken.isoformat()]
    mine: dict[str, list[str]] = {"note": form.all("note"), "taken": form.all("taken")}
    for prefix in ("reading", "option", "condition"):
        for name, values in form.named(prefix, keep_empty=True).items():
            mine[f"{prefix}.{name}"] = values
    clashes = [
        Clash(
            name.partition(".")[2].replace("_", " ") or name,
            "; ".join(values) or "nothing",
            "; ".join(theirs.get(name, [])) or "nothing",
        )
        for name, values in mine.items()
        if values != theirs.get(name, [])
    ]
    typed = [(name, value) for name, values in mine.items() for value in (values or [""])]
    return ConflictPage(now, clashes, typed)


@router.post("/takes/{number}/remove")
def remove(request: Request, site: TheSite, number: int, form: TheForm) -> Response:
    """Take a take back, when that is confirmed."""
    take = get_take(site.bench, number)
    words = (
        f"Take {number}, {take.procedure} of {take.camera}, goes with its readings and figures; "
        "its files stay in the bench until it is tidied."
    )
    question = ask(request, form, words, f"Take back take {number}", f"/takes/{number}")
    if question:
        return question
    remove_take(site.bench, number)
    return go("/takes")


def _outcome(site: Site, number: int) -> StoredOutcome:
    outcome = get_outcome(site.bench, number)
    if outcome is None:
        raise NotFound("This take is not measured yet.", "Measure it first.")
    return outcome


@router.get("/takes/{number}/pictures/{place}")
def picture(site: TheSite, number: int, place: int) -> Response:
    """Give out an evidence picture, its kind told by its content."""
    pictures = _outcome(site, number).pictures
    data = pictures[place].data() if 0 <= place < len(pictures) else None
    if data is None:
        raise NotFound("There is no such picture, or it is not the one that was drawn.")
    kind = next((k for mark, k in _KINDS.items() if data.startswith(mark)), "")
    if not kind:
        raise NotFound("That is not a picture.")
    return Response(data, media_type=kind, headers={"cache-control": "private, max-age=3600"})


@router.get("/takes/{number}/figures/{place}")
def figure(request: Request, site: TheSite, number: int, place: int) -> Response:
    """Draw a figure as a fragment."""
    part = site.remember(("figure", number, place), lambda: _figure(site, number, place))
    return show(request, part)


def _figure(site: Site, number: int, place: int) -> FigurePart:
    figures = _outcome(site, number).figures
    if not 0 <= place < len(figures):
        raise NotFound("There is no such figure.")
    return figure_part(site, figures[place], f"figure-{number}-{place}")


def figure_part(site: Site, one: Figure, anchor: str) -> FigurePart:
    """Return a figure as the page shows it: two drawings and its numbers, in the bench's units."""
    from seeworthy.publish import figures
    from seeworthy.publish.figures_us import us_figure
    from seeworthy.web.svg import tidy

    if site.settings().units == "us":
        one = us_figure(one)
    heads, rows, left = figures.table(one)
    wide = tidy(figures.inline_svg(one, figures.WIDE, f"{anchor}-w"))
    narrow = tidy(figures.inline_svg(one, figures.NARROW, f"{anchor}-n"))
    return FigurePart(anchor, wide, narrow, heads, rows, left, one.title)
