"""Check a package: compute every result again from its evidence and readings.

Three questions, each answered by name: is what stands in the package what its makers wrote
(hashes, and every table against its Parquet twin); are the readings those that were measured
from; and do evidence and readings give the published figures with the methods of today.
"""

from __future__ import annotations

import hashlib
import io
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from seeworthy.bench.state import digest_of, version_now
from seeworthy.engine.jobs import Answer, FileSpec, Task, group
from seeworthy.engine.run import run_jobs
from seeworthy.engine.workers import LocalWorkers
from seeworthy.ground.digits import said_result, said_u
from seeworthy.ground.errors import SeeworthyError
from seeworthy.ground.leftovers import scratch
from seeworthy.ground.results import Outcome, Result
from seeworthy.judge.groups import en_number
from seeworthy.publish.package import Package, Row, Tables
from seeworthy.publish.sheets import sheets
from seeworthy.publish.verify_curves import curve_keys, curves_of

Verdict = Literal["same", "differs", "cannot"]

SAME = 1e-6
"""Relative to the larger of value and uncertainty. A judgement: sums in another order differ by
1e-12, another build of a decoder or optimiser by a little more; a figure is rounded at 1e-2 of
its uncertainty."""


@dataclass(frozen=True, slots=True)
class Checked:
    """One result, or one take without a figure, computed again.

    Attributes:
        take: Number in its bench.
        id: Identity of the result, or of the take where it has none.
        verdict: ``same``, ``differs`` or ``cannot``.
        en: Difference over the expanded uncertainties; above 1 they disagree (ISO/IEC 17043). The
            two share their evidence, so that even a small one is a change.
        words: Both figures, or why it cannot be computed.
    """

    take: int
    id: str
    camera: str
    procedure: str
    measurand: str
    verdict: Verdict
    en: float | None = None
    words: str = ""


@dataclass(frozen=True, slots=True)
class Verified:
    """What came of a package.

    Attributes:
        changed: What was changed since it was made, each by name.
    """

    changed: tuple[str, ...]
    checks: tuple[Checked, ...]

    def count(self, verdict: Verdict) -> int:
        """Return how many ended in a verdict."""
        return sum(c.verdict == verdict for c in self.checks)

    @property
    def exit_code(self) -> int:
        """0: all the same; 1: something differs or was changed; 3: some cannot be computed."""
        if self.changed or self.count("differs"):
            return 1
        return 3 if self.count("cannot") else 0


def verify_package(
    path: str | Path,
    *,
    executor: Executor | None = None,
    tell: Callable[[int, int], None] | None = None,
) -> Verified:
    """Compute every result of a package again.

    Args:
        executor: Worker processes of this machine by default.
        tell: Called with how many takes are done, of how many.

    Raises:
        UnreadableInput: Not a package, of a newer form, or made to do harm.
    """
    with Package(path) as package, ExitStack() as stack:
        changed = [w for w in package.wrong_files() if not w.startswith("'evidence/")]
        tables = package.tables()
        changed += _unlike_twin(package, tables)
        details = package.details()
        place = stack.enter_context(scratch())
        work = _Work(package, tables, details, place)
        changed += work.changed
        if executor is None and work.tasks:
            executor = stack.enter_context(LocalWorkers())
        answers = _answers(work.tasks, executor, tell)
        return Verified(tuple(changed), tuple(work.checks(answers)))


def _answers(
    tasks: Sequence[Task], executor: Executor | None, tell: Callable[[int, int], None] | None
) -> dict[str, Outcome | SeeworthyError]:
    found: dict[str, Outcome | SeeworthyError] = {}
    if executor is None:
        return found
    at_once = getattr(executor, "workers", None) or 2
    answer: Answer
    for answer in run_jobs(iter(group(tasks)), executor, at_once=at_once):
        found[answer.key] = answer.answer
        if tell is not None:
            tell(len(found), len(tasks))
    return found


