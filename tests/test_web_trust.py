"""Who is let in: Host and Origin checks, the one-time token, headers."""

from __future__ import annotations

import asyncio

import pytest

from seeworthy.web.app import create_app
from seeworthy.web.trust import (
    COOKIE,
    SESSION_SECONDS,
    TICKET_SECONDS,
    Door,
    TrustGate,
    comes_from_here,
    guest_may,
)


async def page(scope, receive, send):
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"bench"})


def ask(
    door, *, method="GET", host="127.0.0.1:8000", path="/", query="", client="127.0.0.1", **headers
):
    sent = []

    async def send(message):
        sent.append(message)

    named = {"host": host, **{k.replace("_", "-"): v for k, v in headers.items()}}
    scope = {
        "type": "http",
        "method": method,
        "path": path,
        "query_string": query.encode(),
        "client": (client, 5555),
        "headers": [(k.encode(), v.encode()) for k, v in named.items()],
    }
    asyncio.run(TrustGate(page, door)(scope, None, send))
    found = {k.decode(): v.decode() for k, v in sent[0]["headers"]}
    return sent[0]["status"], found, sent[1]["body"].decode()


@pytest.mark.parametrize("host", ["127.0.0.1:8000", "localhost:8000", "[::1]:8000", "LOCALHOST"])
def test_own_names_are_let_in(host):
    assert ask(Door(port=8000), host=host)[0] == 200


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "127.0.0.1.evil.example:8000",
        "localhost:9999",
        "",
        "127.0.0.1:80:8000",
        "[::1",
        "127.0.0.1.",
        "localhost:8000@evil.example",
        "2130706433:8000",
    ],
)
def test_a_name_that_was_made_to_point_here_is_not(host):
    assert ask(Door(port=8000), host=host)[0] == 421


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"origin": "http://127.0.0.1:8000"}, 200),
        ({"referer": "http://127.0.0.1:8000/cameras"}, 200),
        ({"origin": "http://evil.example"}, 403),
        ({"origin": "null"}, 403),
        ({"origin": "http://127.0.0.1:9999"}, 403),
        ({"origin": "http://evil.example", "referer": "http://127.0.0.1:8000/"}, 403),
        ({}, 403),
    ],
)
def test_only_our_own_pages_may_change_something(headers, status):
    assert ask(Door(port=8000), method="POST", **headers)[0] == status


def test_every_answer_forbids_what_is_not_ours():
    _, headers, _ = ask(Door())
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe-inline" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert "frame-ancestors 'none'" in policy


def shared():
    return Door(frozenset({"192.0.2.7"}), None, shared=True)


def test_a_shared_bench_needs_the_token_once():
    door = shared()
    assert ask(door, host="192.0.2.7", client="192.0.2.9")[0] == 403
    token = door.ticket()
    status, headers, _ = ask(
        door, host="192.0.2.7", client="192.0.2.9", path="/cameras", query=f"key={token}"
    )
    assert status == 303
    assert headers["location"] == "/cameras"
    cookie = headers["set-cookie"].split(";")[0]
    assert "HttpOnly" in headers["set-cookie"]
    assert "SameSite=Strict" in headers["set-cookie"]
    assert ask(door, host="192.0.2.7", client="192.0.2.9", cookie=cookie)[0] == 200
    # A second visitor with the same link is refused.
    again = ask(door, host="192.0.2.7", client="192.0.2.9", query=f"key={token}")
    assert again[0] == 403


def test_a_guessed_key_is_refused():
    door = shared()
    door.ticket()
    assert ask(door, host="192.0.2.7", client="192.0.2.9", query="key=guess")[0] == 403
    assert ask(door, host="192.0.2.7", client="192.0.2.9", cookie=f"{COOKIE}=x")[0] == 403


def test_a_proxy_does_not_make_a_stranger_local():
    door = shared()
    assert ask(door, host="192.0.2.7", client="127.0.0.1")[0] == 200
    forwarded = ask(door, host="192.0.2.7", client="127.0.0.1", x_forwarded_for="192.0.2.9")
    assert forwarded[0] == 403


@pytest.mark.parametrize(
    "header",
    ["x-real-ip", "via", "forwarded", "x-forwarded-host", "cf-connecting-ip", "true-client-ip"],
)
def test_no_proxy_header_makes_anybody_local(header):
    assert ask(shared(), host="192.0.2.7", client="127.0.0.1", **{header: "127.0.0.1"})[0] == 403
    assert not comes_from_here("127.0.0.1", ["host", header])


@pytest.mark.parametrize("query", ["key=%C3%A9", "key=é", "key=%FF", "key=" + "a" * 5000, "key"])
def test_any_key_is_compared_and_refused(query):
    door = shared()
    door.ticket()
    where = {"host": "192.0.2.7", "client": "192.0.2.9"}
    assert ask(door, **where, query=query)[0] == 403
    assert ask(door, **where, cookie=f"{COOKIE}=é")[0] == 403
    assert ask(door, **where, cookie='a="')[0] == 403


