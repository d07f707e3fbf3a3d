"""Compare and suit: what the figures mean."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request, Response

from seeworthy.bench.cameras import list_names
from seeworthy.ground.digits import expanded, number, said_u, sign
from seeworthy.ground.errors import NotFound, SeeworthyError, WrongCall
from seeworthy.ground.measurands import all_measurands, measurand
from seeworthy.judge.compare.comparison import BYS, Comparison, Row, compare_bench, what_matters
from seeworthy.judge.compare.history import lasting
from seeworthy.judge.purpose.bench_rank import suit, suit_every
from seeworthy.judge.purpose.library import shipped
from seeworthy.judge.purpose.own import asked_for, own_purposes
from seeworthy.judge.purpose.rank import Ranking
from seeworthy.publish import numbers
from seeworthy.publish.judgement_figures import compare_figure, suit_figures
from seeworthy.web.context import Waiting
from seeworthy.web.context_judge import ComparedRow, ComparePage, LastingPage, SuitPage
from seeworthy.web.deps import TheSite
from seeworthy.web.pages.take import figure_part
from seeworthy.web.render import show
from seeworthy.web.site import Site

router = APIRouter()
_MOST_PAIRS = 40  # of one row; the figures hold all (a judgement)
_MANY = 24  # cameras; up to here judging them all is felt as at once (a judgement)
_PATIENCE = 0.2  # s before words: a page answers within 0.3 s, whatever it has to work out


def camera_names(site: Site) -> list[str]:
    """Return the names of the bench's cameras."""
    return list(site.remember("names", lambda: list_names(site.bench)).values())


@router.get("/compare")
def compare_page(
    request: Request,
    site: TheSite,
    by: str = "",
    camera: list[str] = Query(default=[]),  # noqa: B008 - how FastAPI is told
    measurand: list[str] = Query(default=[]),  # noqa: B008
) -> Response:
    """Show the form, and the comparison where one is asked for."""
    names = camera_names(site)
    chosen = [(n, n in camera) for n in names]
    known = [(m.id, m.title, m.id in measurand) for m in all_measurands().values()]
    asked = bool(by)
    by = by or "camera"  # the answer first: all cameras side by side, before anything is asked
    if not asked and len(names) < 2:
        return show(request, ComparePage(chosen, by, known))
    measurands = [m for m in measurand if m]

    def make() -> Compared:
        return _compared(site, by, camera, measurands)

    if by in BYS and awaited(request, site, _compare_key(by, camera, measurands), make):
        words = f"Every pair of {len(camera or names)} cameras is held against each other."
        return show(request, Waiting("Compare", words))
    try:
        _, shown, rows = _remembered(site, by, camera, measurands)
    except SeeworthyError as error:
        if not asked:
            return show(request, ComparePage(chosen, by, known))
        page = ComparePage(chosen, by, known, (), (), error.message, error.hint, True)
        return show(request, page, error.http_status if error.http_status == 404 else 200)
    return show(
        request,
        ComparePage(chosen, by, known, rows, shown.apart, asked=asked, subjects=shown.subjects),
    )


def awaited(request: Request, site: Site, key: Hashable, make: Callable[[], Any]) -> bool:
    """Tell whether a person who reads should be told that this is still being worked out.

    Only on a bench of many cameras: the answers of a small one are quick, and what fetches a page
    without reading it waits for the whole.
    """
    reads = "text/html" in request.headers.get("accept", "")
    return reads and len(camera_names(site)) > _MANY and not site.ready(key, make, _PATIENCE)


def _compare_key(by: str, cameras: Sequence[str], measurands: Sequence[str]) -> Hashable:
    return ("compare", by, tuple(cameras), tuple(measurands))


Compared = tuple[Comparison, Comparison, list[ComparedRow]]


