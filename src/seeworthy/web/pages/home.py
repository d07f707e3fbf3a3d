"""The first page: where every camera stands; an empty bench explains itself."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from fastapi import APIRouter, Request, Response

from seeworthy.bench.cameras import add_camera
from seeworthy.bench.summary import Glance, glance
from seeworthy.bench.takes import list_takes
from seeworthy.ground.errors import SeeworthyError
from seeworthy.judge.purpose.rank import Ranking
from seeworthy.procedures import all_procedures
from seeworthy.publish.assemble import camera_report
from seeworthy.publish.verdict import listed, verdict
from seeworthy.web.context import Home, Start, Telling, Waiting
from seeworthy.web.deps import TheForm, TheSite, go
from seeworthy.web.pages.camera import frame_of
from seeworthy.web.pages.judge import awaited, best_and_worst, every_ranking
from seeworthy.web.render import show
from seeworthy.web.site import DemoState, Site

router = APIRouter()
_MOST_TOLD = 8  # a report is put together for each: a judgement of what a first page may cost


@router.get("/")
def home(request: Request, site: TheSite) -> Response:
    """Show the watch log, or how to begin."""
    if site.demo is not None and site.demo.finished and not site.demo.failed:
        site.demo = None
    if not site.has_bench:
        return show(request, _start(site, made=False))

    def see() -> Glance:
        return glance(site.bench)

    if awaited(request, site, "glance", see):
        return show(request, Waiting("Watch log", "Where every take stands is being looked up."))
    found = site.remember("glance", see)
    if not found.cameras:
        return show(request, _start(site, made=True))
    titles = {p.id: p.title for p in all_procedures().values()}
    due = sum(found.states.get(state, 0) for state in ("new", "stale", "lost"))
    names = [(line.camera.id, line.camera.name) for line in found.cameras[:_MOST_TOLD]]

    def tell() -> dict[int, Telling]:
        return _tellings(site, names)

    if awaited(request, site, "tellings", tell):
        words = f"What {len(found.cameras)} cameras were found to be is put together."
        return show(request, Waiting("Watch log", words))
    tellings = site.remember("tellings", tell)
    if len(found.cameras) <= _MOST_TOLD:  # ranking hundreds is work for its own page
        rankings = every_ranking(site)
        tellings = {
            number: replace(tellings[number], fits=_fitness(rankings, name, site.purpose))
            for number, name in names
            if number in tellings  # else the bench has just changed
        }
    return show(request, Home(found, titles, due, tellings))


def _tellings(site: Site, names: list[tuple[int, str]]) -> dict[int, Telling]:
    """Return what is told of each camera; a bench of many cameras tells of the first ones."""
    ends = best_and_worst(site) if len(names) > 1 else {}
    told = {}
    for number, name in names:
        shot = frame_of(site, list_takes(site.bench, camera=name))
        line = verdict(camera_report(site.bench, name, pictures=False)).line
        best, worst = ends.get(name, ((), ()))
        told[number] = Telling(line, shot, best=best, worst=worst)
    return told


def _fitness(rankings: Mapping[str, Ranking], camera: str, purpose: str) -> list[tuple[str, str]]:
    """Say what a camera is good for; of the purpose that was looked at last, how it stands."""
    found = {
        name: (place, one, ranking)
        for name, ranking in rankings.items()
        for place, one in enumerate(ranking.cameras, 1)
        if one.camera == camera
    }
    if purpose in found:
        place, one, ranking = found[purpose]
        lost = max((w for w in one.wishes if w.found), key=lambda w: w.share, default=None)
        why = f"; most is lost by {lost.wish.measurand.title}" if lost and lost.share > 0 else ""
        title = ranking.purpose.title.lower()
        stands = f"{one.grade}, number {place} of {len(ranking.cameras)}{why}"
        return [(f"For {title}:", stands)]
    said = []
    for words, grades in (("Good for", ("fits well", "fits")), ("Not for", ("does not fit",))):
        titles = [r.purpose.title.lower() for _, one, r in found.values() if one.grade in grades]
        if titles:
            said.append((words, listed(titles)))
    return said


def _start(site: Site, *, made: bool) -> Start:
    demo = site.demo
    words = ""
    if demo is not None and not demo.failed:
        count = f" ({demo.done} of {demo.total})" if demo.total else ""
        words = f"{demo.words}{count}"
    return Start(str(site.folder), made, words, demo.failed if demo else "", not made)


@router.post("/bench")
def begin(site: TheSite) -> Response:
    """Make an empty bench."""
    if not site.has_bench:
        site.begin()
    return go("/")


@router.post("/demo")
def demo(site: TheSite) -> Response:
    """Build the demo bench behind the pages."""
    # A folder that holds a bench stays what it is: the demo is built into a new one only.
    if not site.has_bench and (site.demo is None or site.demo.failed):
        site.demo = DemoState()
        threading.Thread(target=_build, args=(site, site.demo, site.folder), daemon=True).start()
    return go("/")


def _build(site: Site, state: DemoState, place: Path) -> None:
    from seeworthy.demo.bench import build

    def tell(words: str, done: int, total: int) -> None:
        state.words, state.done, state.total = f"Filming {words}", done, total

    try:
        build(place, tell=tell).close()
        site.move(place)
        site.keeper.start()
        state.finished = True
    except SeeworthyError as error:
        state.failed = f"{error.message} {error.hint}"
    except Exception as error:  # the thread must not die silently
        state.failed = f"The demo could not be built: {error}"


@router.post("/cameras")
def new_camera(site: TheSite, form: TheForm) -> Response:
    """Add a camera."""
    if not site.has_bench:
        site.begin()
    camera = add_camera(
        site.bench,
        form.get("name"),
        maker=form.get("maker"),
        note=form.get("note"),
        unit=form.get("unit") or "1",
    )
    return go(f"/cameras/{camera.id}")
