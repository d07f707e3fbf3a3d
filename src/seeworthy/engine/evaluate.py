"""Evaluate several procedures at once, decoding every clip a single time.

A procedure that fails costs its own answer only: its error takes the place of its
outcome, and the others go on with the same pass.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field, replace

from seeworthy.ground.errors import Fault, SeeworthyError
from seeworthy.ground.results import Outcome
from seeworthy.media.frames import FrameView, Observer, Part, PassSummary, Stage, watch
from seeworthy.media.source import Source
from seeworthy.procedures.declare import Inputs, Procedure, Seen, Watch

Progress = Callable[[float], None]


@dataclass(frozen=True)
class Item:
    """One procedure with its checked inputs."""

    procedure: Procedure
    inputs: Inputs


@dataclass
class _Guard:
    """Stands before an observer in the pass; keeps its exceptions to itself."""

    observer: Observer
    parts: tuple[Part, ...] = ()
    error: SeeworthyError | None = None

    def begin(self, stage: Stage) -> None:
        with self._kept():
            self.observer.begin(stage)

    def frame(self, view: FrameView) -> bool | None:
        if self.error is not None:
            return False
        # No context manager here: this runs for every frame.
        try:
            return self.observer.frame(view)
        except Exception as error:
            self.error = as_seeworthy(error)
            return False

    def finish(self) -> None:
        if self.error is None:
            with self._kept():
                self.observer.finish()

    @contextlib.contextmanager
    def _kept(self):  # type: ignore[no-untyped-def]
        try:
            yield
        except Exception as error:
            self.error = as_seeworthy(error)


@dataclass
class _Work:
    item: Item
    watches: tuple[Watch, ...] = ()
    guards: list[_Guard] = field(default_factory=list)
    error: SeeworthyError | None = None


def as_seeworthy(error: Exception) -> SeeworthyError:
    """Return the error itself, or a `Fault` that names what went wrong inside."""
    if isinstance(error, SeeworthyError):
        return error
    fault = Fault(
        f"Seeworthy itself failed: {type(error).__name__}: {error}",
        "This is a fault of the program; report it with the file that shows it.",
    )
    fault.__cause__ = error
    return fault


_DECODING = 0.8
"""Share of the time that goes into decoding; a third of `look`'s was spent afterwards on a demo
clip, less on others: a judgement."""


def evaluate(
    items: Sequence[Item], *, progress: Progress | None = None
) -> list[Outcome | SeeworthyError]:
    """Run procedures, one decode pass per clip.

    Args:
        progress: Called with the share done, 0 to 1: decoding first, then what follows from it.

    Returns:
        One outcome or error per item, in order.
    """
    work = [_prepare(item) for item in items]
    sources = _guarded(work)
    passes: dict[Source, PassSummary] = {}
    broken: dict[Source, SeeworthyError] = {}
    for number, (source, guards) in enumerate(sources.items()):
        report = _share(progress, number, len(sources))
        try:
            passes[source] = watch(source, guards, parts=[g.parts for g in guards], progress=report)
        except Exception as error:
            broken[source] = as_seeworthy(error)
    answers = []
    for number, one in enumerate(work, 1):
        answers.append(_conclude(one, passes, broken))
        if progress is not None:
            progress(_DECODING + (1 - _DECODING) * number / len(work))
    return answers


def _guarded(work: Sequence[_Work]) -> dict[Source, list[_Guard]]:
    """Put a guard before every observer; of wishes that are alike, one observer is kept."""
    kept: dict[Hashable, Watch] = {}
    for w in (w for one in work for w in one.watches):
        other = kept.setdefault(w.key, w)
        if w.reach > other.reach:
            kept[w.key] = w
    guards = {key: _Guard(w.observer, w.parts) for key, w in kept.items()}
    for one in work:
        one.guards = [guards[w.key] for w in one.watches]
        one.watches = tuple(replace(w, observer=kept[w.key].observer) for w in one.watches)
    sources: dict[Source, list[_Guard]] = {}
    for key, w in kept.items():
        sources.setdefault(w.source, []).append(guards[key])
    return sources


def _share(progress: Progress | None, number: int, total: int) -> Progress | None:
    if progress is None:
        return None
    return lambda share: progress(_DECODING * (number + share) / total)


def _prepare(item: Item) -> _Work:
    work = _Work(item)
    try:
        work.watches = tuple(item.procedure.prepare(item.inputs))
    except Exception as error:
        work.error = as_seeworthy(error)
    return work


def _conclude(
    work: _Work, passes: dict[Source, PassSummary], broken: dict[Source, SeeworthyError]
) -> Outcome | SeeworthyError:
    if work.error is not None:
        return work.error
    for watch_, guard in zip(work.watches, work.guards, strict=True):
        error = broken.get(watch_.source) or guard.error
        if error is not None and not watch_.optional:
            return error
    mine = {w.source: passes[w.source] for w in work.watches if w.source in passes}
    try:
        outcome = work.item.procedure.judge(work.item.inputs, Seen(work.watches, mine))
    except Exception as error:
        return as_seeworthy(error)
    extra = [w for summary in mine.values() for w in summary.warnings]
    extra += work.item.inputs.taken_for_granted()
    if extra:
        outcome = replace(outcome, warnings=tuple(dict.fromkeys((*outcome.warnings, *extra))))
    return outcome