def _compared(site: Site, by: Any, cameras: list[str], measurands: list[str]) -> Compared:
    """Return the whole, what is shown of it, and its rows in words."""
    found = compare_bench(site.bench, by=by, cameras=cameras, measurands=measurands)
    asked = urlencode({"by": by, "camera": cameras, "measurand": measurands}, doseq=True)
    matter = asked_for(site.bench) if by == "camera" and not measurands else frozenset()
    shown = what_matters(found, asked=matter)
    rows = [
        _row(row, f"/compare/figures/{i}?{asked}", row.measurand.id in matter or not matter)
        for i, row in enumerate(shown.rows)
    ]
    return found, shown, rows


@router.get("/compare/figures/{place}")
def compared_figure(
    request: Request,
    site: TheSite,
    place: int,
    by: str,
    camera: list[str] = Query(default=[]),  # noqa: B008
    measurand: list[str] = Query(default=[]),  # noqa: B008
) -> Response:
    """Draw one comparison as a fragment."""
    _, shown, _ = _remembered(site, by, camera, measurand)
    if not 0 <= place < len(shown.rows):
        raise NotFound("There is no such figure.")
    return show(
        request, figure_part(site, compare_figure(shown.rows[place]), f"row-{place}-figure")
    )


def _remembered(site: Site, by: str, cameras: list[str], measurands: list[str]) -> Compared:
    if by not in BYS:
        raise WrongCall(f"It cannot be compared by '{by}'.", f"By {', '.join(BYS)}.")
    key = _compare_key(by, cameras, measurands)
    return site.remember(key, lambda: _compared(site, by, cameras, measurands))


def best_and_worst(site: Site) -> dict[str, tuple[list[str], list[str]]]:
    """Return by camera what it is told apart as the best in, and as the last in."""
    try:
        found, _, _ = _remembered(site, "camera", [], [])
    except SeeworthyError:
        return {}
    said: dict[str, tuple[list[str], list[str]]] = {}
    asked = asked_for(site.bench)
    for row in found.rows:
        if row.measurand.id not in asked:
            continue
        if not row.best or (same := row.pairs.same).all():
            continue
        places = {v.subject: i for i, v in enumerate(row.values)}
        last = len(places) - 1 if row.values[0].subject in row.best else 0
        worst = row.values[last].subject
        if len(row.best) == 1:
            said.setdefault(row.best[0], ([], []))[0].append(row.measurand.title)
        if worst not in row.best and not same[last, [places[b] for b in row.best]].any():
            said.setdefault(worst, ([], []))[1].append(row.measurand.title)
    return {n: (_few(best), _few(worst)) for n, (best, worst) in said.items()}


def _few(titles: list[str]) -> list[str]:
    return list(dict.fromkeys(titles))[:3]


def _row(row: Row, drawing: str, first: bool) -> ComparedRow:
    entry = row.measurand
    unit = sign(entry.unit)
    values = []
    for value, takes in zip(row.values, row.takes, strict=True):
        shown = numbers.figure(value.value, *value.interval, entry.unit, value.u)
        interval = numbers.interval_text(*value.interval, value.u, entry.unit)
        best = value.subject in row.best
        mark = ("best" if len(row.best) == 1 else "among the best") if best else ""
        values.append((value.subject, shown, interval, takes, mark))
    pairs = [
        (
            f"{p.second} against {p.first}",
            numbers.figure(p.value, *p.interval, entry.unit, p.u),
            numbers.interval_text(*p.interval, p.u, entry.unit),
            "told apart" if p.apart else "cannot be told apart",
        )
        for p in row.pairs[:_MOST_PAIRS]
    ]
    title = entry.title[:1].upper() + entry.title[1:]
    together = [", ".join(g) for g in row.groups if len(g) > 1]
    sort = [v.value for v in row.values]
    return ComparedRow(
        entry.id, title, unit, str(row.like), drawing, values, together, pairs, sort, first
    )


