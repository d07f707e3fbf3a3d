"""What the pages share while the server runs: the bench, the keeper, uploads, worker processes."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from seeworthy.bench.settings import Settings, read_settings
from seeworthy.bench.store import Bench, create_bench, is_bench, open_bench
from seeworthy.bench.summary import fingerprint
from seeworthy.ground.errors import NotFound, SeeworthyError, WorkerLost
from seeworthy.web.keeper import Keeper
from seeworthy.web.trust import Door
from seeworthy.web.uploads import Uploads
from seeworthy.web.workshop import FOLDER as WORK_FOLDER
from seeworthy.web.workshop import Workshop

T = TypeVar("T")
_REMEMBERED = 96  # answers of pages: some megabytes (a judgement)
PEEK_SECONDS = 30.0  # s for a look at one clip (a judgement)
PEEK_MEMORY = 1024**3  # bytes; a worker at work stays under 400 MB


@dataclass
class Site:
    """One server's state.

    Args:
        folder: Of the bench; it may not be one yet.
        door: Whom the pages answer.
        executor: Makes the executor of a run (tests); local workers by default.
        peek_executor: Makes the executor for frames and scans; limited worker processes by default.
    """

    folder: Path
    door: Door = field(default_factory=Door)
    executor: Callable[[], Executor] | None = None
    peek_executor: Callable[[], Executor] | None = None
    _bench: Bench | None = None
    _keeper: Keeper | None = None
    _peek: Executor | None = None
    _workshop: Workshop | None = None
    _long: Executor | None = None
    _lock: threading.RLock = field(default_factory=threading.RLock)
    _memory: OrderedDict[Hashable, Any] = field(default_factory=OrderedDict)
    _making: dict[Hashable, threading.Thread] = field(default_factory=dict)
    demo: DemoState | None = None
    purpose: str = ""  # the one that was looked at last

    @property
    def has_bench(self) -> bool:
        """True when the folder holds a bench."""
        return self._bench is not None or is_bench(self.folder)

    @property
    def bench(self) -> Bench:
        """The open bench.

        Raises:
            NotFound: The folder holds none yet.
        """
        with self._lock:
            if self._bench is None:
                if not is_bench(self.folder):
                    raise NotFound("There is no bench here yet.", "Begin one on the first page.")
                self._bench = open_bench(self.folder)
            return self._bench

    @property
    def keeper(self) -> Keeper:
        """What keeps measuring runs going."""
        with self._lock:
            if self._keeper is None:
                self._keeper = Keeper(self.folder, self.executor)
            return self._keeper

    @property
    def uploads(self) -> Uploads:
        """The uploads of this bench."""
        return Uploads(self.folder)

    @property
    def workshop(self) -> Workshop:
        """Long work on clips of this bench."""
        with self._lock:
            if self._workshop is None:
                place = self.bench.exports_folder / WORK_FOLDER
                self._workshop = Workshop(place, self._long_pool)
            return self._workshop

    def begin(self) -> None:
        """Make an empty bench in the folder."""
        with self._lock:
            create_bench(self.folder).close()

    def move(self, folder: Path) -> None:
        """Serve another bench from now on (the demo, a restored one)."""
        with self._lock:
            if self._bench is not None:
                self._bench.close()
            self._bench, self._keeper, self.folder = None, None, folder
            self._workshop = None
            self._memory.clear()

    def settings(self) -> Settings:
        """Return how the user wants units, times and numbers."""
        if not self.has_bench:
            return Settings()
        return self.remember("settings", lambda: read_settings(self.bench))

    def remember(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return what `make` gives, from memory while the bench has not changed."""
        full = (self.folder, fingerprint(self.bench), key)
        with self._lock:
            if full in self._memory:
                self._memory.move_to_end(full)
                found: T = self._memory[full]
                return found
        made = make()
        with self._lock:
            self._memory[full] = made
            while len(self._memory) > _REMEMBERED:
                self._memory.popitem(last=False)
        return made

    def ready(self, key: Hashable, make: Callable[[], Any], patience: float) -> bool:
        """Tell whether `remember` answers at once; begin to make it in a thread where it does not.

        Args:
            patience: Seconds to wait for what is quick.
        """
        full = (self.folder, fingerprint(self.bench), key)
        with self._lock:
            if full in self._memory:
                return True
            thread = self._making.get(full)
            if thread is None:
                thread = threading.Thread(target=self._make, args=(full, key, make), daemon=True)
                self._making[full] = thread
                thread.start()
        thread.join(patience)
        return not thread.is_alive()

    def _make(self, full: Hashable, key: Hashable, make: Callable[[], Any]) -> None:
        try:
            self.remember(key, make)
        except Exception:
            return  # stays in the list, so that the page asks in the foreground and says why
        with self._lock:
            self._making.pop(full, None)

    def peek(self, function: Callable[..., T], *arguments: Any) -> T:
        """Run a function that opens media in a worker process with limits.

        Raises:
            SeeworthyError: What the function raised, or that its worker was lost.
        """
        future = self.peek_pool().submit(function, *arguments)
        try:
            return future.result()
        except SeeworthyError:
            raise
        except Exception as error:
            raise WorkerLost(
                f"The file could not be looked at within its limits ({type(error).__name__}).",
                "It may be damaged: copy it again from the card.",
            ) from None

    def peek_pool(self) -> Executor:
        """Return the worker processes that open media for a page."""
        with self._lock:
            if self._peek is None:
                if self.peek_executor is not None:
                    self._peek = self.peek_executor()
                else:
                    from seeworthy.engine.workers import LocalWorkers

                    self._peek = LocalWorkers(2, time_limit=PEEK_SECONDS, memory_limit=PEEK_MEMORY)
            return self._peek

    def _long_pool(self) -> Executor:
        """Return the worker process that mends clips, one at a time."""
        with self._lock:
            if self._long is None:
                if self.executor is not None:
                    self._long = self.executor()
                else:
                    from seeworthy.engine.workers import LocalWorkers

                    self._long = LocalWorkers(1)
            return self._long

    def close(self) -> None:
        """Let go of workers and the database."""
        if self._keeper is not None:
            self._keeper.close()
        with self._lock:
            if self._peek is not None:
                self._peek.shutdown(wait=False, cancel_futures=True)
                self._peek = None
            if self._long is not None:
                self._long.shutdown(wait=False, cancel_futures=True)
                self._long = None
            if self._bench is not None:
                self._bench.close()
                self._bench = None


@dataclass
class DemoState:
    """How far the demo is: words, and why it failed."""

    words: str = "Getting ready"
    done: int = 0
    total: int = 0
    failed: str = ""
    finished: bool = False
