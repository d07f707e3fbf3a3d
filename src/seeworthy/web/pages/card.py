"""A card folder on its way in: named or uploaded, sorted, corrected, taken in."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from fastapi import APIRouter, Request, Response
from fastapi.responses import FileResponse

from seeworthy.bench.card_sort import Guess
from seeworthy.bench.importing import (
    Import,
    TakenIn,
    begin_import,
    begin_import_of,
    correct,
    drop_import,
    get_import,
    list_imports,
    picture_of,
    place_files,
    take_in,
)
from seeworthy.bench.takes import list_takes
from seeworthy.ground.errors import BenchReadOnly, SeeworthyError, WrongCall
from seeworthy.procedures import all_procedures
from seeworthy.web.context_card import FileCard, ImportPage, ImportStart, TakeCard
from seeworthy.web.deps import Form, TheForm, TheSite, go
from seeworthy.web.pages.shoot import units_of
from seeworthy.web.pages.sure import filled
from seeworthy.web.render import show
from seeworthy.web.site import Site
from seeworthy.web.trust import comes_from_here

router = APIRouter()
_SHOWN = 60  # of each kind; the rest is counted (a judgement)
_scans: dict[Path, CardScan] = {}


@dataclass
class CardScan:
    """How far looking at a card is; one at a time per bench."""

    source: str
    done: int = 0
    total: int = 0
    failed: str = ""
    ticket: str = ""


def is_local(request: Request) -> bool:
    """Tell whether the visitor sits at the machine that keeps the bench."""
    host = request.client.host if request.client else None
    return comes_from_here(host, request.headers.keys())


@router.get("/import")
def import_page(request: Request, site: TheSite) -> Response:
    """Show where to name a card folder, and imports that are not done."""
    scan = _scans.get(site.folder)
    if scan is not None and scan.ticket:
        del _scans[site.folder]
        return go(f"/import/{scan.ticket}")
    if scan is not None and scan.failed:
        del _scans[site.folder]
        page = ImportStart(_open(site), is_local(request), failed=scan.failed)
        return show(request, page, 400)
    if scan is not None:
        page = ImportStart((), is_local(request), scan.source, scan.done, scan.total)
        return show(request, page)
    return show(request, ImportStart(_open(site), is_local(request)))


def _open(site: Site) -> list[Import]:
    return list_imports(site.bench)


@router.post("/import")
def look_at(request: Request, site: TheSite, form: TheForm) -> Response:
    """Begin to look at a folder, or at uploaded files."""
    site.bench.require_writable()
    tickets = form.all("file")
    if not tickets and not is_local(request):
        raise BenchReadOnly(
            "A folder can be named only at the machine that keeps the bench.",
            "Choose the files here instead; they are sent over.",
        )
    if not tickets and not form.get("folder"):
        raise WrongCall("No folder is named.", "Type the card's folder, or choose files.")
    if site.folder in _scans and not _scans[site.folder].failed:
        return go("/import")
    scan = _scans[site.folder] = CardScan(form.get("folder") or "uploaded files")
    files = [(site.uploads.named(t), site.uploads.get(t).name) for t in tickets]
    work: Callable[[Site, CardScan], Import] = (
        (lambda s, c: begin_import_of(s.bench, files, s.peek_pool(), _tell(c)))
        if files
        else (lambda s, c: begin_import(s.bench, c.source, s.peek_pool(), _tell(c)))
    )
    threading.Thread(target=_scan, args=(site, scan, work), daemon=True).start()
    return go("/import")


def _tell(scan: CardScan) -> Callable[[int, int], None]:
    def tell(done: int, total: int) -> None:
        scan.done, scan.total = done, total

    return tell


def _scan(site: Site, scan: CardScan, work: Callable[[Site, CardScan], Import]) -> None:
    try:
        scan.ticket = work(site, scan).ticket
    except SeeworthyError as error:
        scan.failed = f"{error.message} {error.hint}"
    except Exception as error:  # the thread must not die silently
        scan.failed = f"The card could not be looked at: {error}"


@router.get("/import/{ticket}")
def sorted_page(request: Request, site: TheSite, ticket: str, entered: str = "") -> Response:
    """Show how a card is sorted, and what was taken in just now."""
    numbers = {int(n) for n in entered.split(",")[:500] if n.isdecimal() and len(n) < 12}
    takes = tuple(t for t in list_takes(site.bench) if t.id in numbers) if numbers else ()
    return show(request, _page(site, get_import(site.bench, ticket), TakenIn(takes, ())))


def _page(
    site: Site, one: Import, came: TakenIn | None = None, form: Form | None = None
) -> ImportPage:
    units = units_of(site)
    names = dict(units)
    cards = [_card(one, i, names) for i in range(len(one.files))]
    lists = {
        state: [c for c in cards if c.state == state]
        for state in ("unsure", "sure", "left out", "taken in")
    }
    more = {state: max(0, len(found) - _SHOWN) for state, found in lists.items()}
    troubles = dict(came.troubles) if came else {}
    takes = [
        TakeCard(
            plan,
            f"{names.get(plan.unit, '?')}: {all_procedures()[plan.procedure].title}",
            [one.files[i].name + (f" ({role})" if role else "") for i, role in plan.files],
            all(one.guesses[i].sure for i, _ in plan.files),
            troubles.get(plan.key, ""),
        )
        for plan in one.takes
    ]
    typed = {k: v for k, v in (form.pairs() if form else []) if k.startswith("reading.")}
    shown = {state: found[:_SHOWN] for state, found in lists.items()}
    return ImportPage(
        one,
        shown["unsure"],
        shown["sure"],
        shown["left out"],
        shown["taken in"],
        takes,
        units,
        _tests(),
        came.takes if came else (),
        typed,
        more,
    )


def _tests() -> list[tuple[str, str]]:
    return [
        (f"{p.id}|{f.role}", f"{p.title}{f' ({f.role})' if f.role else ''}")
        for p in all_procedures().values()
        for f in p.files
    ]


def _card(one: Import, index: int, names: dict[int, str]) -> FileCard:
    file, guess = one.files[index], one.guesses[index]
    has_picture = file.kind in ("clip", "still") and not file.trouble
    return FileCard(
        index,
        file.name,
        file.kind,
        size_text(file.size),
        f"/import/{one.ticket}/pictures/{index}" if has_picture else "",
        _where(guess, names),
        _state(guess),
        guess.how,
        guess.take,
        f"{guess.procedure}|{guess.role}",
        guess.unit,
    )


def _state(guess: Guess) -> str:
    if guess.take:
        return "taken in"
    if guess.skip:
        return "left out"
    return "sure" if guess.sure else "unsure"


def _where(guess: Guess, names: dict[int, str]) -> str:
    parts = []
    if guess.unit:
        parts.append(names.get(guess.unit, "a unit that is gone"))
    chosen = all_procedures().get(guess.procedure)
    if chosen is not None:
        parts.append(chosen.title + (f" ({guess.role})" if guess.role else ""))
    return ": ".join(parts)


def size_text(count: int) -> str:
    """Write a number of bytes as people say it."""
    for unit, size in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= size:
            return f"{count / size:.3g} {unit}"
    return f"{count} bytes"


@router.get("/import/{ticket}/pictures/{index}")
def picture(site: TheSite, ticket: str, index: int) -> Response:
    """Give out the small picture of a file."""
    path = picture_of(site.bench, ticket, index)
    kept = {"cache-control": "private, max-age=3600"}
    return FileResponse(path, media_type="image/jpeg", headers=kept)


@router.post("/import/{ticket}/files/{index}")
def say(site: TheSite, ticket: str, index: int, form: TheForm) -> Response:
    """Say where a file belongs, or leave it out."""
    skip = form.get("skip") == "yes"
    name, _, role = form.get("test").partition("|")
    if not skip and not (form.get("unit") and name):
        raise WrongCall("Camera and test are not both chosen.", "Choose both, or leave it out.")
    one = correct(
        site.bench, ticket, index,
        unit=0 if skip else form.number("unit"), procedure_id=name, role=role, skip=skip,
    )  # fmt: skip
    return _on(one, index)


def _on(one: Import, index: int) -> Response:
    """Send the browser to the next file that waits, not after the one that was placed."""
    left = [i for i in one.unsure if i > index] or one.unsure
    at = f"file-{left[0]}" if left else "takes"
    return go(f"/import/{one.ticket}?placed={index}#{at}")


@router.post("/import/{ticket}/many")
def say_many(request: Request, site: TheSite, ticket: str, form: TheForm) -> Response:
    """Say where the ticked files belong."""
    ticked = [int(i) for i in form.all("file") if i.isdecimal() and len(i) < 6]
    name, _, role = form.get("test").partition("|")
    try:
        if not ticked:
            raise WrongCall("No file is ticked.", "Tick the files that belong together.")
        one = place_files(
            site.bench,
            ticket,
            ticked,
            unit=form.number("unit") if form.get("unit") else 0,
            procedure_id=name,
            role=role,
            skip=form.get("skip") == "yes",
        )
    except WrongCall as error:
        shown = show(request, _page(site, get_import(site.bench, ticket)))
        page = filled(shown, request, form, error.message, error.hint, "", error.http_status)
        if page is None:
            raise
        return page
    return _on(one, max(ticked))


@router.post("/import/{ticket}/take")
def take(request: Request, site: TheSite, ticket: str, form: TheForm) -> Response:
    """Take in what is sorted, and measure it."""
    readings: dict[str, dict[str, Sequence[str]]] = {}
    for name, values in form.named("reading").items():
        key, _, reading = name.partition(".")
        readings.setdefault(key, {})[reading] = values
    came = take_in(site.bench, ticket, readings, only_sure=form.get("unsure") != "yes")
    if came.takes:
        site.keeper.start(tuple(str(t.id) for t in came.takes))
    if came.troubles:  # what was typed stays with it
        return show(request, _page(site, get_import(site.bench, ticket), came, form))
    entered = ",".join(str(t.id) for t in came.takes)
    return go(f"/import/{ticket}?entered={entered}#entered")


@router.post("/import/{ticket}/drop")
def drop(site: TheSite, ticket: str) -> Response:
    """Forget an import; the card and the takes stay."""
    drop_import(site.bench, ticket)
    return go("/import")
