"""Whom the pages answer: loopback only, or a shared session with a one-time token.

Three attacks are met here. A page of another site must not post to the bench (CSRF):
unsafe methods need an `Origin` (or `Referer`) that is ours. A name server must not
make another name point here (DNS rebinding): the `Host` must be one that we listen
as. A neighbour on the network must not read along: with ``--share`` every request
needs a cookie that only the one-time link gives.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from http.cookies import SimpleCookie
from typing import Any
from urllib.parse import parse_qs, urlsplit

Scope = dict[str, Any]
Receive = Callable[[], Awaitable[Any]]
Send = Callable[[Any], Awaitable[None]]
Application = Callable[[Any, Any, Any], Awaitable[None]]

COOKIE = "seeworthy_key"
_SAFE = {"GET", "HEAD", "OPTIONS"}

# No inline script or style attribute of others, nothing from another host, no framing.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "font-src 'self'; connect-src 'self'; media-src 'self' blob:; manifest-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; worker-src 'self' blob:"
)
# A report is a file of its own with its style inside; it runs no script at all.
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data: 'self'; font-src data:; "
    "form-action 'none'; base-uri 'none'; frame-ancestors 'none'; sandbox allow-popups"
)
_HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), camera=()",
}


@dataclass
class Door:
    """What is let in.

    Attributes
    ----------
    hosts : set of str
        Allowed `Host` values without port, lower case.
    port : int or None
        Port that we listen on; None accepts any (tests).
    shared : bool
        True when other machines may come in by token.
    """

    hosts: frozenset[str] = frozenset({"127.0.0.1", "localhost", "[::1]"})
    port: int | None = None
    shared: bool = False
    _ticket: str | None = None
    _keys: set[str] = field(default_factory=set)

    def ticket(self) -> str:
        """Return a new one-time token; the one before it is void."""
        self._ticket = secrets.token_urlsafe(24)
        return self._ticket

    def redeem(self, token: str) -> str | None:
        """Exchange the one-time token for a session key, once."""
        if self._ticket is None or not hmac.compare_digest(token, self._ticket):
            return None
        self._ticket = None
        key = secrets.token_urlsafe(32)
        self._keys.add(key)
        return key

    def knows(self, key: str) -> bool:
        """Tell whether a session key was given out here."""
        return any(hmac.compare_digest(key, known) for known in self._keys)

    def host_allowed(self, host: str) -> bool:
        """Check a `Host` header value."""
        name, port = _split_host(host)
        return name in self.hosts and (self.port is None or port in (None, self.port))

    def origin_allowed(self, origin: str, host: str) -> bool:
        """Check that an `Origin` or `Referer` is this very host."""
        parts = urlsplit(origin)
        return parts.scheme in ("http", "https") and parts.netloc.lower() == host.lower()


def _split_host(host: str) -> tuple[str, int | None]:
    text = host.strip().lower()
    if text.startswith("["):
        name, _, rest = text.partition("]")
        name, rest = name + "]", rest.removeprefix(":")
    else:
        name, _, rest = text.partition(":")
    if rest and not rest.isdigit():
        return "", None
    return name, int(rest) if rest else None


class Gate:
    """ASGI middleware: refuses what the door does not let in, adds the headers."""

    def __init__(self, app: Application, door: Door) -> None:
        self.app = app
        self.door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request."""
        if scope["type"] != "http":
            if scope["type"] == "websocket":  # none is offered
                await send({"type": "websocket.close", "code": 1008})
                return
            await self.app(scope, receive, send)
            return
        headers = _headers(scope)
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _answer(send, *refusal)
            return
        await self.app(scope, receive, self._with_headers(send))

    def _refusal(
        self, scope: Scope, headers: dict[str, str]
    ) -> tuple[int, str, Iterable[tuple[str, str]]] | None:
        host = headers.get("host", "")
        if not self.door.host_allowed(host):
            return 421, "This address is not one that the bench answers to.", ()
        if scope["method"] not in _SAFE:
            origin = headers.get("origin") or headers.get("referer") or ""
            if not self.door.origin_allowed(origin, host):
                return 403, "The request comes from another page; nothing was changed.", ()
        if self.door.shared and not self._entered(scope, headers):
            return self._greet(scope)
        return None

    def _entered(self, scope: Scope, headers: dict[str, str]) -> bool:
        client = scope.get("client")
        cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        if cookie is not None and self.door.knows(cookie.value):
            return True
        # The bench's own machine needs no token, unless a proxy stands between.
        local = client is not None and client[0] in ("127.0.0.1", "::1")
        return local and "x-forwarded-for" not in headers and "forwarded" not in headers

    def _greet(self, scope: Scope) -> tuple[int, str, Iterable[tuple[str, str]]]:
        query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
        key = self.door.redeem(query.get("key", [""])[0])
        if key is None:
            return 403, "This bench is shared by a one-time link; ask for a new one.", ()
        cookie = f"{COOKIE}={key}; Path=/; HttpOnly; SameSite=Strict"
        return 303, "", (("set-cookie", cookie), ("location", scope["path"]))

    @staticmethod
    def _with_headers(send: Send) -> Send:
        async def wrapped(message: Any) -> None:
            if message["type"] == "http.response.start":
                have = {k.lower() for k, _ in message["headers"]}
                extra = {**_HEADERS, "content-security-policy": POLICY}
                message["headers"] = [
                    *message["headers"],
                    *((k.encode(), v.encode()) for k, v in extra.items() if k.encode() not in have),
                ]
            await send(message)

        return wrapped


def _headers(scope: Scope) -> dict[str, str]:
    return {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}


async def _answer(send: Send, status: int, text: str, extra: Iterable[tuple[str, str]]) -> None:
    headers = [("content-type", "text/plain; charset=utf-8"), *_HEADERS.items(), *extra]
    headers.append(("content-security-policy", POLICY))
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [(k.encode(), v.encode("latin-1")) for k, v in headers],
        }
    )
    await send({"type": "http.response.body", "body": text.encode()})
