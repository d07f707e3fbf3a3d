"""Cameras, units or firmware side by side, like with like.

Takes of one subject under like conditions are combined (`combine`); subjects are compared
pair by pair, with Holm's correction over everything that is shown.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Container, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np

from seeworthy.ground.errors import CannotMeasure, NotFound, WrongCall
from seeworthy.ground.measurands import Measurand, all_measurands, measurand
from seeworthy.ground.plain import picked
from seeworthy.ground.results import Result
from seeworthy.ground.statistics import holm
from seeworthy.judge.compare.combine import Origin, combine, speaking
from seeworthy.judge.compare.differences import Pairs, Value, differences, groups
from seeworthy.judge.compare.like import Like, sort_alike, why_apart

if TYPE_CHECKING:
    from seeworthy.bench.store import Bench

By = Literal["camera", "unit", "firmware", "mount", "card"]
BYS: tuple[By, ...] = get_args(By)
MOST_SHOWN = 12  # what fits side by side on a screen: a judgement
_MOST_CAMERAS = 700
"""All pairs of more are no answer to read, and take 20 bytes each for 60 figures."""
# Conditions by which takes of one camera are told apart, and the test that has them.
_TOLD_APART = {"mount": "motion", "card": "card-test"}


@dataclass(frozen=True, slots=True)
class Row:
    """One measurand under like conditions, all subjects that have it.

    Attributes:
        values: In order of value.
        takes: mapping-like tuple. Number of takes behind each value, same order.
        groups: Subjects that cannot be told apart.
        best: The best value's subject and all that cannot be told apart from it; empty where
            neither more nor less is better.
    """

    measurand: Measurand
    like: Like
    values: tuple[Value, ...]
    takes: tuple[int, ...]
    pairs: Pairs
    groups: tuple[tuple[str, ...], ...]
    best: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        told = "first second value u interval p p_corrected told_apart=apart"
        return {
            **picked(self, "measurand=measurand.id unit=measurand.unit"),
            "conditions": str(self.like),
            "values": [
                {**picked(v, "subject value u dof interval"), "takes": n}
                for v, n in zip(self.values, self.takes, strict=True)
            ],
            "differences": [picked(p, told) for p in self.pairs],
            **picked(self, "groups best"),
        }


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything that can be compared, and what cannot, with the reason."""

    by: By
    subjects: tuple[str, ...]
    rows: tuple[Row, ...]
    apart: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "by": self.by,
            "subjects": list(self.subjects),
            "rows": [r.to_json() for r in self.rows],
            "not_compared": list(self.apart),
        }


def subject_of(origin: Origin, by: By) -> str:
    """Return the name under which a stored result is compared."""
    if by == "camera":
        return origin.camera
    unit = f"{origin.camera} {origin.unit}".strip()
    if by == "unit":
        return unit
    if by in _TOLD_APART:
        return f"{origin.camera}, {origin.result.conditions.get(by, f'{by} unknown')}"
    return f"{unit}, firmware {origin.firmware or 'unknown'}"


def compare_results(origins: Iterable[Origin], by: By = "camera") -> Comparison:
    """Compare stored results.

    Args:
        origins: Current (not stale) results.
        by: {"camera", "unit", "firmware", "mount", "card"}. By mount or card, takes that name one
            are compared, flight for flight.

    Returns:
        Rows for all that two or more subjects have under like conditions. Figures of a take
        (the length of a clip, the bit rate of a scene) are none of a camera and left out; figures
        per pixel that name no frame size are of no known size and left out.
    """
    everything = [o for o in origins if by not in _TOLD_APART or by in o.result.conditions]
    of_take = (
        set()
        if by in _TOLD_APART
        else {o.result.measurand for o in everything if measurand(o.result.measurand).of_take}
    )
    per_frame = {o.result.measurand for o in everything if _of_no_frame(o.result)}
    found, notes = speaking(
        [o for o in everything if o.result.measurand not in of_take and not _of_no_frame(o.result)],
        firmware_apart=by == "firmware",
    )
    found = _one_mode(found, by, notes)
    subjects = tuple(dict.fromkeys(subject_of(o, by) for o in everything))
    by_measurand: dict[str, list[Origin]] = {}
    for origin in found:
        by_measurand.setdefault(origin.result.measurand, []).append(origin)
    order = list(all_measurands())
    rows: list[Row] = []
    apart = notes
    if of_take:
        titles = ", ".join(measurand(n).title for n in order if n in of_take)
        apart.append(f"Figures of a take, not of a camera, are not compared: {titles}.")
    if per_frame:
        titles = ", ".join(measurand(n).title for n in order if n in per_frame)
        apart.append(f"Counted in pixels of a frame of unknown size, not compared: {titles}.")
    for name in sorted(by_measurand, key=lambda n: order.index(n) if n in order else len(order)):
        made, note = _rows(measurand(name), by_measurand[name], by)
        rows += made
        if note:
            apart.append(note)
    return Comparison(by, subjects, tuple(_corrected(rows)), tuple(apart))


