"""From a bench to the plain data of a report."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

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
from seeworthy.judge.glance.air import air_figures
from seeworthy.judge.glance.fitness import fitness
from seeworthy.publish.model import CameraReport, Refusal, TakeReport


def camera_report(
    bench: Bench,
    camera: str,
    *,
    tolerance: Tolerance = DEFAULT_TOLERANCE,
    made: dt.datetime | None = None,
    pictures: bool = True,
    first_page: bool | None = None,
) -> CameraReport:
    """Gather everything a bench knows of one camera.

    Args:
        tolerance: Of claims.
        made: Printed as the date of the report.
        pictures: Read the evidence pictures too (a page needs them, JSON does not).
        first_page: Hold the camera against purposes and the other cameras; by default where
            `pictures`.

    Raises:
        NotFound: No camera of that name.
    """
    found = get_camera(bench, camera)
    outcomes = {o.take.id: o for o in list_outcomes(bench, camera=found.name)}
    takes = [_take(t, outcomes.get(t.id), pictures) for t in list_takes(bench, camera=found.name)]
    whole = pictures if first_page is None else first_page
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
        fitness(bench, found.name) if whole else (),
        air_figures(bench, found.name) if whole else (),
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
