"""Who is let in: Host and Origin checks, the one-time token, headers."""

from __future__ import annotations

import asyncio

import pytest

from seeworthy.web.trust import COOKIE, Door, Gate


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
    asyncio.run(Gate(page, door)(scope, None, send))
    found = {k.decode(): v.decode() for k, v in sent[0]["headers"]}
    return sent[0]["status"], found, sent[1]["body"].decode()


@pytest.mark.parametrize("host", ["127.0.0.1:8000", "localhost:8000", "[::1]:8000", "LOCALHOST"])
def test_own_names_are_let_in(host):
    assert ask(Door(port=8000), host=host)[0] == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", "127.0.0.1.evil.example:8000", "localhost:9999", "", "127.0.0.1:80:8000"],
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


def test_websockets_are_closed():
    sent = []

    async def send(message):
        sent.append(message)

    asyncio.run(Gate(page, Door())({"type": "websocket", "headers": []}, None, send))
    assert sent[0]["type"] == "websocket.close"
