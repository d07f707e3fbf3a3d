"""One test: the question, cautions first, the steps, and the form of a take."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial

from fastapi import APIRouter, Request, Response

from seeworthy.bench.cameras import list_cameras
from seeworthy.bench.records import Take
from seeworthy.bench.takes import CONDITIONS
from seeworthy.ground.digits import said_result
from seeworthy.ground.errors import SeeworthyError
from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import measurand
from seeworthy.ground.quantities import Quantity, parse
from seeworthy.procedures import all_procedures, left_out, procedure
from seeworthy.procedures.cautions import CAUTIONS
from seeworthy.procedures.declare import Option, Procedure, Reading, gather
from seeworthy.publish import numbers
from seeworthy.web.context_take import Consequence, Field, ProcedurePage, ProceduresPage
from seeworthy.web.deps import Form, TheForm, TheSite
from seeworthy.web.render import show
from seeworthy.web.site import Site
from seeworthy.web.words import label

router = APIRouter()
_WHAT = {"light": "How bright it was, if you read a meter.", "temperature": "How warm it was."}


@router.get("/procedures")
def procedures_page(request: Request, camera: str = "") -> Response:
    """List all tests; a camera that was chosen before stays chosen."""
    listed = list(all_procedures().values())
    return show(request, ProceduresPage(listed, [str(one) for one in left_out()], camera))


@router.get("/procedures/{name}")
def procedure_page(
    request: Request, site: TheSite, name: str, camera: str = "", way: str = ""
) -> Response:
    """Show one test with the form of a new take; a way to do it hides what it does not use."""
    return entry_page(request, site, name, camera, way=way)


def entry_page(
    request: Request,
    site: Site,
    name: str,
    camera: str = "",
    form: Form | None = None,
    arrived: Mapping[str, Sequence[tuple[str, str]]] | None = None,
    way: str = "",
) -> Response:
    """Show one test with the form of a new take, as it was typed where it comes back."""
    chosen = procedure(name)
    cameras = list_cameras(site.bench) if site.has_bench else []
    way = form.get("way") if form else way
    asked = chosen.asks(way)
    fields = fields_of(chosen, form=form)
    shown = [f for f in fields if asked is None or f.kind == "condition" or f.name in asked]
    page = ProcedurePage(
        chosen,
        cautions_of(chosen),
        [(measurand(m).title, measurand(m).unit) for m in chosen.measurand_ids],
        cameras,
        camera or (cameras[0].name if len(cameras) == 1 else ""),
        shown,
        dt.date.today().isoformat(),
        arrived or {},
        next((w for w in chosen.ways if w.name == way), None),
    )
    return show(request, page)


def cautions_of(chosen: Procedure) -> list[str]:
    """Return the cautions of a test in words."""
    return [CAUTIONS.get(name, name) for name in chosen.cautions]


def fields_of(chosen: Procedure, take: Take | None = None, form: Form | None = None) -> list[Field]:
    """Return the fields of a test's form, filled as typed, else from a take where there is one."""
    readings: dict[str, list[str]] = {}
    options: dict[str, list[str]] = {}
    around: dict[str, str] = {}
    if form is not None:
        readings, options = form.named("reading"), form.named("option")
        around = {k: v[-1] for k, v in form.named("condition").items()}
    elif take is not None:
        for found in take.readings:
            readings.setdefault(found.name, []).append(found.text)
        for name, value in take.options:
            options.setdefault(name, []).append(value)
        around = {c.name: c.text for c in take.conditions}
    fields = [_reading(r, readings.get(r.name, ())) for r in chosen.readings]
    fields += [_option(o, options.get(o.name, ())) for o in chosen.options]
    fields += [
        Field(
            "condition", name, _WHAT[name], EXAMPLES[f"condition.{name}"], (around.get(name, ""),)
        )
        for name in CONDITIONS
    ]
    if form is None:
        return fields
    wrong = misread(chosen, form)
    return [replace(f, wrong=wrong.get(f"{f.kind}.{f.name}", "")) for f in fields]


def misread(chosen: Procedure, form: Form) -> dict[str, str]:
    """Return what of a form is not understood: ``kind.name`` to words."""
    said: dict[str, str] = {}
    for name, texts in form.named("reading").items():
        said[f"reading.{name}"] = _wrong(texts, partial(_parsed, chosen, name))
    for name, texts in form.named("condition").items():
        if name in CONDITIONS:
            read = partial(parse, unit=CONDITIONS[name], positive=name == "light", bare=False)
            said[f"condition.{name}"] = _wrong(texts, read)
    return {name: words for name, words in said.items() if words}


def _parsed(chosen: Procedure, name: str, text: str) -> Quantity | None:
    need = chosen.need(name)
    return (
        None if need.unit == "text" else parse(text, need.unit, positive=need.positive, bare=False)
    )


def _wrong(texts: Sequence[str], read: Callable[[str], object]) -> str:
    """Return why the first of some texts cannot be read, ``""`` where all can."""
    for text in texts:
        try:
            read(text)
        except SeeworthyError as error:
            return f"{error.message} {error.hint}".strip()
    return ""


def _reading(need: Reading, values: Sequence[str]) -> Field:
    shown = tuple(values) or ("",)
    return Field(
        "reading",
        need.name,
        need.what,
        need.typical,
        shown,
        need.required and not need.measurand,
        need.repeat,
    )


def _option(one: Option, values: Sequence[str]) -> Field:
    mark = next((m for m in ("region", "edge") if m in one.name), "")
    shown = tuple(values) or ("",)
    return Field(
        "option", one.name, one.what, one.typical, shown, False, one.repeat, one.choices, mark
    )


@router.post("/procedures/{name}/consequence")
def consequence(request: Request, site: TheSite, name: str, form: TheForm) -> Response:
    """Say how the readings were understood, and what follows from them so far."""
    return show(request, _consequence(procedure(name), form))


def _consequence(chosen: Procedure, form: Form) -> Consequence:
    readings = form.named("reading")
    read, good = _understood(chosen, readings)
    if not good or not readings:
        return Consequence(read)
    if any(f.least for f in chosen.files):
        return Consequence(read)
    try:
        inputs = gather(chosen, {}, readings, form.named("option"))
        outcome = chosen.run(inputs)
    except SeeworthyError as error:
        return Consequence(read, missing=error.message)
    rows = [
        (
            measurand(r.measurand).title,
            said_result(r),
            numbers.interval_text(*r.interval, r.u, r.unit),
        )
        for r in outcome.results
    ]
    return Consequence(read, outcome.sentence, rows, outcome.warnings)


def _understood(
    chosen: Procedure, readings: Mapping[str, Sequence[str]]
) -> tuple[list[tuple[str, str, bool]], bool]:
    said: list[tuple[str, str, bool]] = []
    good = True
    for name, texts in readings.items():
        for text in texts:
            said_as = label(name)
            try:
                found = _parsed(chosen, name, text)
                if found is None:
                    continue
                said.append((said_as, numbers.typed(str(found)), False))
            except SeeworthyError as error:
                said.append((said_as, f"{error.message} {error.hint}", True))
                good = False
    return said, good
