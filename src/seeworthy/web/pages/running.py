"""Measuring behind the pages, and telling how far it is (server-sent events)."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator

from fastapi import APIRouter, Response
from fastapi.responses import StreamingResponse

from seeworthy.web.deps import TheForm, TheSite, go

router = APIRouter()


@router.post("/run")
def run(site: TheSite, form: TheForm) -> Response:
    """Measure what is new or out of date, or only what is named."""
    site.bench.require_writable()
    site.keeper.start(tuple(form.all("only")))
    back = form.get("back")
    return go(back if back.startswith("/") and not back.startswith("//") else "/")


@router.get("/events")
async def events(site: TheSite) -> Response:
    """Tell what the run does, as it does it."""

    async def lines() -> AsyncIterator[str]:
        yield "retry: 3000\n\n"
        async for told in site.keeper.listen():
            if told is None:
                yield ": still here\n\n"
                continue
            yield f"event: {told.kind}\ndata: {json.dumps(told.data, ensure_ascii=False)}\n\n"

    return StreamingResponse(
        lines(), media_type="text/event-stream", headers={"cache-control": "no-store"}
    )