def _of_no_frame(result: Result) -> bool:
    """Tell a figure per pixel whose frame size is not known."""
    return measurand(result.measurand).per_frame and "frame" not in result.conditions


def _mode(result: Result) -> str:
    """Return the frame size of a figure that is told across frame sizes, ``""`` for others."""
    kept = measurand(result.measurand).per_frame
    return "" if kept else str(result.conditions.get("frame", ""))


def _one_mode(origins: Sequence[Origin], by: By, notes: list[str]) -> list[Origin]:
    """Let one mode of a camera answer: two are two cameras, and their mean is neither.

    The frame size with most takes of a test, then the larger one.
    """
    takes: dict[tuple[str, str], dict[str, set[int]]] = {}
    for o in origins:
        if mode := _mode(o.result):
            of_test = takes.setdefault((subject_of(o, by), o.procedure), {})
            of_test.setdefault(mode, set()).add(o.take_id)
    answers = {key: max(m, key=lambda f: (len(m[f]), _pixels(f))) for key, m in takes.items()}
    kept = []
    for o in origins:
        subject = subject_of(o, by)
        mode, best = _mode(o.result), answers.get((subject, o.procedure), "")
        if not mode or mode == best:
            kept.append(o)
            continue
        note = f"{subject}: {best} answers for {o.procedure}; takes of {mode} stand aside."
        if note not in notes:
            notes.append(note)
    return kept


def _pixels(frame: str) -> int:
    width, _, height = frame.partition("x")
    return int(width) * int(height) if width.isdigit() and height.isdigit() else 0


def _corrected(rows: Sequence[Row]) -> list[Row]:
    """Correct over all pairs of all rows, then say who is best and who cannot be told apart."""
    if not rows:
        return []
    ends = np.cumsum([len(row.pairs) for row in rows])[:-1]
    corrected = np.split(holm(np.concatenate([row.pairs.p for row in rows])), ends)
    found = []
    for row, p in zip(rows, corrected, strict=True):
        pairs = row.pairs.corrected_to(p)
        together = tuple(groups(row.values, pairs))
        best = _best(row.measurand, row.values, pairs)
        found.append(replace(row, pairs=pairs, groups=together, best=best))
    return found


def _rows(entry: Measurand, origins: list[Origin], by: By) -> tuple[list[Row], str]:
    aside = _TOLD_APART.keys() & {by}
    if not entry.per_frame:
        aside.add("frame")
    sets = sort_alike(_without(o.result, aside) for o in origins)
    rows = []
    lonely: list[Like] = []
    for like, members in sets:
        per: dict[str, list[Result]] = {}
        for index in members:
            per.setdefault(subject_of(origins[index], by), []).append(origins[index].result)
        if len(per) < 2:
            lonely.append(like)
            continue
        rows.append(_row(entry, like, per))
    names = {subject_of(o, by) for o in origins}
    if len(names) > 1 and lonely and not rows:
        likes = [like for like, _ in sets]
        return rows, f"{entry.title}: {_lower(why_apart(likes))}"
    return rows, ""


def _without(result: Result, aside: Container[str]) -> Result:
    """Return a result as if these conditions were not told: across them is compared."""
    others = {k: v for k, v in result.conditions.items() if k not in aside}
    return result if len(others) == len(result.conditions) else replace(result, conditions=others)


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def _row(entry: Measurand, like: Like, per: dict[str, list[Result]]) -> Row:
    made = sorted(((combine(s, r), len(r)) for s, r in per.items()), key=lambda p: p[0].value)
    values = tuple(v for v, _ in made)
    counts = tuple(n for _, n in made)
    return Row(entry, like, values, counts, differences(values), (), ())


