"""A purpose of one's own: written by a form, or as text by those who like that better."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import APIRouter, Request, Response

from seeworthy.ground.errors import WrongCall
from seeworthy.ground.measurands import all_measurands
from seeworthy.judge.purpose.own import own_purposes, purpose_text, remove_purpose, save_purpose
from seeworthy.judge.purpose.written import (
    KEYS,
    RowKind,
    WrittenRow,
    checked,
    plain_message,
    rows_of,
    text_of_rows,
)
from seeworthy.web.context_judge import PurposePage
from seeworthy.web.deps import Form, TheForm, TheSite, go
from seeworthy.web.pages.sure import ask
from seeworthy.web.render import show
from seeworthy.web.site import Site
from seeworthy.web.words import test_title

router = APIRouter()
_MOST_ROWS = 60  # of the form: more than measurands that bear on any flight (a judgement)
_SPARE: dict[RowKind, int] = {"limit": 1, "wish": 1}
_EXAMPLE = """title = "Dune line from the kite"
about = "What this flight needs, in a sentence."

[[limit]]
measurand = "mass"
most = "60 g"
why = "What the kite lifts on a quiet day."

[[wish]]
measurand = "run_time"
worst = "10 min"
best = "40 min"
weight = 2
why = "One walk along the line and back."
"""


def _groups() -> list[tuple[str, list[tuple[str, str, str]]]]:
    found: dict[str, list[tuple[str, str, str]]] = {}
    for m in all_measurands().values():
        found.setdefault(test_title(m.procedure), []).append((m.id, m.title, m.unit))
    return list(found.items())


def _with_spare(rows: Sequence[WrittenRow], more: str = "") -> list[WrittenRow]:
    """Return the rows with empty ones to fill in at the end of each kind."""
    found: list[WrittenRow] = []
    for kind, spare in _SPARE.items():
        mine = [r for r in rows if r.kind == kind and not r.empty]
        count = spare + (1 if more == kind else 0)
        found += mine + [WrittenRow(kind, {})] * count
    return found[:_MOST_ROWS]


@router.get("/suit/edit")
def purpose_page(request: Request, site: TheSite, name: str = "") -> Response:
    """Show a purpose, to be changed or to start from."""
    own = own_purposes(site.bench.folder)
    text = purpose_text(site.bench.folder, name) if name else _EXAMPLE
    shown = name if name in own else (f"my-{name}" if name else "my-flight")
    return show(request, _page(site, shown, text))


def _page(site: Site, name: str, text: str, error: WrongCall | None = None) -> PurposePage:
    """Return the page of a text; what the form cannot show of a wrong one stays in the text."""
    own = name in own_purposes(site.bench.folder)
    title, about = "", ""
    rows: list[WrittenRow] = []
    try:
        title, about, rows = rows_of(text)
    except WrongCall as found:
        error = error or found
    line = error.line if error else 0
    wrong, hint = (error.message, error.hint) if error else ("", "")
    return PurposePage(
        name, own, title, about, _with_spare(rows), _groups(), text, wrong, hint, line, bool(wrong)
    )


@router.post("/suit/edit")
def purpose_save(request: Request, site: TheSite, form: TheForm) -> Response:
    """Keep a purpose from its text; what is wrong is said with its line."""
    name, text = form.get("name"), form.get("text")
    folder = site.bench.folder
    if form.get("remove"):
        words = f"The purpose {name} goes for good, with its limits and wishes."
        question = ask(request, form, words, "Remove the purpose", f"/suit/edit?name={name}")
        if question:
            return question
        remove_purpose(folder, name)
        return go("/suit")
    site.bench.require_writable()
    try:
        save_purpose(folder, name, text)
    except WrongCall as error:
        return show(request, _page(site, name, text, error), 400)
    return go(f"/suit?purpose={name}")


@router.post("/suit/write")
def purpose_write(request: Request, site: TheSite, form: TheForm) -> Response:
    """Keep a purpose from its form; what is wrong is said beside its field."""
    name, title, about = form.get("name"), form.get("title"), form.get("about")
    rows = checked(_typed(form))
    more = form.get("more")
    own = name in own_purposes(site.bench.folder)
    text = text_of_rows(title, about, rows)
    if more:
        rows = _with_spare(rows, more)
        return show(request, PurposePage(name, own, title, about, rows, _groups(), text))
    site.bench.require_writable()
    count = sum(bool(r.wrong) for r in rows)
    wrong, hint = f"{count} of the rows cannot be kept yet." if count else "", "Each says why."
    if not count:
        try:
            save_purpose(site.bench.folder, name, text)
            return go(f"/suit?purpose={name}")
        except WrongCall as error:
            wrong, hint = plain_message(error), error.hint
            hint = hint.replace("[[limit]]", "limit").replace("[[wish]]", "wish")
    page = PurposePage(name, own, title, about, _with_spare(rows), _groups(), text, wrong, hint)
    return show(request, page, 400)


def _typed(form: Form) -> list[WrittenRow]:
    found: list[WrittenRow] = []
    for kind, keys in KEYS.items():
        for i in range(_MOST_ROWS):
            values = {k: form.get(f"{kind}.{i}.{k}")[:500] for k in keys}
            found.append(WrittenRow(kind, values))
    return [r for r in found if not r.empty]