def _unlike_twin(package: Package, tables: Tables) -> Iterator[str]:
    """Say which row of which table is not what its Parquet twin holds."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    for of in sheets():
        name = f"parquet/{of.name}.parquet"
        try:
            twin = pq.read_table(io.BytesIO(package.read(name))).to_pylist()
        except (SeeworthyError, pa.ArrowException, OSError):
            continue  # said to be missing or changed already
        ours = {tuple(r[k] for k in of.key): r for r in tables[of.name]}
        theirs = {tuple(r.get(k) for k in of.key): r for r in twin}
        for key in dict.fromkeys([*theirs, *ours]):
            one, other = ours.get(key), theirs.get(key)
            if one is None or other is None:
                where = f"{of.name}.csv" if other is None else "its Parquet twin"
                yield f"a row of {of.name} stands in {where} alone: {_label(of.name, one or other)}"
                continue
            for column in of.names:
                if (one[column] or None) != (other.get(column) or None):
                    yield (
                        f"{_label(of.name, one)}: '{column}' is {one[column]!r} in {of.name}.csv "
                        f"and {other.get(column)!r} in its Parquet twin"
                    )


def _label(name: str, row: Row | None) -> str:
    """Name a row as a person would."""
    row = row or {}
    words = {
        "results": ("result", "camera", "measurand"),
        "readings": ("reading", "reading"),
        "files": ("clip", "file"),
        "takes": ("take", "number", "procedure"),
    }.get(name, (name, *list(row)[:1]))
    said = " ".join(str(row.get(w, "")) for w in words[1:])
    return f"{words[0]} {said} ({row.get('take') or row.get('id') or ''})"


class _Work:
    """What can be computed again, and what not and why."""

    def __init__(
        self, package: Package, tables: Tables, details: Mapping[str, Any], place: Path
    ) -> None:
        self.package = package
        self.tables = tables
        self.details = details
        self.place = place
        self.changed: list[str] = []
        self.tasks: list[Task] = []
        self.cannot: dict[str, str] = {}
        self.older: dict[str, str] = {}
        self._content: dict[str, str | None] = {}
        self._of: dict[str, dict[str, list[Row]]] = {}
        for name in ("files", "readings", "options", "results"):
            per: dict[str, list[Row]] = {}
            for row in sorted(tables[name], key=lambda r: r.get("place", r.get("position")) or 0):
                per.setdefault(row["take"], []).append(row)
            self._of[name] = per
        self.takes = {row["id"]: row for row in tables["takes"]}
        for outcome in tables["outcomes"]:
            self._plan(outcome)

    def _rows(self, name: str, take: str) -> list[Row]:
        return self._of[name].get(take, [])

    def _plan(self, outcome: Row) -> None:
        take = self.takes[outcome["take"]]
        self._inputs(take, outcome)
        here, theirs = version_now(take["procedure"]), outcome["procedure_version"]
        if here is None:
            self.cannot[take["id"]] = f"The procedure '{take['procedure']}' is not installed."
            return
        if theirs > here:
            self.cannot[take["id"]] = (
                f"It was measured with version {theirs} of the test; here is {here}: install the "
                "newer Seeworthy."
            )
            return
        if theirs < here:
            self.older[take["id"]] = f"; measured with version {theirs} of the test, here is {here}"
        files: dict[str, list[FileSpec]] = {}
        for row in self._rows("files", take["id"]):
            path = self._unpack(row, take)
            if path is None:
                self.cannot[take["id"]] = f"The evidence '{row['file']}' is missing."
                return
            files.setdefault(row["role"], []).append(FileSpec(path, row["file"]))
        curves = curves_of(self.details, self.tables, take["id"])
        if curves is None:
            self.cannot[take["id"]] = "The tone curve that it was measured with is not in here."
            return
        self.tasks.append(
            Task(
                take["id"],
                take["procedure"],
                {role: tuple(specs) for role, specs in files.items()},
                _named(self._rows("readings", take["id"]), "reading", "typed"),
                _named(self._rows("options", take["id"]), "option", "value"),
                curves,
            )
        )

    def _inputs(self, take: Row, outcome: Row) -> None:
        """Find readings, files and options that are not those that were measured from."""
        where = f"of take {take['number']} ({take['procedure']})"
        said = {
            "procedure": take["procedure"],
            "files": [
                {"role": r["role"], "sha256": r["sha256"]} for r in self._rows("files", take["id"])
            ],
            "readings": [
                {"name": r["reading"], "text": r["typed"]}
                for r in self._rows("readings", take["id"])
            ],
            "options": [
                {"name": r["option"], "value": r["value"]}
                for r in self._rows("options", take["id"])
            ],
        }
        keys = curve_keys(self.details, take["id"])
        said |= {"curves": keys} if keys else {}
        if digest_of(said, outcome["procedure_version"]) != outcome["inputs"]:
            before = self.details.get(take["id"], {}).get("inputs") or {}
            named = False
            for kind in ("files", "readings", "options"):
                old = [{k: v for k, v in e.items() if k != "file"} for e in before.get(kind, ())]
                for entry in said[kind]:
                    if entry not in old:
                        what = entry.get("name") or entry.get("role") or entry.get("sha256")
                        self.changed.append(
                            f"{kind[:-1]} '{what}' {where} is not what the figures were measured "
                            f"from: {entry.get('text') or entry.get('value') or 'another file'}"
                        )
                        named = True
            if not named:
                self.changed.append(f"the inputs {where} are not those of its figures")
        for row in self._rows("readings", take["id"]):
            if row["value"] is not None and not _means(row):
                self.changed.append(
                    f"reading '{row['reading']}' {where}: '{row['typed']}' was typed, and "
                    f"{row['value']} {row['unit']} stands beside it"
                )

    def _unpack(self, row: Row, take: Row) -> str | None:
        """Write a content where a worker can read it; None where it is missing or changed."""
        sha256 = row["sha256"]
        if sha256 not in self._content:
            self._content[sha256] = None
            inside = self.package.evidence(sha256)
            if inside is not None:
                path = self.place / sha256
                with self.package.open(inside) as source, path.open("wb") as target:
                    shutil.copyfileobj(source, target, 1 << 20)
                with path.open("rb") as handle:
                    found = hashlib.file_digest(handle, "sha256").hexdigest()
                self._content[sha256] = str(path)
                if found != sha256:
                    self.changed.append(
                        f"clip '{row['file']}' of take {take['number']} ({take['procedure']}) is "
                        "not the one that was measured"
                    )
        return self._content[sha256]

    def checks(self, answers: Mapping[str, Outcome | SeeworthyError]) -> Iterator[Checked]:
        """Hold what was computed against what was published."""
        for outcome in self.tables["outcomes"]:
            take = self.takes[outcome["take"]]
            published = self._rows("results", take["id"])
            answer = answers.get(take["id"])
            if answer is None:
                words = self.cannot.get(take["id"], "It was not computed.")
                yield from self._all(take, published, "cannot", words)
            elif isinstance(answer, SeeworthyError):
                refused = outcome["state"] != "measured"
                yield from self._all(
                    take, published, "same" if refused else "differs", answer.message
                )
            else:
                yield from self._pairs(take, published, answer.results)

    def _all(
        self, take: Row, published: Sequence[Row], verdict: Verdict, words: str
    ) -> Iterator[Checked]:
        for row in published or [{"id": take["id"], "camera": "", "measurand": ""}]:
            yield Checked(
                take["number"], row["id"], row["camera"], take["procedure"], row["measurand"],
                verdict, None, words,
            )  # fmt: skip

    def _pairs(
        self, take: Row, published: Sequence[Row], computed: Sequence[Result]
    ) -> Iterator[Checked]:
        left = list(computed)
        for row in published:
            found = next((r for r in left if _alike(r, row)), None)
            if found is None:
                yield from self._all(take, [row], "differs", "It does not come out any more.")
                continue
            left.remove(found)
            scale = max(abs(found.value), abs(row["value"]), found.u, row["u"])
            near = max(abs(found.value - row["value"]), abs(found.u - row["u"])) <= SAME * scale
            en = en_number(row["value"], row["u"], found.value, found.u)
            words = (
                ""
                if near
                else (
                    f"published {said_u(row['value'], row['u'], row['unit'])}, "
                    f"computed {said_u(found.value, found.u, found.unit)} (95 %)"
                    f"{self.older.get(take['id'], '')}"
                )
            )
            yield Checked(
                take["number"], row["id"], row["camera"], take["procedure"], row["measurand"],
                "same" if near else "differs", en, words,
            )  # fmt: skip
        for found in left:
            words = f"computed {said_result(found)}, and nothing was published"
            yield Checked(
                take["number"], take["id"], "", take["procedure"], found.measurand, "differs",
                None, words,
            )  # fmt: skip


def _alike(found: Result, row: Row) -> bool:
    """Tell whether a computed result is the one of a row: same measurand, same place."""
    if found.measurand != row["measurand"]:
        return False
    words = ("method", "position", "orientation", "channel", "phase")
    return all(
        not isinstance(found.conditions.get(w, ""), str)
        or found.conditions.get(w, "") == (row[w] or "")
        for w in words
    )


def _named(rows: Sequence[Row], name: str, value: str) -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for row in rows:
        found[row[name]] = (*found.get(row[name], ()), row[value])
    return found


def _means(row: Row) -> bool:
    """Tell whether the value beside a typed reading is what the text means."""
    from seeworthy.ground.quantities import parse

    try:
        found = parse(row["typed"], row["unit"])
    except SeeworthyError:
        return False
    beside: float = row["value"]
    return abs(found.value - beside) <= 1e-9 * max(abs(found.value), abs(beside), 1e-9)