def _best(entry: Measurand, values: Sequence[Value], pairs: Pairs) -> tuple[str, ...]:
    if entry.better == "none":
        return ()
    places = range(len(values))
    if entry.better == "nearer":
        ideal = entry.ideal or 0.0
        top = min(places, key=lambda i: abs(values[i].value - ideal))
    elif entry.better == "less":
        top = 0
    else:
        top = len(values) - 1
    same = pairs.same[top].tolist()
    return tuple(values[i].subject for i in places if same[i])


def what_matters(found: Comparison, asked: Collection[str] = ()) -> Comparison:
    """Return the part of a comparison that a person reads first.

    Of many subjects those that stand alone or among the best most often; corrections and who is
    best stay those of the whole. Of many figures those in `asked` come first.
    """
    if asked:
        rows = sorted(found.rows, key=lambda row: row.measurand.id not in asked)
        found = replace(found, rows=tuple(rows))
    if len(found.subjects) <= MOST_SHOWN:
        return found
    first: defaultdict[str, float] = defaultdict(float)
    for row in found.rows:
        for subject in row.best:
            # Being the best of three says more than being one of three hundred.
            first[subject] += 1 / len(row.best)
    place = {s: i for i, s in enumerate(found.subjects)}
    order = sorted(found.subjects, key=lambda s: (-first[s], place[s]))[:MOST_SHOWN]
    kept = set(order)
    rows = [made for row in found.rows if (made := _narrowed(row, kept)) is not None]
    said = (
        f"{len(found.subjects)} stand side by side; shown are the {MOST_SHOWN} that are most often "
        "among the best.",
    )
    return Comparison(
        found.by, tuple(s for s in found.subjects if s in kept), tuple(rows), said + found.apart
    )


def _narrowed(row: Row, kept: set[str]) -> Row | None:
    places = [i for i, v in enumerate(row.values) if v.subject in kept]
    if len(places) < 2:
        return None
    values, pairs = tuple(row.values[i] for i in places), row.pairs.among(places)
    takes = tuple(row.takes[i] for i in places)
    return replace(
        row, values=values, takes=takes, pairs=pairs, groups=tuple(groups(values, pairs))
    )


def compare_bench(
    bench: Bench, *, by: By = "camera", cameras: Sequence[str] = (), measurands: Sequence[str] = ()
) -> Comparison:
    """Compare what a bench holds.

    Args:
        by: {"camera", "unit", "firmware", "mount", "card"}
        cameras, measurands: Only these; all when empty.

    Raises:
        NotFound: No such camera.
        WrongCall: More cameras than can be set against each other.
        CannotMeasure: Fewer than two subjects, or nothing in common under like conditions.
    """
    from seeworthy.bench.cameras import count_cameras, get_camera
    from seeworthy.bench.outcomes import list_results

    names = sorted({get_camera(bench, name).name for name in cameras})
    there = len(names) or count_cameras(bench)
    if there > _MOST_CAMERAS:
        raise WrongCall(
            f"{there} cameras are {there * (there - 1) // 2} pairs for every figure.",
            f"Name the cameras that matter, {_MOST_CAMERAS} at most.",
        )
    wanted = {measurand(m).id for m in measurands}
    read = [r for n in names for r in list_results(bench, camera=n)] or list_results(bench)
    stored = [r for r in read if not wanted or r.result.measurand in wanted]
    if not stored:
        raise NotFound("There is nothing measured to compare.", "Add takes and run them first.")
    found = compare_results(stored, by)
    if not found.subjects:
        raise CannotMeasure(
            f"No take names a {by}.",
            f"Add takes of '{_TOLD_APART[by]}' with --option {by}=NAME, two {by}s or more, and run "
            "them.",
        )
    if len(found.subjects) < 2:
        raise CannotMeasure(
            f"Only {found.subjects[0]} has figures; a comparison needs two.",
            "Measure another camera, or compare by unit or firmware.",
        )
    if not found.rows:
        reasons = " ".join(found.apart)
        raise CannotMeasure(
            f"These have no figure in common under like conditions. {reasons}".strip(),
            "Run the same test on both, in the same light and temperature.",
        )
    return found
