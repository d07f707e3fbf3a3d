"""``run``: measure what is new or out of date, and nothing else."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from seeworthy.bench import leases
from seeworthy.bench.lookup import camera_or_none
from seeworthy.bench.models import TakeRow
from seeworthy.bench.outcomes import keep_pictures, store_answer
from seeworthy.bench.records import Trouble
from seeworthy.bench.sound_evidence import evidence_troubles
from seeworthy.bench.state import TAKE_PARTS, inputs_key, is_due, task_of, version_now
from seeworthy.bench.store import Bench
from seeworthy.bench.takes import find_take
from seeworthy.engine.jobs import Answer, Job, Task, group
from seeworthy.engine.run import run_jobs
from seeworthy.engine.workers import MEMORY_LIMIT, TIME_LIMIT, LocalWorkers
from seeworthy.ground.errors import BenchError, NotFound, SeeworthyError
from seeworthy.procedures import all_procedures
from seeworthy.procedures.declare import OECF

SHOWN = 1.0
"""Seconds after which somebody who looks on hears how far it is; a judgement."""

EventKind = Literal["planned", "begun", "going", "done", "skipped"]


@dataclass(frozen=True, slots=True)
class Event:
    """Something happened in a run.

    Attributes:
        kind: ``planned`` (`total` says how much there is), ``begun``, ``going`` (`share` says
            how far), ``done`` or ``skipped`` (another run has it, or it was removed).
        take: 0 for ``planned``.
        state: Of the take, when it is done.
        message: Why there is no figure.
        done, total: Takes.
        share: Of this take, 0 to 1.
    """

    kind: EventKind
    take: int = 0
    procedure: str = ""
    camera: str = ""
    state: str = ""
    message: str = ""
    done: int = 0
    total: int = 0
    share: float = 0.0


@dataclass(frozen=True, slots=True)
class RunReport:
    """What a run did.

    Attributes:
        run_id: 0 when there was nothing to do.
        done: One per take, in the order they came.
        unknown: Takes whose procedure is not installed.
        troubles: Files that are missing or have another size than when they were entered.
    """

    run_id: int = 0
    done: tuple[Event, ...] = ()
    skipped: tuple[Event, ...] = ()
    unknown: tuple[int, ...] = ()
    troubles: tuple[Trouble, ...] = ()

    def count(self, state: str) -> int:
        """Return how many takes ended in a state."""
        return sum(event.state == state for event in self.done)


@dataclass(frozen=True)
class _Due:
    """A take that has to be measured: what with, and under which digest it is stored."""

    task: Task
    camera: str
    key: str
    version: int


def due_takes(bench: Bench, only: Sequence[str] = ()) -> list[int]:
    """Return the numbers of the takes that a run would measure."""
    with bench.reading() as session:
        return [row.id for row in _chosen(session, only) if is_due(row)]


def run_bench(
    bench: Bench,
    *,
    only: Sequence[str] = (),
    executor: Executor | None = None,
    workers: int | None = None,
    time_limit: float | None = TIME_LIMIT,
    memory_limit: int | None = MEMORY_LIMIT,
    tell: Callable[[Event], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> RunReport:
    """Measure every take that is new or out of date.

    Every take's outcome is stored in one transaction as soon as it is there, so
    that a run which is stopped or killed loses at most what was in the workers'
    hands; the next run goes on from there. Several runs may work on one bench.

    Args:
        only: Numbers of takes, ids of procedures or names of cameras; none means all.
        executor: Any of the shape of `concurrent.futures`; it is not shut down. By default worker
            processes of this machine.
        workers: How many jobs at a time.
        time_limit: Seconds for one job, local workers only.
        memory_limit: Bytes for one worker, local workers only.
        tell: Called with every `Event`, in this thread.
        stop: Asked several times a second; True ends the run, and own workers at once.

    Raises:
        RunStopped: `stop` said so; what is stored stays.
        BenchReadOnly, NoSpace, BenchBusy: The bench cannot take the outcomes; what is stored stays.
        NotFound: `only` names nothing that is there.
    """
    run = _Run(bench, tell, stop)
    run.plan(only)
    if not run.due:
        return run.report()
    with ExitStack() as stack:
        stack.callback(run.end)
        run.begin()
        if executor is None:
            executor = stack.enter_context(
                LocalWorkers(
                    min(workers or 1_000, len(run.due)) if workers else None,
                    time_limit=time_limit,
                    memory_limit=memory_limit,
                )
            )
        at_once = workers or getattr(executor, "workers", None) or 8
        shares: Callable[[], dict[str, float]] = getattr(executor, "shares", dict)
        while run.jobs:
            for answer in run_jobs(
                run.handed_out(), executor, at_once=at_once,
                beat=lambda: run.beat(shares()), period=min(SHOWN, leases.BEAT / 2),
            ):  # fmt: skip
                run.store(answer)
            # Tone curves come first: what is made linear by them is due after them.
            run.plan_rest(only)
    return run.report()


class RunStopped(Exception):
    """Whoever asked for a run wants no more of it."""


class _Run:
    """One run: what is due, what is in hand, what came of it."""

    def __init__(
        self,
        bench: Bench,
        tell: Callable[[Event], None] | None,
        stop: Callable[[], bool] | None = None,
    ) -> None:
        self._stop = stop or (lambda: False)
        bench.require_writable()
        self.bench = bench
        self.run_id = 0
        self.due: dict[str, _Due] = {}
        self.jobs: list[Job] = []
        self.done: list[Event] = []
        self.skipped: list[Event] = []
        self.unknown: list[int] = []
        self.troubles: list[Trouble] = []
        self._tell = tell or (lambda event: None)
        self._last_beat = 0.0
        self._curves_first = False
        self._going: dict[str, float] = {}

    def plan(self, only: Sequence[str]) -> None:
        """Find out what is due, and which takes share a clip."""
        with self.bench.reading() as session:
            rows = _chosen(session, only)
            chosen = [row.id for row in rows] if only else None
            self.unknown = [row.id for row in rows if version_now(row.procedure) is None]
            for row in rows:
                if is_due(row):
                    due = _due(self.bench, row)
                    self.due[due.task.key] = due
        self.troubles = evidence_troubles(self.bench, takes=chosen, deep=False)
        first = [d.task for d in self.due.values() if d.task.procedure == OECF]
        self.jobs = group(first or [due.task for due in self.due.values()])
        self._curves_first = bool(first)
        self._tell(Event("planned", total=len(self.due)))

    def plan_rest(self, only: Sequence[str]) -> None:
        """Find out what is due after the tone curves, those takes too that became stale by them."""
        self.jobs = []
        if not self._curves_first:
            return
        self._curves_first = False
        tried = {event.take for event in (*self.done, *self.skipped)}
        with self.bench.reading() as session:
            rows = [r for r in _chosen(session, only) if r.id not in tried and is_due(r)]
            rest = [_due(self.bench, row) for row in rows]
        before = len(self.due)
        self.due.update({due.task.key: due for due in rest})
        self.jobs = group([due.task for due in rest])
        if len(self.due) != before:
            self._tell(Event("planned", total=len(self.due)))

    def begin(self) -> None:
        """Enter the run, and free what dead runs held."""
        with self.bench.changing() as session:
            leases.release_dead(session)
            self.run_id = leases.begin_run(session)
        self._last_beat = time.monotonic()

    def end(self) -> None:
        """Leave no lease behind, also when the run was stopped."""
        if self.run_id:
            # What stopped the run (a full disk) may stop this too; leases run out.
            with suppress(BenchError), self.bench.changing() as session:
                leases.end_run(session, self.run_id)

    def handed_out(self) -> Iterator[Job]:
        """Yield jobs as workers ask for them, each take leased just before."""
        for job in self.jobs:
            with self.bench.changing() as session:
                mine = [self._lease(session, task) for task in job.tasks]
            tasks = tuple(task for task in mine if task is not None)
            for task in tasks:
                self._going[task.key] = 0.0
                self._say("begun", task.key)
            if tasks:
                yield Job(tasks)

    def _lease(self, session: Session, task: Task) -> Task | None:
        """Take one take in hand, as it is now; None when there is nothing to do for us."""
        row = session.get(TakeRow, int(task.key))
        if row is None or not is_due(row):
            self._skip(task.key, "already done or removed")
            return None
        if not leases.lease(session, self.run_id, row.id):
            self._skip(task.key, "another run has it in hand")
            return None
        self.due[task.key] = _due(self.bench, row)
        return self.due[task.key].task

    def beat(self, shares: Mapping[str, float]) -> None:
        """Keep the leases, now and then, and tell how far the takes in hand are."""
        if self._stop():
            raise RunStopped
        for key in self._going.keys() & shares.keys():
            if shares[key] > self._going[key]:
                self._going[key] = shares[key]
                self._say("going", key)
        if time.monotonic() - self._last_beat >= leases.BEAT:
            self._last_beat = time.monotonic()
            with self.bench.changing() as session:
                leases.keep_leases(session, self.run_id)

    def store(self, answer: Answer) -> None:
        """Store one answer whole, and give its take back."""
        due = self.due[answer.key]
        pictures = keep_pictures(self.bench, answer.answer)
        with self.bench.changing() as session:
            held = leases.give_back(session, self.run_id, int(answer.key))
            row = session.get(TakeRow, int(answer.key))
            if row is None or not held:
                state = ""
            else:
                state = store_answer(
                    self.bench,
                    session,
                    row,
                    answer.answer,
                    pictures,
                    key=due.key,
                    version=due.version,
                    run_id=self.run_id,
                    seconds=answer.seconds,
                )
        if not state:
            self._skip(answer.key, "removed or taken over meanwhile")
            return
        message = answer.answer.message if isinstance(answer.answer, SeeworthyError) else ""
        self._say("done", answer.key, state, message)

    def report(self) -> RunReport:
        """Return what was done."""
        return RunReport(
            self.run_id,
            tuple(self.done),
            tuple(self.skipped),
            tuple(self.unknown),
            tuple(self.troubles),
        )

    def _skip(self, key: str, message: str) -> None:
        self._say("skipped", key, message=message)

    def _say(self, kind: EventKind, key: str, state: str = "", message: str = "") -> None:
        due = self.due[key]
        ended = kind in ("done", "skipped")
        share = self._going.pop(key, 0.0) if ended else self._going.get(key, 0.0)
        count = len(self.done) + len(self.skipped) + ended
        event = Event(
            kind,
            int(key),
            due.task.procedure,
            due.camera,
            state,
            message,
            count,
            len(self.due),
            share,
        )
        if kind == "done":
            self.done.append(event)
        elif kind == "skipped":
            self.skipped.append(event)
        self._tell(event)


def _due(bench: Bench, row: TakeRow) -> _Due:
    version = version_now(row.procedure)
    assert version is not None
    return _Due(task_of(bench, row), row.unit.camera.name, inputs_key(row, version), version)


def _chosen(session: Session, only: Sequence[str]) -> list[TakeRow]:
    """Return the takes that `only` names, in the order of entry.

    Raises:
        NotFound: A word that is no take, procedure or camera.
    """
    rows = list(session.scalars(select(TakeRow).options(*TAKE_PARTS).order_by(TakeRow.id)))
    if not only:
        return rows
    wanted: set[int] = set()
    for word in only:
        if word.isdecimal():
            wanted.add(find_take(session, int(word)).id)
        elif word in all_procedures():
            wanted.update(row.id for row in rows if row.procedure == word)
        elif (camera := camera_or_none(session, word)) is not None:
            wanted.update(row.id for row in rows if row.unit.camera_id == camera.id)
        else:
            raise NotFound(
                f"'{word}' is no take number, no procedure and no camera of this bench.",
                "`seeworthy take list` shows all three.",
            )
    return [row for row in rows if row.id in wanted]
