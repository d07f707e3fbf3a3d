"""Uploads in pieces: announce, append, ask how far, forget."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, Request
from starlette.concurrency import run_in_threadpool

from seeworthy.web.deps import TheSite

router = APIRouter()


def _plain(upload: Any) -> dict[str, Any]:
    return {"ticket": upload.ticket, "name": upload.name, "size": upload.size, "have": upload.have}


@router.post("/uploads")
def begin(
    site: TheSite, name: Annotated[str, Body(max_length=1000)], size: Annotated[int, Body()]
) -> dict[str, Any]:
    """Announce a file."""
    site.bench.require_writable()
    return _plain(site.uploads.begin(name, size))


@router.get("/uploads/{ticket}")
def far(site: TheSite, ticket: str) -> dict[str, Any]:
    """Tell how far an upload is."""
    return _plain(site.uploads.get(ticket))


@router.patch("/uploads/{ticket}")
async def append(request: Request, site: TheSite, ticket: str, offset: int) -> dict[str, Any]:
    """Take a piece as it comes, straight to disk."""
    return _plain(await site.uploads.append(ticket, offset, request.stream()))


@router.delete("/uploads/{ticket}")
async def drop(site: TheSite, ticket: str) -> dict[str, Any]:
    """Forget an upload."""
    await run_in_threadpool(site.uploads.drop, ticket)
    return {"dropped": ticket}
