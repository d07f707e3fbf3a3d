"""Settings, backup and restore."""

from __future__ import annotations

import datetime as dt
import secrets
from pathlib import Path

from fastapi import APIRouter, Request, Response
from fastapi.responses import FileResponse
from starlette.background import BackgroundTask

from seeworthy.bench.settings import CHOICES, save_settings
from seeworthy.bench.store import Bench
from seeworthy.bench.upkeep import show_bench
from seeworthy.bench.vault import free_folder, pack_bench, unpack_bench
from seeworthy.ground.errors import BenchReadOnly, WrongCall
from seeworthy.ground.leftovers import mark, sweep
from seeworthy.web.context import GuestLine, RestoredPage, SettingsPage
from seeworthy.web.deps import TheForm, TheSite, go
from seeworthy.web.pages.card import is_local
from seeworthy.web.render import show
from seeworthy.web.trust import Guest

router = APIRouter()
_WORDS = {"units": "Units", "clock": "Time of day", "numbers": "Numbers"}


@router.get("/settings")
def settings_page(request: Request, site: TheSite, saved: bool = False) -> Response:
    """Show what can be set."""
    chosen = site.settings()
    groups = [
        (name, _WORDS[name], [(v, w, getattr(chosen, name) == v) for v, w in choices])
        for name, choices in CHOICES.items()
    ]
    overview = site.remember("overview", lambda: show_bench(site.bench))
    size = f"{overview.evidence_files} files, {overview.evidence_bytes / 1e6:.0f} MB"
    local = is_local(request)
    guests = [_line(g) for g in site.door.guests()] if local else []
    page = SettingsPage(
        groups, str(site.bench.folder), size, saved, local, site.door.shared and local, guests
    )
    return show(request, page)


def _line(guest: Guest) -> GuestLine:
    def clock(seconds: float) -> str:
        return dt.datetime.fromtimestamp(seconds).strftime("%Y-%m-%d %H:%M")

    seen = clock(guest.seen) if guest.seen else "not yet"
    return GuestLine(guest.number, guest.who, clock(guest.begun), seen, clock(guest.ends))


@router.post("/settings/guests/{number}/end")
def end(request: Request, site: TheSite, number: int) -> Response:
    """End the session of a guest at once."""
    if not is_local(request):
        raise BenchReadOnly("Guests are sent away at the machine that keeps the bench.", "")
    site.door.revoke(number)
    return go("/settings#guests")


@router.post("/settings")
def save(site: TheSite, form: TheForm) -> Response:
    """Keep the choices."""
    save_settings(site.bench, **{name: form.get(name) for name in CHOICES if form.get(name)})
    return go("/settings?saved=true")


@router.post("/backup")
def backup(site: TheSite) -> Response:
    """Give out the whole bench as one zip file."""
    path = pack_bench(site.bench, passing_file(site.bench, "backup"))
    name = f"{site.bench.folder.name}-{dt.date.today().isoformat()}.zip"
    return FileResponse(
        path,
        media_type="application/zip",
        filename=name,
        background=BackgroundTask(path.unlink, missing_ok=True),
    )


def passing_file(bench: Bench, what: str) -> Path:
    """Return a name for a ZIP file that goes when it was sent, and sweep those of dead servers."""
    folder = bench.exports_folder
    folder.mkdir(exist_ok=True)
    sweep(folder, f".{what}-")
    return folder / f"{mark(f'.{what}-')}{secrets.token_hex(8)}.zip"


@router.post("/restore")
def restore(request: Request, site: TheSite, form: TheForm) -> Response:
    """Unpack a backup into a new folder beside this bench; this one is not touched."""
    if not is_local(request):
        raise BenchReadOnly(
            "A backup can be unpacked only at the machine that keeps the bench.", "Do it there."
        )
    if not form.get("file"):
        raise WrongCall("No backup is chosen.", "Choose the zip file that Seeworthy wrote.")
    archive = site.uploads.named(form.get("file"))
    name = form.get("name") or f"{Path(site.folder).name}-restored"
    found = unpack_bench(archive, free_folder(site.folder, name))
    site.uploads.drop(form.get("file"))
    return show(request, RestoredPage(str(found.folder), found.files, found.troubles))
