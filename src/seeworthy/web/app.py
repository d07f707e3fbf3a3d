"""The application: pages, API and static files behind one door."""

from __future__ import annotations

import importlib
from collections.abc import AsyncIterator, Callable
from concurrent.futures import Executor
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from seeworthy import __version__
from seeworthy.ground.errors import Fault, NotFound, SeeworthyError, WrongCall
from seeworthy.web import api, context, render
from seeworthy.web.limits import Limits
from seeworthy.web.pages import ROUTERS
from seeworthy.web.pages.back import come_back
from seeworthy.web.site import Site
from seeworthy.web.trust import Door, TrustGate


def create_app(
    folder: str | Path,
    *,
    door: Door | None = None,
    executor: Callable[[], Executor] | None = None,
    peek_executor: Callable[[], Executor] | None = None,
) -> FastAPI:
    """Return the application for one bench.

    Args:
        folder: Of the bench; a folder that holds none yet is offered a new one and the demo.
        door: Whom it answers; loopback only by default.
        executor, peek_executor: Make the executors of runs and of looks into files (tests); by
            default worker processes with limits of time and memory.
    """
    site = Site(Path(folder).resolve(), door or Door(), executor, peek_executor)

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        # Loaded in a thread after the drawing engine, OpenCV was seen to crash the process;
        # so it comes first, whatever page is asked for first.
        await run_in_threadpool(importlib.import_module, "cv2")
        if site.has_bench:
            await run_in_threadpool(site.uploads.sweep)
        yield
        await run_in_threadpool(site.close)

    app = FastAPI(
        title="Seeworthy",
        version=__version__,
        description="The bench as JSON: the same operations as the command line and the pages.",
        docs_url=None,  # its page would load a script from another host
        redoc_url=None,
        openapi_url="/api/openapi.json",
        lifespan=life,
    )
    app.state.site = site
    app.include_router(api.router)
    for router in ROUTERS:
        app.include_router(router, include_in_schema=False)
    app.add_api_route("/favicon.ico", _mark, include_in_schema=False)
    app.add_api_route("/static/{name}", _plain_static, include_in_schema=False)
    app.add_api_route("/static/{mark}/{name:path}", _static, include_in_schema=False)
    app.add_exception_handler(SeeworthyError, _said)
    app.add_exception_handler(RequestValidationError, _misread)
    app.add_exception_handler(HTTPException, _no_page)
    app.add_exception_handler(Exception, _fault)
    app.add_middleware(Limits)
    app.add_middleware(TrustGate, door=site.door)
    return app


def _static(mark: str, name: str) -> Response:
    path = render.static_file(name)
    if path is None:
        raise NotFound("There is no such file.")
    kept = f"public, max-age={render.YEAR}, immutable"
    return FileResponse(path, headers={"cache-control": kept})


def _plain_static(name: str) -> Response:
    """Give out a static file under its bare name (pages that stand alone); always asked anew."""
    path = render.static_file(name)
    if path is None:
        raise NotFound("There is no such file.")
    return FileResponse(path, headers={"cache-control": "no-cache"})


def _mark() -> Response:
    """Give out the mark for pages that name none (the clock, reports)."""
    return _plain_static("mark.svg")


async def _said(request: Request, error: Exception) -> Response:
    """Answer an error that a user can cause: a page, a fragment, or the one JSON shape."""
    assert isinstance(error, SeeworthyError)
    if request.url.path.startswith(("/api/", "/uploads")):
        return JSONResponse(error.to_json(), error.http_status)
    fragment = request.headers.get("hx-request") == "true"
    page = context.TroubleLine(error.message, error.hint, error.http_status, fragment)
    try:
        if not fragment:
            site: Site = request.app.state.site
            back = await run_in_threadpool(come_back, request, site, error)
            if back is not None:
                return back
        return await run_in_threadpool(render.show, request, page, error.http_status)
    except SeeworthyError:  # the frame itself needs the bench, which cannot be opened
        text = f"{error.message}\n{error.hint}\n"
        return Response(text, error.http_status, media_type="text/plain; charset=utf-8")


async def _misread(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    first: Any = (error.errors() or [{}])[0]
    where = ".".join(str(part) for part in first.get("loc", ())[1:])
    said = WrongCall(f"'{where}' is not right: {first.get('msg', '')}.", "Look at it again.")
    return await _said(request, said)


async def _no_page(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if error.status_code == 404:
        return await _said(request, NotFound("There is no such page.", "Begin at the first page."))
    page = WrongCall(str(error.detail), "Go back and try again.")
    answer = await _said(request, page)
    answer.status_code = error.status_code
    return answer


async def _fault(request: Request, error: Exception) -> Response:
    said = Fault(
        f"Seeworthy itself failed: {type(error).__name__}: {error}",
        "This is a fault of the program; your bench is as it was before.",
    )
    return await _said(request, said)
