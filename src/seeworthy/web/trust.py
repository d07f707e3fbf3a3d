"""Whom the pages answer: loopback only, or a shared session with a one-time token.

Three attacks are met here. A page of another site must not post to the bench (CSRF): unsafe methods
need an `Origin` (or `Referer`) that is ours. A name server must not make another name point here
(DNS rebinding): the `Host` must be one that we listen as. A neighbour on the network must not read
along: with ``--share`` every request needs a cookie that only the one-time link gives.
"""

from __future__ import annotations

import hmac
import re
import secrets
import time
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field, replace
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, quote, urlsplit

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


@dataclass(frozen=True, slots=True)
class Guest:
    """One session of another machine.

    Attributes:
        number: By which it is revoked; the key itself is never shown.
        who: Address and what the browser calls itself.
        begun, ends: Seconds since 1970.
        seen: Of its latest request; 0 before there is one.
    """

    number: int
    who: str
    begun: float
    ends: float
    seen: float = 0.0


SESSION_SECONDS = 12 * 3600.0
"""A judgement: a day of filming; the next day a new link is asked for."""
TICKET_SECONDS = 600.0
"""A judgement: long enough to point a phone at the code, too short to be found later."""

# A proxy says one of these; then the address of the connection is the proxy's, not the user's.
PROXY_HEADERS = frozenset({
    "forwarded", "via", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto",
    "x-forwarded-server", "x-forwarded-port", "x-real-ip", "x-client-ip", "x-cluster-client-ip",
    "true-client-ip", "cf-connecting-ip", "fastly-client-ip", "x-original-forwarded-for",
})  # fmt: skip

# What a guest may send: takes, the files for them, and what is computed and not kept.
_GUESTS_SEND = tuple(
    (method, re.compile(path))
    for method, path in (
        ("POST", r"/takes"),
        ("POST", r"/api/takes"),
        ("POST", r"/uploads"),
        ("PATCH", r"/uploads/[A-Za-z0-9_-]+"),
        ("DELETE", r"/uploads/[A-Za-z0-9_-]+"),
        ("POST", r"/api/plan"),
        ("POST", r"/procedures/[a-z-]+/consequence"),
    )
)
_GUESTS_NEVER_SEE = ("/settings", "/import", "/reports/data.zip")


def guest_may(method: str, path: str) -> bool:
    """Tell whether a guest may do this: look, enter takes, nothing else."""
    if method in _SAFE:
        return not any(path == p or path.startswith(p + "/") for p in _GUESTS_NEVER_SEE)
    return any(method == m and p.fullmatch(path) for m, p in _GUESTS_SEND)


def comes_from_here(client: str | None, headers: Iterable[str]) -> bool:
    """Tell whether a request comes from this very machine, with no proxy between.

    Args:
        client: Address of the other end.
        headers: Names of the request's headers, lower case.
    """
    return client in ("127.0.0.1", "::1", "testclient") and PROXY_HEADERS.isdisjoint(headers)


def _same(given: str, known: str) -> bool:
    # Bytes: compare_digest takes no text beyond ASCII, and a key may hold anything.
    return hmac.compare_digest(given.encode("utf-8", "surrogatepass"), known.encode())


