"""The pages without a network, for the tests that ask them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

from fastapi.testclient import TestClient

from seeworthy.web.app import create_app
from seeworthy.web.trust import Door


def one_thread():
    """Return an executor that measures in this process."""
    return ThreadPoolExecutor(1)


def served(folder):
    """Yield a client of the pages over a bench; `client.site` is what they share."""
    door = Door(frozenset({"testserver"}))
    app = create_app(folder, door=door, executor=one_thread, peek_executor=one_thread)
    headers = {"origin": "http://testserver"}
    with TestClient(app, headers=headers, raise_server_exceptions=False) as client:
        client.site = app.state.site
        yield client
