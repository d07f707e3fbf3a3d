"""Keeps a measuring run going behind the pages, and tells everybody who listens.

One run at a time per server; a click while it runs asks for another round. The browser
may be closed: the run goes on, and a page opened later hears the rest. All decoding
happens in worker processes (`seeworthy.engine.workers`), never in the server.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from seeworthy.ground.errors import SeeworthyError

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from seeworthy.bench.running import Event

_QUIET_SECONDS = 15.0  # s within which a dead line is noticed (a judgement)
_CLOSE_SECONDS = 10.0  # s that a server waits for its workers to end (a judgement)
_BACKLOG = 256  # messages: a reader that is further behind has gone (a judgement)


@dataclass(frozen=True, slots=True)
class KeptTold:
    """One message to the listeners: kind (``planned``, ``begun``, ``done``, ``skipped``,
    ``idle``, ``failed``) and plain JSON values.
    """

    kind: str
    data: dict[str, Any]


@dataclass
class Keeper:
    """Runs the bench in a thread of its own.

    Args:
        folder: Of the bench; the thread opens it for itself.
        executor: Makes the executor of a run (tests, clusters); local workers by default.
    """

    folder: Path
    executor: Callable[[], Executor] | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _thread: threading.Thread | None = None
    _only: tuple[str, ...] = ()
    _again: list[tuple[str, ...]] = field(default_factory=list)
    _closing: bool = False
    _listeners: set[tuple[asyncio.AbstractEventLoop, asyncio.Queue[KeptTold]]] = field(
        default_factory=set
    )
    _last: KeptTold = field(default_factory=lambda: KeptTold("idle", {}))

    @property
    def busy(self) -> bool:
        """True while a run is going on."""
        with self._lock:
            return self._thread is not None

    def holds(self, number: int) -> bool:
        """Tell whether a take is measured by the run that goes on, or by one that waits."""
        with self._lock:
            asked = [*self._again, *([self._only] if self._thread is not None else [])]
        return any(not only or str(number) in only for only in asked)

    @property
    def last(self) -> KeptTold:
        """The latest message, for a page that has just been opened."""
        return self._last

    def start(self, only: tuple[str, ...] = ()) -> bool:
        """Measure what is due; return False when a run goes on and this one is queued."""
        with self._lock:
            if self._thread is not None:
                self._again.append(only)
                return False
            self._only = only
            self._thread = threading.Thread(target=self._work, args=(only,), daemon=True)
            self._thread.start()
            return True

    def close(self) -> None:
        """End the run that goes on, and its workers; what is in hand is measured another time."""
        with self._lock:
            self._closing = True
            self._again.clear()
        self.wait(_CLOSE_SECONDS)

    def wait(self, timeout: float | None = None) -> None:
        """Wait until no run goes on (tests, shutdown)."""
        thread = self._thread
        if thread is not None:
            thread.join(timeout)

    def _work(self, only: tuple[str, ...]) -> None:
        from seeworthy.bench.running import RunStopped

        while True:
            try:
                self._run(only)
            except RunStopped:
                pass
            except SeeworthyError as error:
                self._tell(KeptTold("failed", {"message": error.message, "hint": error.hint}))
            except Exception as error:  # the server must outlive a faulty run
                self._tell(KeptTold("failed", {"message": f"The run failed: {error}", "hint": ""}))
            with self._lock:
                if not self._again:
                    self._thread = None
                    break
                only = self._only = self._again.pop(0)
        self._tell(KeptTold("idle", {}))

    def _run(self, only: tuple[str, ...]) -> None:
        from seeworthy.bench.running import run_bench
        from seeworthy.bench.store import open_bench

        with open_bench(self.folder) as bench:
            if self.executor is None:
                run_bench(bench, only=only, tell=self._heard, stop=self._stopping)
            else:
                with self.executor() as executor:
                    run_bench(
                        bench, only=only, executor=executor, tell=self._heard, stop=self._stopping
                    )

    def _stopping(self) -> bool:
        return self._closing

    def _heard(self, event: Event) -> None:
        self._tell(KeptTold(event.kind, asdict(event)))

    def _tell(self, message: KeptTold) -> None:
        self._last = message
        for loop, queue in tuple(self._listeners):
            loop.call_soon_threadsafe(_put, queue, message)

    async def listen(self) -> AsyncIterator[KeptTold | None]:
        """Yield messages as they come, and None now and then so that a dead line is noticed."""
        queue: asyncio.Queue[KeptTold] = asyncio.Queue(_BACKLOG)
        entry = (asyncio.get_running_loop(), queue)
        self._listeners.add(entry)
        try:
            yield self._last
            while True:
                try:
                    yield await asyncio.wait_for(queue.get(), _QUIET_SECONDS)
                except TimeoutError:
                    yield None
        finally:
            self._listeners.discard(entry)


def _put(queue: asyncio.Queue[KeptTold], message: KeptTold) -> None:
    # A listener that does not read loses old messages, not the server its memory.
    if queue.full():
        queue.get_nowait()
    queue.put_nowait(message)