@dataclass
class Door:
    """What is let in.

    Attributes:
        hosts: Allowed `Host` values without port, lower case.
        port: Port that we listen on; None accepts any (tests).
        shared: True when other machines may come in by token.
        guests_may_change: The owner lets guests do everything; otherwise they enter takes and look.
        now: The time, s (tests).
    """

    hosts: frozenset[str] = frozenset({"127.0.0.1", "localhost", "[::1]"})
    port: int | None = None
    shared: bool = False
    guests_may_change: bool = False
    now: Callable[[], float] = time.time
    _ticket: tuple[str, float] | None = None
    _guests: dict[str, Guest] = field(default_factory=dict)
    _count: int = 0

    def ticket(self) -> str:
        """Return a new one-time token; the one before it is void."""
        token = secrets.token_urlsafe(24)
        self._ticket = token, self.now() + TICKET_SECONDS
        return token

    def redeem(self, token: str, who: str = "") -> str | None:
        """Exchange the one-time token for a session key, once and in time."""
        if self._ticket is None or not _same(token, self._ticket[0]):
            return None
        good, self._ticket = self.now() < self._ticket[1], None
        if not good:
            return None
        key = secrets.token_urlsafe(32)
        self._count += 1
        begun = self.now()
        self._guests[key] = Guest(self._count, who[:120], begun, begun + SESSION_SECONDS)
        return key

    def knows(self, key: str) -> bool:
        """Tell whether a session key was given out here, has not ended and was not revoked."""
        self._forget()
        for known, guest in tuple(self._guests.items()):
            if _same(key, known):
                self._guests[known] = replace(guest, seen=self.now())
                return True
        return False

    def guests(self) -> tuple[Guest, ...]:
        """Return the sessions that are open, oldest first."""
        self._forget()
        return tuple(sorted(self._guests.values(), key=lambda g: g.number))

    def revoke(self, number: int) -> bool:
        """End a session at once; False where there is none of that number."""
        found = [k for k, g in self._guests.items() if g.number == number]
        for key in found:
            self._guests.pop(key, None)
        return bool(found)

    def _forget(self) -> None:
        for key in [k for k, g in self._guests.items() if g.ends <= self.now()]:
            self._guests.pop(key, None)

    def host_allowed(self, host: str) -> bool:
        """Check a `Host` header value."""
        name, port = _split_host(host)
        return name in self.hosts and (self.port is None or port in (None, self.port))

    def origin_allowed(self, origin: str, host: str) -> bool:
        """Check that an `Origin` or `Referer` is this very host."""
        try:
            parts = urlsplit(origin)
        except ValueError:  # 'http://[': no address at all
            return False
        return parts.scheme in ("http", "https") and parts.netloc.lower() == host.lower()


def _split_host(host: str) -> tuple[str, int | None]:
    text = host.strip().lower()
    if text.startswith("["):
        name, closing, rest = text.partition("]")
        name, rest = name + closing, rest.removeprefix(":")
    else:
        name, _, rest = text.partition(":")
    if rest and not (rest.isascii() and rest.isdigit() and len(rest) <= 5):
        return "", None
    return name, int(rest) if rest else None


class TrustGate:
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
        head = scope["method"] == "HEAD"
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _answer(_without_body(send) if head else send, *refusal)
            return
        send = self._with_headers(send)
        if head:
            if scope["path"] == "/events":  # never ends: there is nothing to say in advance
                await _answer(_without_body(send), 200, "", ())
                return
            scope, send = {**scope, "method": "GET"}, _without_body(send)
        await self.app(scope, receive, send)

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
        if not self.door.shared:
            return None
        client = scope.get("client")
        if comes_from_here(client[0] if client else None, headers):
            return None
        if not self._entered(headers):
            return self._greet(scope, headers)
        if not self.door.guests_may_change and not guest_may(scope["method"], scope["path"]):
            return 403, "Guests may look and enter takes; ask the owner of the bench.", ()
        return None

    def _entered(self, headers: dict[str, str]) -> bool:
        try:
            cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            return False
        return cookie is not None and self.door.knows(cookie.value)

    def _greet(
        self, scope: Scope, headers: dict[str, str]
    ) -> tuple[int, str, Iterable[tuple[str, str]]]:
        query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
        client = scope.get("client")
        who = f"{client[0] if client else '?'}, {_printable(headers.get('user-agent', ''))}"
        # A chat that looks at the link before it shows it asks with HEAD: that spends nothing.
        look_only = scope["method"] != "GET"
        key = None if look_only else self.door.redeem(query.get("key", [""])[0], who)
        if key is None:
            return 403, "This bench is shared by a one-time link; ask for a new one.", ()
        life = f"Max-Age={int(SESSION_SECONDS)}"
        cookie = f"{COOKIE}={key}; Path=/; {life}; HttpOnly; SameSite=Strict"
        return 303, "", (("set-cookie", cookie), ("location", quote(scope["path"]) or "/"))

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


def _without_body(send: Send) -> Send:
    """Send the head of an answer only, as HEAD asks (RFC 9110, 9.3.2)."""
    ended = False

    async def wrapped(message: Any) -> None:
        nonlocal ended
        if message["type"] == "http.response.start":
            await send(message)
        elif not ended:
            ended = True
            await send({"type": "http.response.body", "body": b""})

    return wrapped


def _printable(text: str) -> str:
    return "".join(c for c in text if c.isprintable())[:90]


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
