"""Takes of a report without a bench."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from pathlib import Path

from seeworthy.bench.records import Firmware, Take, TakeFile, TakeReading, Unit
from seeworthy.ground.results import Outcome
from seeworthy.publish.model import Refusal, TakeReport

DAY = dt.date(2026, 11, 2)


def told(
    number: int,
    procedure: str,
    outcome: Outcome | None = None,
    refusal: Refusal | None = None,
    *,
    unit: str = "",
    firmware: str = "",
    taken: dt.date = DAY,
    stale: bool = False,
    files: Iterable[tuple[str, str]] = (),
    readings: Iterable[tuple[str, str]] = (),
    method_version: int | None = None,
) -> TakeReport:
    """Return a take as a report gets it; files are pairs of name and role."""
    take = Take(
        number, procedure, "Knot", unit, firmware, taken, "", 1, "stale" if stale else "measured",
        tuple(TakeFile(role, name, "ab" * 32, 5, Path(name), True) for name, role in files),
        tuple(TakeReading(n, *typed, None, "", None) for n, typed in enumerate(readings)),
    )  # fmt: skip
    return TakeReport(take, outcome, refusal, method_version=method_version)


def unit(serial: str, *firmware: tuple[str, dt.date]) -> Unit:
    """Return one specimen."""
    return Unit(1, "Knot", serial, "", 1, tuple(Firmware(1, name, day) for name, day in firmware))