@router.get("/compare/time")
def lasting_page(request: Request, site: TheSite, camera: str = "") -> Response:
    """Show what changes with time, and how far units of one camera differ."""
    names = camera_names(site)
    if camera and camera not in names:
        raise NotFound(f"There is no camera '{camera}'.", "Choose one from the list.")
    key = ("lasting", camera)
    found = site.remember(key, lambda: lasting(site.bench, [camera] if camera else ()))
    trends = [
        (
            unit,
            measurand(name).title,
            like,
            numbers.figure(t.slope, *t.interval, measurand(name).unit, t.u) + " a year",
            numbers.interval_text(*t.interval, t.u, measurand(name).unit),
            f"{t.takes} takes, {t.days} days",
            t.word,
        )
        for unit, name, like, t in found.trends
    ]
    spreads = [
        (
            who,
            measurand(name).title,
            like,
            said_u(s.mean, s.u, measurand(name).unit),
            numbers.with_unit(number(s.between, expanded(s.u)), measurand(name).unit),
            s.units,
            s.word,
        )
        for who, name, like, s in found.spreads
    ]
    return show(request, LastingPage(names, camera, trends, spreads))


@router.get("/suit")
def suit_page(request: Request, site: TheSite, purpose: str = "") -> Response:
    """Show the purposes, and the ranking for one."""
    own = own_purposes(site.bench.folder)
    listed = [(n, n, "A purpose of your own.", True) for n in own]
    listed += [(n, p.title, p.about, False) for n, p in shipped().items() if n not in own]
    if not purpose:
        key, rank_all = _every(site)
        if awaited(request, site, key, rank_all):
            words = "Every camera is ranked for every purpose."
            return show(request, Waiting("Suit", words))
        rankings = every_ranking(site)
        overview = {n: {c.camera: c for c in r.cameras} for n, r in rankings.items()}
        return show(request, SuitPage(listed, cameras=camera_names(site), overview=overview))
    if purpose not in {row[0] for row in listed}:
        raise WrongCall(f"There is no purpose '{purpose}'.", "Choose one from the list.")
    key, rank_one = _one(site, purpose)
    if awaited(request, site, key, rank_one):
        words = "Every camera is ranked for this purpose."
        return show(request, Waiting("Suit", words, ("/suit", "Purposes")))
    try:
        ranking = _ranked(site, purpose)
    except SeeworthyError as error:
        return show(request, SuitPage(listed, purpose, refused=error.message, hint=error.hint))
    worth = [
        (t.camera, measurand(t.measurand).title, measurand(t.measurand).procedure)
        for t in ranking.worth_doing
    ]
    figures = [
        (f"/suit/figures/{i}?purpose={quote(purpose)}", f.title, f.sentence)
        for i, f in enumerate(suit_figures(ranking))
    ]
    site.purpose = purpose  # the first page speaks of it
    return show(request, SuitPage(listed, purpose, ranking, worth, figures))


def every_ranking(site: Site) -> dict[str, Ranking]:
    """Return the cameras ranked for every purpose, by its name."""
    return site.remember(*_every(site))


def _every(site: Site) -> tuple[Hashable, Callable[[], dict[str, Ranking]]]:
    own = own_purposes(site.bench.folder)
    names = [*own, *(n for n in shipped() if n not in own)]
    return ("suits", *sorted(own.items())), lambda: suit_every(site.bench, names)


def _ranked(site: Site, purpose: str) -> Ranking:
    return site.remember(*_one(site, purpose))


def _one(site: Site, purpose: str) -> tuple[Hashable, Callable[[], Ranking]]:
    key = ("suit", purpose, own_purposes(site.bench.folder).get(purpose, ""))
    return key, lambda: suit(site.bench, purpose)


@router.get("/suit/figures/{place}")
def suit_figure(request: Request, site: TheSite, place: int, purpose: str) -> Response:
    """Draw scores or ranks as a fragment."""
    drawn = suit_figures(_ranked(site, purpose))
    if not 0 <= place < len(drawn):
        raise NotFound("There is no such figure.")
    return show(request, figure_part(site, drawn[place], drawn[place].name))
