"""How much a request may carry: forms are small, and only uploads are streamed at length."""

from __future__ import annotations

import shutil
import tempfile
import time
from typing import Any

from starlette.requests import ClientDisconnect

from seeworthy.web.slow import TooSlowError, paced
from seeworthy.web.trust import Application, Receive, Scope, Send
from seeworthy.web.uploads import SPARE

LARGEST_FORM = 4 * 1024**2  # bytes: a thousand fields and a listing (a judgement)
LARGEST_PIECE = 256 * 1024**2  # bytes: far above the pieces that our page sends
LARGEST_WITH_FILE = 4 * 1024**3
"""A form that brings its clip along, as browsers without script send it: no file on a card
that is formatted as FAT32 is larger (its directory holds the size in 32 bits)."""
_BRING_FILES = ("/takes", "/mend", "/mend/recover", "/import", "/restore")


_DRAINED = 64 * 1024**2
"""Bytes of a refused body that are read and thrown away, so that the refusal is seen: a
connection that is closed while the browser still sends shows as broken instead."""
_DRAIN_SECONDS = 20.0  # s, after which a slow sender may see it as broken (a judgement)


class Limits:
    """ASGI middleware: counts what comes in, and cuts off what is too long or too slow."""

    def __init__(self, app: Application) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on, with a counter before it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        receive = paced(receive)
        headers = dict(scope["headers"])
        most = _most(scope["path"], headers.get(b"content-type", b""))
        announced = headers.get(b"content-length", b"0")
        if not announced.isdigit() or len(announced) > 18 or int(announced) > most:
            await _drain(receive)
            await _refuse(send, 413)
            return
        count = 0
        broken = 0
        begun = False

        async def counted() -> Any:
            nonlocal count, broken
            try:
                message = await receive()
            except TooSlowError:
                broken = 408
                return {"type": "http.disconnect"}
            count += len(message.get("body", b""))
            if count > most:
                broken = 413
                if message.get("more_body", False):
                    await _drain(receive)
                return {"type": "http.disconnect"}
            return message

        async def noted(message: Any) -> None:
            nonlocal begun
            if broken and not begun:  # whatever the page made of half a form
                begun = True
                await _refuse(send, broken)
            elif not broken:
                begun = True
                await send(message)

        try:
            await self.app(scope, counted, noted)
        except ClientDisconnect:  # who broke off gets no answer, and the terminal no traceback
            pass
        except Exception:
            if not broken:
                raise
        if broken and not begun:
            await _refuse(send, broken)


def _most(path: str, kind: bytes) -> int:
    """Return how many bytes a request may carry; a form with a file waits on the disk."""
    if path.startswith("/uploads/"):
        return LARGEST_PIECE
    if path in _BRING_FILES and kind.startswith(b"multipart/form-data"):
        room = shutil.disk_usage(tempfile.gettempdir()).free - SPARE
        return max(LARGEST_FORM, min(LARGEST_WITH_FILE, room))
    return LARGEST_FORM


async def _drain(receive: Receive) -> None:
    count, end = 0, time.monotonic() + _DRAIN_SECONDS
    try:
        while count < _DRAINED and time.monotonic() < end:
            message = await receive()
            count += len(message.get("body", b""))
            if message["type"] != "http.request" or not message.get("more_body", False):
                return
    except TooSlowError:
        return


_WORDS = {
    408: ("That came too slowly.", "Try it again with a better network."),
    413: ("That is more than this page takes.", "Go back, and send less at once."),
}


async def _refuse(send: Send, status: int) -> None:
    what, hint = _WORDS[status]
    page = (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{what}</title>'
        f"<h1>{what}</h1><p>{hint}</p></html>"
    )
    headers = [(b"content-type", b"text/html; charset=utf-8"), (b"connection", b"close")]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": page.encode()})
