"""Mending: a clip corrected with what was measured, a broken clip brought back."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Any, cast

from fastapi import APIRouter, Request, Response
from fastapi.responses import FileResponse

from seeworthy.bench.cameras import list_cameras
from seeworthy.bench.records import Take, TakeFile
from seeworthy.bench.takes import get_take, list_takes
from seeworthy.ground.digits import said
from seeworthy.ground.errors import NotFound, SeeworthyError, WrongCall
from seeworthy.ground.measurands import measurand
from seeworthy.judge.correct.choose import from_bench, kinds_of, newest_of
from seeworthy.judge.correct.data import KINDS
from seeworthy.judge.correct.prove import SHOWN
from seeworthy.media.glimpse import sniff
from seeworthy.publish import numbers
from seeworthy.publish.views import long_date
from seeworthy.web.context_mend import CorrectionLine, MendPage, RecoverPage, WorkPage
from seeworthy.web.deps import Form, TheForm, TheSite, go
from seeworthy.web.pages.card import size_text
from seeworthy.web.pages.sure import ask, filled
from seeworthy.web.render import show
from seeworthy.web.site import Site
from seeworthy.web.uploads import link_or_copy
from seeworthy.web.workshop import Proving, Work, do_correct, do_recover

router = APIRouter()
_MENDS = {
    "lens": "Straight lines: the lens's bow is taken out",
    "shading": "Even corners: what falls off towards the edge is lifted",
    "colour": "True colours: by the camera's matrix",
    "dark": "Hot pixels: filled in from what surrounds them",
}
_MOST_CLIPS = 200  # of a list to choose from (a judgement)
_KINDS = {
    "correct": ("Mend a clip", "Mending", "mended"),
    "recover": ("Bring a broken clip back", "Bringing back", "brought back"),
    "cards": ("Cards", "Drawing the cards of", "drawn"),
}


def _clips(site: Site, camera: str = "") -> list[tuple[Take, int, TakeFile]]:
    takes = list_takes(site.bench, camera=camera) if camera else list_takes(site.bench)
    found = [
        (t, i, f)
        for t in sorted(takes, key=lambda t: -t.id)
        for i, f in enumerate(t.files)
        if _is_clip(f.path)
    ]
    return found[:_MOST_CLIPS]


def _is_clip(path: Path) -> bool:
    try:
        return sniff(path) == "clip"
    except OSError:
        return False


class NoClip(WrongCall):
    """The form names no clip, or none that the bench has."""


def _words(take: Take, file: TakeFile, *, camera: bool = False) -> str:
    who = f"{take.camera}, " if camera else ""
    return f"{file.name} ({who}take {take.id}, {take.procedure})"


@router.get("/mend")
def mend_page(request: Request, site: TheSite, camera: str = "", clip: str = "") -> Response:
    """Show what the takes of a camera can mend, and the form."""
    return show(request, _mend(site, camera))


def _mend(site: Site, camera: str, form: Form | None = None) -> MendPage:
    names = [c.name for c in list_cameras(site.bench)]
    if camera and camera not in names:
        raise NotFound(f"There is no camera '{camera}'.", "Choose one from the list.")
    if not camera:
        camera = next((n for n in names if newest_of(site.bench, n)), names[0] if names else "")
    newest = newest_of(site.bench, camera) if camera else {}
    lines = [
        CorrectionLine(
            kind, _MENDS[kind], one.take.id, one.outcome.sentence,
            f"{long_date(one.take.taken)}, unit {one.take.unit}",
        )
        for kind, one in newest.items()
    ]  # fmt: skip
    clips = site.remember(("clips", camera), lambda: _clips(site, camera)) if camera else []
    proofs = [
        (f"{t.procedure}|{t.id}.{i}", f"{_MENDS[t.procedure].partition(':')[0]}: {_words(t, f)}")
        for t, i, f in clips
        if t.procedure in newest and t.procedure in SHOWN and not f.role
    ]
    works = [w for w in site.workshop.all() if w.kind == "correct"]
    listed = [(f"{t.id}.{i}", _words(t, f)) for t, i, f in clips]
    return MendPage(names, camera, lines, listed, proofs, _arrived(site, form, "clip"), works)


def _arrived(site: Site, form: Form | None, name: str) -> list[tuple[str, str]]:
    tickets = form.all(f"file.{name}") if form else []
    return [(t, site.uploads.get(t).name) for t in tickets]


def _file_of(site: Site, value: str) -> tuple[Take, TakeFile]:
    """Return the clip of a take that a form names as ``take.place``."""
    number, _, place = value.partition(".")
    if not (number.isdecimal() and place.isdecimal() and len(value) < 14):
        raise NoClip("That is no clip of the bench.", "Choose one from the list.")
    take = get_take(site.bench, int(number))
    if int(place) >= len(take.files):
        raise NotFound("This take has no such file.", "Choose one from the list.")
    return take, take.files[int(place)]


def _bring(site: Site, form: Form, name: str, folder: Path) -> tuple[Path, str] | None:
    """Put an uploaded clip into the folder of its work, None where none came."""
    tickets = form.all(f"file.{name}")
    if not tickets:
        return None
    label = site.uploads.get(tickets[-1]).name
    place = folder / name
    place.mkdir()
    path = place / label
    link_or_copy(site.uploads.path(tickets[-1]), path)
    return path, label


@router.post("/mend")
def mend(request: Request, site: TheSite, form: TheForm) -> Response:
    """Begin to mend a clip; what is wrong comes back as typed."""
    site.bench.require_writable()
    try:
        return _begin_mend(site, form)
    except SeeworthyError as error:
        shown: Any = show(request, _mend(site, form.get("camera"), form))
        at = "clip" if isinstance(error, NoClip) else ""
        page = filled(shown, request, form, error.message, error.hint, at, error.http_status)
        if page is None:
            raise
        return page


def _begin_mend(site: Site, form: Form) -> Response:
    chosen = kinds_of([k for k in form.all("kind") if k in KINDS], "")
    if not chosen:
        raise WrongCall("No correction is chosen.", "Tick what shall be mended.")
    given = from_bench(
        site.bench, form.get("camera"), without=[k for k in KINDS if k not in chosen]
    )
    if not (form.get("clip") or form.all("file.clip")):
        raise NoClip("No clip is chosen.", "Choose one of the bench, or send one.")
    proving = [_proving(site, v) for v in form.all("prove")]
    for one in proving:
        if one.kind not in given.kinds():
            raise WrongCall(
                "What shall be shown is not among the corrections.",
                "Tick the correction too, or do not show it.",
            )
    ticket, folder = site.workshop.place()
    try:
        brought = _bring(site, form, "clip", folder)
        if brought is None:
            _, file = _file_of(site, form.get("clip"))
            brought = file.path, file.name
        path, name = brought
        keep_all = form.get("keep_all") == "yes"
        site.workshop.begin(
            ticket, "correct", name, do_correct, str(path), name, given, keep_all, proving
        )
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    for one_ticket in form.all("file.clip"):
        site.uploads.drop(one_ticket)
    return go(f"/mend/{ticket}")


def _proving(site: Site, value: str) -> Proving:
    kind, _, clip = value.partition("|")
    take, file = _file_of(site, clip)
    if kind not in SHOWN:
        raise WrongCall("That cannot be shown.", "Choose one from the list.")
    roles: dict[str, list[str]] = {}
    for other in take.files:
        if other.role:
            roles.setdefault(other.role, []).append(str(other.path))
    options: dict[str, list[str]] = {}
    for name, text in take.options:
        options.setdefault(name, []).append(text)
    return Proving(kind, file.path, file.name, roles, options)


@router.get("/mend/recover")
def recover_page(request: Request, site: TheSite) -> Response:
    """Show where a broken clip is sent in."""
    return show(request, _recover(site))


def _recover(site: Site, form: Form | None = None) -> RecoverPage:
    clips = site.remember(("clips", ""), lambda: _clips(site))
    listed = [(f"{t.id}.{i}", _words(t, f, camera=True)) for t, i, f in clips]
    works = [w for w in site.workshop.all() if w.kind == "recover"]
    arrived = {name: _arrived(site, form, name) for name in ("broken", "good")}
    return RecoverPage(listed, arrived, works)


@router.post("/mend/recover")
def recover(request: Request, site: TheSite, form: TheForm) -> Response:
    """Begin to bring a clip back."""
    site.bench.require_writable()
    try:
        return _begin_recover(site, form)
    except SeeworthyError as error:
        shown: Any = show(request, _recover(site, form))
        page = filled(shown, request, form, error.message, error.hint, "", error.http_status)
        if page is None:
            raise
        return page


def _begin_recover(site: Site, form: Form) -> Response:
    if not form.all("file.broken"):
        raise WrongCall("The broken clip is missing.", "Choose the file that does not open.")
    if not (form.get("good") or form.all("file.good")):
        raise WrongCall(
            "A good clip is missing.", "Choose one of the same camera in the same mode, or send it."
        )
    ticket, folder = site.workshop.place()
    try:
        broken = _bring(site, form, "broken", folder)
        assert broken is not None
        good = _bring(site, form, "good", folder)
        if good is None:
            _, file = _file_of(site, form.get("good"))
            good = file.path, file.name
        files = [(str(path), name) for path, name in (broken, good)]
        sound = form.get("silent") != "yes"
        site.workshop.begin(ticket, "recover", broken[1], do_recover, *files, sound)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    for one in [*form.all("file.broken"), *form.all("file.good")]:
        site.uploads.drop(one)
    return go(f"/mend/{ticket}")


@router.get("/mend/{ticket}")
def work_page(request: Request, site: TheSite, ticket: str) -> Response:
    """Show how far a piece of work is, and what came of it."""
    work = site.workshop.get(ticket)
    trail, going, ended = _KINDS[work.kind]
    back = _back(site, work)
    if work.state != "done":
        return show(request, WorkPage(work, f"{going} {work.name}", back, trail, ended))
    said = work.said
    lines = _came_back(said) if work.kind == "recover" else list(said["applied"])
    minds = [*said.get("limits", ()), *said.get("warnings", ())]
    done = f"{work.name}, {ended}"
    size, proofs = size_text(said["size"]), [_proof(p) for p in said.get("proofs", ())]
    return show(request, WorkPage(work, done, back, trail, ended, lines, minds, size, proofs))


def _back(site: Site, work: Work) -> str:
    if work.kind == "cards":
        number = next((c.id for c in list_cameras(site.bench) if c.name == work.name), None)
        return "/reports" if number is None else f"/reports/{number}/cards"
    return "/mend" if work.kind == "correct" else "/mend/recover"


def _came_back(said: Any) -> list[str]:
    lines = [f"{said['frames']} pictures came back, {said['seconds']:.1f} s."]
    if said["sound_seconds"]:
        lines.append(f"{said['sound_seconds']:.1f} s of sound.")
    if said["cut_frames"]:
        lines.append(f"{said['cut_frames']} picture at the end was cut and is missing.")
    if said["lost_bytes"]:
        lines.append(f"{said['lost_bytes']} bytes could not be told and were left out.")
    return lines


def _proof(said: Any) -> tuple[str, bool, Sequence[Any]]:
    rows = [
        (measurand(p["before"]["measurand"]).title, *_shown(p["before"]), *_shown(p["after"]))
        for p in said["figures"]
    ]
    words = _MENDS[said["kind"]].partition(":")[0]
    return f"{words}, on {said['file']}", bool(said["fitted_to_it"]), rows


def _shown(one: Any) -> tuple[str, str]:
    ends = cast("tuple[float, float]", tuple(one["interval"]))
    value = said(one["value"], *ends, one["unit"], one["u"])
    return value, numbers.interval_text(*ends, one["u"], one["unit"])


@router.get("/mend/{ticket}/files/{name}")
def work_file(site: TheSite, ticket: str, name: str) -> Response:
    """Give out the new file, or a picture of it."""
    path = site.workshop.file(ticket, name)
    if path.suffix == ".jpg":
        return FileResponse(path, media_type="image/jpeg")
    return FileResponse(path, media_type="application/octet-stream", filename=path.name)


@router.post("/mend/{ticket}/remove")
def remove(request: Request, site: TheSite, ticket: str, form: TheForm) -> Response:
    """Stop the work, or remove the new file."""
    work = site.workshop.get(ticket)
    back = _back(site, work)
    stays = "" if work.kind == "cards" else "; the clip itself stays as it was"
    words = f"The new file of {work.name} goes{stays}."
    question = ask(request, form, words, "Remove it", f"/mend/{ticket}")
    if question and work.state == "done":
        return question
    site.workshop.drop(ticket)
    return go(back)
