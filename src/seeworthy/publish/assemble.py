"""From a bench to the plain data of a report."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cached_property

from seeworthy import __version__
from seeworthy.bench.cameras import get_camera
from seeworthy.bench.models import AboutRow
from seeworthy.bench.outcomes import list_outcomes
from seeworthy.bench.records import StoredOutcome, Take
from seeworthy.bench.sound_evidence import evidence_troubles
from seeworthy.bench.store import Bench
from seeworthy.bench.takes import list_takes
from seeworthy.bench.words import read_words
from seeworthy.judge.claims.choose import judgements
from seeworthy.judge.claims.tolerance import DEFAULT_TOLERANCE, Tolerance
from seeworthy.judge.glance.air import Known, air_figures
from seeworthy.judge.glance.fitness import fitness
from seeworthy.judge.purpose.bench_rank import suit_every
from seeworthy.judge.purpose.library import shipped
from seeworthy.judge.purpose.own import own_purposes
from seeworthy.judge.purpose.rank import Ranking
from seeworthy.publish.model import CameraReport, Refusal, TakeReport


class Around:
    """What every camera of a bench is held against, worked out once for all their reports."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self.air: Known = {}

    @cached_property
    def rankings(self) -> dict[str, Ranking]:
        """Every purpose, shipped and own, with the cameras ranked for it."""
        names = [*own_purposes(self._bench.folder), *shipped()]
        return suit_every(self._bench, list(dict.fromkeys(names)))


def camera_report(
    bench: Bench,
    camera: str,
    *,
    tolerance: Tolerance = DEFAULT_TOLERANCE,
    made: dt.datetime | None = None,
    pictures: bool = True,
    first_page: bool | None = None,
    around: Around | None = None,
    begin: Callable[[Sequence[TakeReport]], None] | None = None,
) -> CameraReport:
    """Gather everything a bench knows of one camera.

    Args:
        tolerance: Of claims.
        made: Printed as the date of the report.
        pictures: Read the evidence pictures too (a page needs them, JSON does not).
        first_page: Hold the camera against purposes and the other cameras; by default where
            `pictures`.
        around: What the cameras of the bench are held against; worked out here by default.
        begin: Called with the takes as soon as they are read: what draws can begin.

    Raises:
        NotFound: No camera of that name.
    """
    found = get_camera(bench, camera)
    outcomes = {o.take.id: o for o in list_outcomes(bench, camera=found.name)}
    takes = [_take(t, outcomes.get(t.id), pictures) for t in list_takes(bench, camera=found.name)]
    if begin is not None:
        begin(takes)
    whole = pictures if first_page is None else first_page
    around = around or Around(bench)
    return CameraReport(
        found.name,
        found.maker,
        found.note,
        _title(bench),
        found.units,
        judgements(found, outcomes.values(), tolerance),
        tuple(takes),
        tolerance,
        made,
        __version__,
        # A report is what strangers believe: hash its files, not only stat them.
        tuple(t.message for t in evidence_troubles(bench, camera=found.id, deep=pictures)),
        fitness(around.rankings, found.name) if whole else (),
        air_figures(bench, found.name, around.air) if whole else (),
        read_words(bench, found.name),
    )


def _title(bench: Bench) -> str:
    """Return what the bench calls itself, else the name of its folder."""
    with bench.reading() as session:
        row = session.get(AboutRow, "title")
        return row.value if row else bench.folder.name.replace("-", " ").replace("_", " ")


def _take(take: Take, found: StoredOutcome | None, pictures: bool) -> TakeReport:
    if found is None:
        return TakeReport(take)
    shown = found.load_pictures() if pictures else ()
    refusal = (
        Refusal(found.error_kind, found.message, found.hint, shown) if found.error_kind else None
    )
    outcome = None if refusal else replace(found.outcome, pictures=shown)
    return TakeReport(
        take, outcome, refusal, found.measured, found.procedure_version, found.seeworthy
    )