def test_an_origin_that_is_no_address_is_refused():
    assert ask(Door(port=8000), method="POST", origin="http://[")[0] == 403
    assert ask(Door(port=8000), host="127.0.0.1:8000²")[0] == 421


def test_a_chat_that_looks_at_the_link_does_not_spend_it():
    door = shared()
    token = door.ticket()
    where = {"host": "192.0.2.7", "client": "192.0.2.9", "query": f"key={token}"}
    assert ask(door, **where, method="HEAD")[0] == 403
    assert ask(door, **where)[0] == 303


def test_head_answers_like_get_without_a_body():
    assert ask(Door(), method="HEAD") == (200, *ask(Door())[1:2], "")
    assert ask(Door(), method="HEAD", path="/events")[0] == 200


def guest(door):
    cookie = f"{COOKIE}={door.redeem(door.ticket(), 'phone')}"
    return {"host": "192.0.2.7", "client": "192.0.2.9", "cookie": cookie}


OURS = {"origin": "http://192.0.2.7"}


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/", 200),
        ("GET", "/takes/3", 200),
        ("GET", "/reports/1", 200),
        ("POST", "/takes", 200),
        ("POST", "/uploads", 200),
        ("PATCH", "/uploads/abc", 200),
        ("POST", "/api/takes", 200),
        ("POST", "/demo", 403),
        ("POST", "/bench", 403),
        ("POST", "/backup", 403),
        ("POST", "/restore", 403),
        ("POST", "/run", 403),
        ("POST", "/settings", 403),
        ("POST", "/cameras", 403),
        ("POST", "/cameras/1", 403),
        ("POST", "/cameras/1/remove", 403),
        ("POST", "/cameras/1/claims", 403),
        ("POST", "/cameras/1/listing", 403),
        ("POST", "/takes/3", 403),
        ("POST", "/takes/3/remove", 403),
        ("DELETE", "/api/takes/3", 403),
        ("PATCH", "/api/takes/3", 403),
        ("PUT", "/api/cameras/a/claims/mass", 403),
        ("POST", "/import", 403),
        ("GET", "/import", 403),
        ("GET", "/settings", 403),
        ("GET", "/reports/data.zip", 403),
        ("POST", "/settings/guests/1/end", 403),
    ],
)
def test_a_guest_looks_and_enters_takes_and_nothing_else(method, path, status):
    door = shared()
    assert ask(door, method=method, path=path, **guest(door), **OURS)[0] == status
    # The owner may let guests do more.
    open_door = Door(frozenset({"192.0.2.7"}), None, shared=True, guests_may_change=True)
    assert ask(open_door, method=method, path=path, **guest(open_door), **OURS)[0] == 200


def test_every_way_to_change_something_is_decided_about():
    """A new route that changes something is closed to guests until it is listed here."""
    from fastapi.routing import APIRoute

    from seeworthy.web.api import router as api
    from seeworthy.web.pages import ROUTERS

    open_ones = {
        f"{method} {route.path}"
        for router in (api, *ROUTERS)
        for route in router.routes
        if isinstance(route, APIRoute)
        for method in route.methods - {"GET", "HEAD"}
        if guest_may(method, route.path.replace("{ticket}", "T").replace("{name}", "readout"))
    }
    assert open_ones == {
        "POST /takes", "POST /api/takes", "POST /uploads", "PATCH /uploads/{ticket}",
        "DELETE /uploads/{ticket}", "POST /api/plan", "POST /procedures/{name}/consequence",
    }  # fmt: skip


def test_a_session_ends_with_its_time_or_by_the_owner():
    clock = [1000.0]
    door = Door(frozenset({"192.0.2.7"}), None, shared=True, now=lambda: clock[0])
    first, second = guest(door), guest(door)
    assert [g.number for g in door.guests()] == [1, 2]
    assert door.revoke(1)
    assert not door.revoke(1)
    assert ask(door, **first)[0] == 403
    assert ask(door, **second)[0] == 200
    assert door.guests()[0].seen == 1000.0
    clock[0] += SESSION_SECONDS
    assert ask(door, **second)[0] == 403
    assert door.guests() == ()
    token = door.ticket()
    clock[0] += TICKET_SECONDS
    assert door.redeem(token) is None


def test_websockets_are_closed():
    sent = []

    async def send(message):
        sent.append(message)

    asyncio.run(TrustGate(page, Door())({"type": "websocket", "headers": []}, None, send))
    assert sent[0]["type"] == "websocket.close"


def test_who_breaks_off_in_a_form_gets_no_answer_and_leaves_no_traceback(empty_bench):
    sent = []

    async def receive():
        return {"type": "http.disconnect"}

    async def send(message):
        sent.append(message)

    scope = {
        "type": "http", "method": "POST", "path": "/cameras", "query_string": b"",
        "raw_path": b"/cameras", "client": ("127.0.0.1", 5555), "http_version": "1.1",
        "headers": [(b"host", b"127.0.0.1"), (b"origin", b"http://127.0.0.1"),
                    (b"content-type", b"multipart/form-data; boundary=x"),
                    (b"content-length", b"90")],
    }  # fmt: skip
    asyncio.run(create_app(empty_bench.folder)(scope, receive, send))
    assert sent == []
