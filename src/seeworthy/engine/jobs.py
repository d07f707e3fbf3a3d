"""What a worker gets and what it hands back: plain data that can be pickled.

A `Job` is one or more `Task` objects that share a clip; the worker decodes the clip once
for all of them. Files are named by path, so that any worker which sees the same
folder can do the job, on this machine or on a cluster.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from seeworthy.ground.errors import EvidenceChanged, SeeworthyError
from seeworthy.ground.results import Outcome

if TYPE_CHECKING:
    from seeworthy.engine.evaluate import Item


@dataclass(frozen=True, slots=True)
class FileSpec:
    """One input file, pinned by its content.

    Attributes:
        path: Where the worker reads it.
        name: What the user called it.
        sha256: Hex digest that the content must have; ``""`` leaves it unchecked.
    """

    path: str
    name: str
    sha256: str = ""


@dataclass(frozen=True)
class Task:
    """One procedure with everything it needs.

    Attributes:
        key: How the sender recognises the answer.
        procedure: Id of the procedure.
        files: mapping of role to tuple of FileSpec
        readings, options: mapping of name to tuple of str. As typed.
        curves: Name and data of tone curves that a bench has measured of this unit, to be tried
            in this order.
        no_curve: Why there is none, where the bench knows it.
    """

    key: str
    procedure: str
    files: Mapping[str, tuple[FileSpec, ...]] = field(default_factory=dict)
    readings: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    options: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    curves: tuple[tuple[str, Mapping[str, Any]], ...] = ()
    no_curve: str = ""

    def all_files(self) -> list[FileSpec]:
        """Return the files of every role."""
        return [spec for specs in self.files.values() for spec in specs]


@dataclass(frozen=True)
class Job:
    """What one worker does in one go."""

    tasks: tuple[Task, ...]


@dataclass(frozen=True)
class Answer:
    """What came of one task.

    Attributes:
        key: Of the task.
        seconds: Wall time of the whole job; its tasks share the decoding.
    """

    key: str
    answer: Outcome | SeeworthyError
    seconds: float = 0.0


def group(tasks: Sequence[Task]) -> list[Job]:
    """Put tasks that share a file into one job, so that the file is decoded once.

    Returns:
        In the order of their first task.
    """
    jobs: list[list[Task]] = []
    owner: dict[str, list[Task]] = {}
    for task in tasks:
        marks = [spec.sha256 or spec.path for spec in task.all_files()]
        mine = [task]
        for found in {id(owner[m]): owner[m] for m in marks if m in owner}.values():
            jobs.remove(found)
            mine = found + mine
        jobs.append(mine)
        for one in mine:
            for spec in one.all_files():
                owner[spec.sha256 or spec.path] = mine
    place = {task.key: number for number, task in enumerate(tasks)}
    ordered = [tuple(sorted(job, key=lambda t: place[t.key])) for job in jobs]
    return [Job(job) for job in sorted(ordered, key=lambda job: place[job[0].key])]


def perform(job: Job) -> list[Answer]:
    """Do a job in this process; the one function that an executor runs.

    Every task gets an answer; a file that is not what it was when the take was
    entered is refused and never measured.
    """
    from seeworthy.engine.evaluate import as_seeworthy, evaluate
    from seeworthy.engine.shares import teller

    start = time.monotonic()
    checked: dict[str, SeeworthyError | None] = {}
    before = {s.path: _stamp(s.path) for t in job.tasks for s in t.all_files()}
    answers: dict[str, Outcome | SeeworthyError] = {}
    items: list[tuple[Task, Item]] = []
    names: dict[str, str] = {}
    for task in job.tasks:
        try:
            for spec in task.all_files():
                _verify(spec, checked)
            items.append((task, _item(task, names)))
        except Exception as error:
            answers[task.key] = as_seeworthy(error)
    found = evaluate([item for _, item in items], progress=teller([t.key for t in job.tasks]))
    for (task, _), answer in zip(items, found, strict=True):
        answers[task.key] = answer
    for task in job.tasks:
        for spec in task.all_files():
            if spec.sha256 and _stamp(spec.path) != before[spec.path]:
                answers[task.key] = _changed(spec)
    seconds = time.monotonic() - start
    return [Answer(task.key, answers[task.key], seconds) for task in job.tasks]


def _item(task: Task, names: dict[str, str]) -> Item:
    from seeworthy.engine.evaluate import Item
    from seeworthy.media.source import Source
    from seeworthy.procedures import procedure
    from seeworthy.procedures.declare import gather

    chosen = procedure(task.procedure)
    files: dict[str, list[Source]] = {}
    for role, specs in task.files.items():
        for spec in specs:
            Source.of(spec.path)
            # One name per path: the pass is shared by source, and a source has a name.
            name = names.setdefault(spec.path, spec.name)
            files.setdefault(role, []).append(Source(Path(spec.path), name))
    inputs = gather(chosen, files, task.readings, task.options)
    if task.curves:
        from seeworthy.media.tone_curve import ToneCurve

        kept = tuple(ToneCurve.from_json(data, name) for name, data in task.curves)
        inputs = replace(inputs, curves=(*inputs.curves, *kept))
    return Item(chosen, replace(inputs, no_curve=task.no_curve))


def _stamp(path: str) -> tuple[int, int] | None:
    try:
        stat = Path(path).stat()
    except OSError:
        return None
    return stat.st_size, stat.st_mtime_ns


def _changed(spec: FileSpec) -> EvidenceChanged:
    return EvidenceChanged(
        f"'{spec.name}' ({spec.path}) is not the file that was entered.",
        "Put the original back, or remove the take and enter it again with the new file.",
    )


def _verify(spec: FileSpec, checked: dict[str, SeeworthyError | None]) -> None:
    """Refuse a file that is gone or whose content is another one."""
    from seeworthy.media.source import Source

    if not spec.sha256:
        return
    if spec.path not in checked:
        checked[spec.path] = None
        if _stamp(spec.path) is None:
            checked[spec.path] = EvidenceChanged(
                f"'{spec.name}' is no longer at {spec.path}.",
                "Put the file back where it was, then run again.",
            )
        elif Source(Path(spec.path), spec.name).sha256() != spec.sha256:
            checked[spec.path] = _changed(spec)
    error = checked[spec.path]
    if error is not None:
        raise error
