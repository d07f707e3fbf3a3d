"""How much a request may carry: forms are small, and only uploads are streamed at length."""

from __future__ import annotations

from typing import Any

from seeworthy.web.trust import Application, Receive, Scope, Send

LARGEST_FORM = 4 * 1024**2
LARGEST_PIECE = 256 * 1024**2


class TooMuchError(Exception):
    """A request carries more than it may."""


class Limits:
    """ASGI middleware: counts what comes in, and cuts off what is too long."""

    def __init__(self, app: Application) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on, with a counter before it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        most = LARGEST_PIECE if scope["path"].startswith("/uploads/") else LARGEST_FORM
        announced = dict(scope["headers"]).get(b"content-length", b"0")
        if not announced.isdigit() or int(announced) > most:
            await _refuse(send)
            return
        count = 0
        begun = False

        async def counted() -> Any:
            nonlocal count
            message = await receive()
            count += len(message.get("body", b""))
            if count > most:
                raise TooMuchError
            return message

        async def noted(message: Any) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            await self.app(scope, counted, noted)
        except TooMuchError:
            if not begun:
                await _refuse(send)


async def _refuse(send: Send) -> None:
    headers = [(b"content-type", b"text/plain; charset=utf-8")]
    await send({"type": "http.response.start", "status": 413, "headers": headers})
    await send({"type": "http.response.body", "body": b"That is more than this page takes."})
