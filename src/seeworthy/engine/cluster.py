"""Workers on other machines, by a scheduler of `dask.distributed`.

The scheduler and its workers trust each other and whoever reaches them: a job is code. They
belong into a network that nobody else is in, or behind TLS (dask's own configuration).
"""

from __future__ import annotations

import asyncio
import hashlib
import os
import shutil
import signal
import socket
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import AsyncExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from seeworthy import __version__
from seeworthy.engine.jobs import FileSpec, Job
from seeworthy.ground.errors import UnreadableInput, WorkerLost, WrongCall

T = TypeVar("T")

SCHEME = "dask://"
_BENCH_AT = "SEEWORTHY_BENCH_AT"  # how a worker process is told where it sees the bench
_PATIENCE = 15  # s for the scheduler's first word; a local network answers in milliseconds
_SCHEDULER = "Start one with `dask scheduler` and name its host and port."
_LIBRARY = "pip install 'seeworthy[cluster]'"


def _distributed() -> Any:
    try:
        import distributed
    except ImportError:
        raise WrongCall("Work on other machines needs dask.distributed.", _LIBRARY) from None
    return distributed


def versions() -> str:
    """Return what must be the same here and at a worker: the program's and all tests' versions."""
    from seeworthy.procedures import all_procedures

    every = sorted((p.id, p.version) for p in all_procedures().values())
    return f"{__version__}-{hashlib.sha256(repr(every).encode()).hexdigest()[:8]}"


class ClusterWorkers(Executor):
    """The workers of a scheduler in the shape of `concurrent.futures.Executor`.

    A worker that is lost costs nothing: its job goes to another one, three times at most.

    Args:
        address: ``dask://HOST:PORT``.

    Raises:
        WrongCall: No such scheduler, or one without workers.
    """

    def __init__(self, address: str) -> None:
        place = address.removeprefix(SCHEME).rstrip("/")
        if not address.startswith(SCHEME):
            raise WrongCall(f"'{address}' is no executor.", f"Write {SCHEME}HOST:PORT.")
        distributed = _distributed()
        _reach(place)
        try:
            self._client = distributed.Client(
                f"tcp://{place}", timeout=_PATIENCE, set_as_default=False
            )
        except (OSError, TimeoutError) as error:
            raise WrongCall(
                f"What answers at {place} is no scheduler ({type(error).__name__}).", _SCHEDULER
            ) from None
        self.workers = sum(self._client.nthreads().values())
        if not self.workers:
            self._client.close()
            raise WrongCall(
                f"The scheduler at {place} has no workers.",
                f"Start one on each machine: `seeworthy worker {place}`.",
            )
        self._executor = self._client.get_executor(pure=False)
        self._versions = versions()

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Run a function at a worker of the same versions."""
        try:
            future: Future[T] = self._executor.submit(_there, self._versions, fn, *args, **kwargs)
        except Exception as error:  # the library has no common one for a scheduler that is gone
            raise BrokenExecutor(str(error)) from error
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Leave the scheduler; its workers stay."""
        self._client.close()


def _there(said: str, fn: Callable[..., T], *args: Any, **kwargs: Any) -> T:
    """Run a function at a worker; jobs find their files where the worker sees the bench."""
    if (mine := versions()) != said:
        raise WorkerLost(
            f"The worker on {socket.gethostname()} has other versions of the program or of its "
            f"tests ({mine}) than this bench ({said}).",
            "Install the same version there, add-ons too, and run again.",
        )
    with tempfile.TemporaryDirectory(prefix="seeworthy-") as folder:
        here = [_at_hand(a, Path(folder)) if isinstance(a, Job) else a for a in args]
        return fn(*here, **kwargs)


def _at_hand(job: Job, folder: Path) -> Job:
    """Return the job with paths that this machine can read."""
    tasks = []
    for task in job.tasks:
        files = {
            role: tuple(_found(spec, folder) for spec in specs)
            for role, specs in task.files.items()
        }
        tasks.append(replace(task, files=files))
    return Job(tuple(tasks))


def _found(spec: FileSpec, folder: Path) -> FileSpec:
    """Return where a file is here: at its own path, below the bench as seen here, or fetched."""
    place = os.environ.get(_BENCH_AT, "")
    parts = Path(spec.path).parts
    if not place or "evidence" not in parts or Path(spec.path).exists():
        return spec
    kept = parts[len(parts) - 1 - parts[::-1].index("evidence") :]
    if "://" not in place:
        return replace(spec, path=str(Path(place, *kept)))
    # The content is held against its SHA-256 before it is measured, as everywhere.
    target = folder / kept[-1]
    if not target.exists():
        import fsspec

        address = "/".join([place.rstrip("/"), *kept])
        try:
            with fsspec.open(address) as far, target.open("wb") as near:
                shutil.copyfileobj(far, near, 1 << 20)
        except Exception as error:  # each kind of address has errors of its own
            raise WorkerLost(
                f"The worker on {socket.gethostname()} cannot fetch {address}: "
                f"{type(error).__name__}.",
                "Start it again with the bench as seen from there in --bench-at.",
            ) from None
    return replace(spec, path=str(target))


def work_for(address: str, *, workers: int, memory_limit: int | None, bench: str) -> None:
    """Work for a scheduler until it ends or the user stops it.

    Args:
        address: HOST:PORT.
        workers: Processes, one job each.
        memory_limit: Bytes of one process; it is restarted beyond.
        bench: Where this machine sees the bench: a folder or an fsspec URL, "" for the same path.

    Raises:
        WrongCall: No scheduler answers.
        UnreadableInput: The bench cannot be seen.
    """
    if bench and "://" not in bench and not Path(bench).is_dir():
        raise UnreadableInput(f"There is no folder '{bench}'.", "Name the bench as seen from here.")
    distributed = _distributed()
    place = address.removeprefix(SCHEME).rstrip("/")
    _reach(place)

    async def serve(scratch: str) -> None:
        async with AsyncExitStack() as stack:
            nannies = [
                await stack.enter_async_context(
                    distributed.Nanny(
                        f"tcp://{place}",
                        nthreads=1,
                        memory_limit=memory_limit or 0,
                        local_directory=scratch,
                        env={_BENCH_AT: bench},
                    )
                )
                for _ in range(workers)
            ]
            await asyncio.gather(*(nanny.finished() for nanny in nannies))

    # A service is ended by SIGTERM; it shall leave as tidily as by Ctrl-C.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with tempfile.TemporaryDirectory(prefix="seeworthy-") as scratch:
        asyncio.run(serve(scratch))


def _reach(place: str) -> None:
    host, _, port = place.rpartition(":")
    if not host or not port.isdecimal():
        raise WrongCall(f"'{place}' is no address.", "Write HOST:PORT.")
    try:
        socket.create_connection((host.strip("[]"), int(port)), timeout=_PATIENCE).close()
    except (OSError, OverflowError) as error:
        raise WrongCall(f"No scheduler answers at {place}: {error}.", _SCHEDULER) from None


@contextmanager
def cluster(address: str | None) -> Iterator[Executor | None]:
    """Give the workers of a scheduler, or None for this machine's."""
    if address is None:
        yield None
        return
    with ClusterWorkers(address) as workers:
        yield workers
