"""Connections that come too slowly are cut, so that nobody holds the server's places.

The web server itself waits for a request as long as it takes. Here, the head of a request
must be there within a time, and a body must come at a least pace.
"""

from __future__ import annotations

import asyncio
import time
from typing import Any

from seeworthy.web.trust import Receive

HEAD_SECONDS = 20.0
"""A judgement: a phone at the edge of its network sends a head within a second or two."""
QUIET_SECONDS = 30.0
"""Longest pause inside a body; a judgement: several lost packets in a row are sent again."""
LEAST_PACE = 500.0
"""Bytes a second over a whole body after `GRACE_SECONDS`; slower than any network of today."""
GRACE_SECONDS = 60.0  # s before a pace is asked for: pauses of `QUIET_SECONDS` are over


class TooSlowError(Exception):
    """A body does not arrive."""


def paced(receive: Receive) -> Receive:
    """Return `receive` with limits of time for the body of one request.

    Raises (when called)
    --------------------
    TooSlowError
    """
    begun = time.monotonic()
    count = 0
    done = False

    async def waited() -> Any:
        nonlocal count, done
        if done:  # what comes now is the end of the connection, which may take hours
            return await receive()
        try:
            message = await asyncio.wait_for(receive(), QUIET_SECONDS)
        except TimeoutError:
            raise TooSlowError from None
        count += len(message.get("body", b""))
        done = message["type"] != "http.request" or not message.get("more_body", False)
        taken = time.monotonic() - begun
        if not done and taken > GRACE_SECONDS and count < LEAST_PACE * taken:
            raise TooSlowError
        return message

    return waited


def patient_protocol() -> type[asyncio.Protocol]:
    """Return the server's protocol with a limit of time for the head of a request."""
    from uvicorn.protocols.http.auto import AutoHTTPProtocol

    class Patient(AutoHTTPProtocol):  # type: ignore[misc, valid-type]
        """Closes a connection that has begun a request and does not finish its head."""

        _timer: Any = None

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            self._watch()

        def data_received(self, data: bytes) -> None:
            super().data_received(data)
            self._watch()

        def connection_lost(self, exc: Exception | None) -> None:
            self._calm()
            super().connection_lost(exc)

        def _awaits_head(self) -> bool:
            return self.cycle is None or self.cycle.response_complete

        def _watch(self) -> None:
            """Begin to count where a head is awaited; single bytes do not begin it anew."""
            if not self._awaits_head():
                self._calm()
            elif self._timer is None:
                self._timer = self.loop.call_later(HEAD_SECONDS, self._cut)

        def _calm(self) -> None:
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None

        def _cut(self) -> None:
            self._timer = None
            if self._awaits_head() and not self.transport.is_closing():
                self.transport.close()

    return Patient
