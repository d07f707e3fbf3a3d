"""What a study is, and how its trials are summed up."""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Outcome, Result
from seeworthy.ground.statistics import clopper_pearson
from seeworthy.media.source import Source
from seeworthy.procedures import procedure
from seeworthy.procedures.declare import gather

Said = TypeVar("Said")


@dataclass(frozen=True, slots=True)
class Trial:
    """One rendered case and what the measure said of it.

    Attributes:
        group: Cases that share a goal ("lean 15 px or more").
        truth: What was rendered. For yes/no questions 1 or 0.
        value, u, low, high: None when the measure refused.
        refused: The refusal's message, ``""`` when it answered.
        should_refuse: True when a number here would be wrong.
        scene: What trials of one rendering have in common (`one_scene`): they count once where it
            is asked how much is shown. Empty: a scene of its own.
    """

    group: str
    measurand: str
    truth: float
    value: float | None = None
    u: float | None = None
    low: float | None = None
    high: float | None = None
    refused: str = ""
    should_refuse: bool = False
    scene: str = ""


@dataclass(frozen=True, slots=True)
class Goal:
    """What a group must reach; `kind` says which figure of the summary is meant.

    ``rms`` (same unit as the measurand), ``rms_percent``, ``max``, ``max_percent``,
    ``coverage`` (`limit` to 0.99 of intervals hold the truth), ``right`` (share of
    right answers, for yes/no and for refusals).
    """

    kind: str
    limit: float
    text: str = ""


@dataclass(frozen=True, slots=True)
class Study:
    """One accuracy study.

    Attributes:
        id: Id of the procedure.
        run: ``(repeats, seed) -> iterator of Trial``; `repeats` is per group.
        goals: mapping of group to goals
    """

    id: str
    title: str
    run: Callable[[int, int], Iterator[Trial]]
    goals: dict[str, tuple[Goal, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Summary:
    """Figures of one group and measurand."""

    group: str
    measurand: str
    n: int
    answered: int
    rms: float
    rms_percent: float
    bias_percent: float
    largest: float
    largest_percent: float
    coverage: float
    right: float
    share: tuple[float, float] = (math.nan, math.nan)
    """95 % interval of `coverage` (Clopper and Pearson 1934): what so few scenes can tell."""
    scenes: int = 0
    """Renderings behind the intervals; trials of one are not independent."""


def summarise(trials: Sequence[Trial]) -> list[Summary]:
    """Sum up trials by group and measurand."""
    groups: dict[tuple[str, str], list[Trial]] = {}
    for trial in trials:
        groups.setdefault((trial.group, trial.measurand), []).append(trial)
    return [_one(group, name, rows) for (group, name), rows in groups.items()]


def _one(group: str, name: str, rows: list[Trial]) -> Summary:
    done = [t for t in rows if t.value is not None]
    errors = [t.value - t.truth for t in done if t.value is not None]
    shares = [e / t.truth * 100 for e, t in zip(errors, done, strict=True) if t.truth]
    bounds = [(t, t.low, t.high) for t in done if t.low is not None and t.high is not None]
    inside = [low <= t.truth <= high for t, low, high in bounds]
    scenes = len({t.scene or str(i) for i, (t, _, _) in enumerate(bounds)})
    coverage = sum(inside) / len(inside) if inside else math.nan
    right = [(t.value is None) == t.should_refuse for t in rows]

    def rms(values: list[float]) -> float:
        return math.sqrt(sum(v * v for v in values) / len(values)) if values else math.nan

    return Summary(
        group,
        name,
        len(rows),
        len(done),
        rms(errors),
        rms(shares),
        sum(shares) / len(shares) if shares else math.nan,
        max((abs(e) for e in errors), default=math.nan),
        max((abs(s) for s in shares), default=math.nan),
        coverage,
        sum(right) / len(right),
        clopper_pearson(round(coverage * scenes), scenes) if inside else (math.nan, math.nan),
        scenes,
    )


def measured(
    name: str,
    files: Sequence[str | Path] | Mapping[str, Sequence[str | Path]] = (),
    readings: Mapping[str, Sequence[str]] | None = None,
    options: Mapping[str, Sequence[str]] | None = None,
) -> Outcome:
    """Run one procedure on rendered files, as `measure` does, without hashes.

    Args:
        name: Id of the procedure.
        files: paths, or mapping of role to paths
        readings, options: mapping of name to texts as typed

    Raises:
        CannotMeasure: The procedure refused.
    """
    roles = files if isinstance(files, Mapping) else {"": files}
    sources = {role: tuple(Source.of(path) for path in paths) for role, paths in roles.items()}
    found = procedure(name)
    return found.run(gather(found, sources, readings or {}, options or {}))


def cases(
    repeats: int, seed: int, groups: Sequence[str], few: Sequence[str] = ()
) -> Iterator[tuple[str, np.random.Generator]]:
    """Yield every case of every group with a generator of its own.

    Args:
        few: Groups with one case for every five of the others', at least one.
    """
    for number, group in enumerate(groups):
        for i in range(max(1, repeats // 5) if group in few else repeats):
            yield group, np.random.default_rng([seed, number, i])


def one_scene(name: str, trials: Iterator[Trial]) -> Iterator[Trial]:
    """Yield trials as those of one rendering."""
    for trial in trials:
        yield replace(trial, scene=name)


def held(
    group: str, truth: float, found: Result, name: str = "", *, should_refuse: bool = False
) -> Trial:
    """Hold a result against the truth, by its own name or another."""
    return Trial(
        group, name or found.measurand, truth, found.value, found.u, *found.interval,
        should_refuse=should_refuse,
    )  # fmt: skip


def asked(
    group: str, name: str, truth: float, ask: Callable[[], Said], *, should_refuse: bool = False
) -> Generator[Trial, None, Said | None]:
    """Return what a measure says, or yield its refusal as the trial."""
    try:
        return ask()
    except CannotMeasure as error:
        yield Trial(group, name, truth, refused=error.message, should_refuse=should_refuse)
        return None


def must_refuse(group: str, name: str, ask: Callable[[], Outcome], truth: float = 0.0) -> Trial:
    """Ask for what no number may be given of; its first result stands for the number."""
    try:
        value = next((r.value for r in ask().results), 0.0)
    except CannotMeasure as error:
        return Trial(group, name, truth, refused=error.message, should_refuse=True)
    return Trial(group, name, truth, value, should_refuse=True)
