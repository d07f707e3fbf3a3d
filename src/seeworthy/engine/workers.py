"""Worker processes on this machine, with a limit of time and of memory each.

Workers are started afresh (``spawn``), never forked: the decoder, OpenCV and BLAS
hold threads and locks that do not survive a fork.

Memory is watched, not fenced. ``RLIMIT_AS`` counts address space, of which every thread stack and
malloc arena reserves plenty without using it, so a limit that stops a runaway also stops honest
work; worse, a decoder whose allocation fails drops the frame and goes on, which would falsify the
measurement. So a thread in each worker reads the resident size of its own process a few times per
second and ends the process at once when it is past the limit.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, TypeVar

from seeworthy.engine.shares import tell_into, told
from seeworthy.ground.leftovers import scratch

T = TypeVar("T")

MEMORY_EXIT = 87
"""Exit code of a worker that ended itself for growing past its memory limit."""

TIME_LIMIT = 3600.0
"""Default limit of one job, s: ten times what a long clip takes."""

MEMORY_LIMIT = 2 * 1024**3
"""Default limit of one worker, bytes; a worker at work stays under 400 MB."""

_PERIOD = 0.05  # s between looks at the workers: a blink


def default_workers() -> int:
    """Return how many workers suit this machine: its usable cores, four at most."""
    try:
        cores = len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        cores = os.cpu_count() or 1
    return max(1, min(cores, 4))


def resident_bytes() -> int | None:
    """Return the memory that this process holds, bytes; its peak where that is all there is.

    None on systems that tell neither; there, no memory limit applies.
    """
    try:
        pages = int(Path("/proc/self/statm").read_bytes().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError):
        pass
    try:
        import resource
    except ImportError:
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024


def guard_worker(memory_limit: int | None, parent: int) -> None:
    """Start the thread that ends this worker when it is too big or orphaned.

    Args:
        memory_limit: Bytes resident.
        parent: Process id of the engine; a worker whose engine was killed must not go on.
    """

    def keep_watch() -> None:
        while True:
            time.sleep(_PERIOD)
            if os.getppid() != parent:
                os._exit(1)
            if memory_limit is not None and (resident_bytes() or 0) > memory_limit:
                os._exit(MEMORY_EXIT)

    threading.Thread(target=keep_watch, name="seeworthy-guard", daemon=True).start()


def _begin(memory_limit: int | None, parent: int, one_of_several: bool, shares: str) -> None:
    """Begin a worker: guarded, and with one thread for pictures where it is one of several."""
    if one_of_several:  # read when OpenCV is loaded: its threads would wait for the others' cores
        os.environ.setdefault("OPENCV_FOR_THREADS_NUM", "1")
    tell_into(shares)
    guard_worker(memory_limit, parent)


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Let what is started here inherit a blocked SIGINT.

    Ctrl-C goes to all processes of a terminal. The engine stops its workers itself; a worker
    that is hit while it starts would only print a traceback.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    old = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, old)


class LocalWorkers(Executor):
    """Worker processes in the shape of `concurrent.futures.Executor`.

    Args:
        workers: How many at a time.
        time_limit: Seconds for one job; a job that takes longer loses its worker.
        memory_limit: Bytes for one worker.
    """

    def __init__(
        self,
        workers: int | None = None,
        *,
        time_limit: float | None = TIME_LIMIT,
        memory_limit: int | None = MEMORY_LIMIT,
    ) -> None:
        from multiprocessing import get_context

        from pebble import ProcessPool

        self.workers = workers or default_workers()
        self._time_limit = time_limit
        self._told = ExitStack()
        self._shares = self._told.enter_context(scratch())
        self._pool = ProcessPool(
            max_workers=self.workers,
            context=get_context("spawn"),
            initializer=_begin,
            initargs=(memory_limit, os.getpid(), self.workers > 1, str(self._shares)),
        )

    def shares(self) -> dict[str, float]:
        """Return how far the tasks are that are in hand, by key, 0 to 1."""
        return told(self._shares)

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Run a function in a worker; the time limit counts from when it starts."""
        with _interrupts_held():
            future: Future[T] = self._pool.schedule(
                fn, args=args, kwargs=kwargs, timeout=self._time_limit
            )
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the workers; with `cancel_futures` at once, whatever they are doing."""
        if cancel_futures:
            self._pool.stop()  # type: ignore[no-untyped-call]
        else:
            self._pool.close()  # type: ignore[no-untyped-call]
        if wait or cancel_futures:
            self._pool.join()
            self._told.close()

    def __exit__(self, kind: Any, value: Any, trace: Any) -> None:
        self.shutdown(cancel_futures=kind is not None)
