"""Run jobs on any executor and hand back answers as they come.

An executor is anything in the shape of `concurrent.futures.Executor`: the local
workers of `seeworthy.engine.workers`, or those of `seeworthy.engine.cluster` when the
bench has outgrown one machine.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    wait,
)

from seeworthy.engine.jobs import Answer, Job, perform
from seeworthy.engine.workers import MEMORY_EXIT
from seeworthy.ground.errors import WorkerLost

Futures = dict[Future[list[Answer]], Job]


def run_jobs(
    jobs: Iterator[Job],
    executor: Executor,
    *,
    at_once: int,
    beat: Callable[[], None] | None = None,
    period: float = 5.0,
) -> Iterator[Answer]:
    """Run jobs and yield every task's answer as it comes.

    Args:
        jobs: Asked for one more only when a worker is about to be free, so that several engines can
            share one list of work.
        at_once: Jobs in the executor's hands at a time.
        beat: Called at least every `period` seconds while jobs run.

    Yields:
        A job whose worker is lost is given out again, one task at a time, so that
        only the task which costs the worker is answered with `WorkerLost`.
    """
    running: Futures = {}
    again: list[Job] = []
    more = True
    try:
        while True:
            while more and len(running) < at_once:
                job = again.pop() if again else next(jobs, None)
                if job is None:
                    more = False
                else:
                    running[_submit(executor, job)] = job
            if not running:
                return
            done, _ = wait(running, timeout=period, return_when=FIRST_COMPLETED)
            if beat is not None:
                beat()
            for future in done:
                job = running.pop(future)
                loss = _loss(future)
                if loss is None:
                    yield from future.result()
                elif len(job.tasks) > 1:
                    again.extend(Job((task,)) for task in reversed(job.tasks))
                    more = True
                else:
                    yield Answer(job.tasks[0].key, loss)
    finally:
        for future in running:
            future.cancel()


def _submit(executor: Executor, job: Job) -> Future[list[Answer]]:
    """Hand a job to the executor; one that is broken loses it instead of ending the run."""
    try:
        return executor.submit(perform, job)
    except BrokenExecutor as error:
        lost: Future[list[Answer]] = Future()
        lost.set_exception(error)
        return lost


def _loss(future: Future[list[Answer]]) -> WorkerLost | None:
    """Say how the worker was lost, or None when it answered.

    `perform` answers for every error of a measurement, so whatever is raised
    here tells of the worker and not of the take.
    """
    try:
        error = future.exception()
    except CancelledError as cancelled:
        error = cancelled
    if error is None:
        return None
    if isinstance(error, WorkerLost):
        return error
    if isinstance(error, TimeoutError):
        return WorkerLost(
            "The measurement took longer than its time limit and was stopped.",
            "Run again with a larger --time-limit, or cut the clip.",
        )
    code = getattr(error, "exitcode", None)
    if code == MEMORY_EXIT:
        return WorkerLost(
            "The measurement needed more memory than its limit and was stopped.",
            "Run again with a larger --memory-limit, or cut the clip.",
        )
    how = f"exit code {code}" if code is not None else type(error).__name__
    return WorkerLost(
        f"The worker process died while measuring ({how}).",
        "Run again; if it dies again, the clip may be damaged: copy it anew from the card.",
    )
