"""Settings, backup and restore."""

from __future__ import annotations

import datetime as dt
import secrets
from pathlib import Path

from fastapi import APIRouter, Request, Response
from fastapi.responses import FileResponse
from starlette.background import BackgroundTask

from seeworthy.bench.settings import CHOICES, save_settings
from seeworthy.bench.upkeep import show_bench
from seeworthy.bench.vault import free_folder, pack_bench, unpack_bench
from seeworthy.ground.errors import BenchReadOnly, WrongCall
from seeworthy.web.context import RestoredPage, SettingsPage
from seeworthy.web.deps import TheForm, TheSite, go
from seeworthy.web.pages.card import is_local
from seeworthy.web.render import show

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
    page = SettingsPage(groups, str(site.bench.folder), size, saved, is_local(request))
    return show(request, page)


@router.post("/settings")
def save(site: TheSite, form: TheForm) -> Response:
    """Keep the choices."""
    save_settings(site.bench, **{name: form.get(name) for name in CHOICES if form.get(name)})
    return go("/settings?saved=true")


@router.post("/backup")
def backup(site: TheSite) -> Response:
    """Give out the whole bench as one zip file."""
    folder = site.bench.exports_folder
    folder.mkdir(exist_ok=True)
    path = pack_bench(site.bench, folder / f".backup-{secrets.token_hex(8)}.zip")
    name = f"{site.bench.folder.name}-{dt.date.today().isoformat()}.zip"
    return FileResponse(
        path,
        media_type="application/zip",
        filename=name,
        background=BackgroundTask(path.unlink, missing_ok=True),
    )


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
