"""The flight log of a camera: loads of every flight, checks around them, what it survived.

Nothing is typed twice: a flight is a take of `load`, a check a take of `survival`. A load
counts as survived when a later check says yes and none in between says no. Survived is
not rated: it is what happened, not what may be asked of the next unit.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from seeworthy.ground.plain import picked
from seeworthy.ground.statistics import failure_bound

if TYPE_CHECKING:
    from seeworthy.bench.records import StoredOutcome
    from seeworthy.bench.store import Bench


@dataclass(frozen=True, slots=True)
class Flown:
    """One flight.

    Attributes:
        felt, u: Largest felt load, g; None when the log did not tell.
        speed, height: m/s and m.
        outcome: ``survived``, ``failed`` or ``not checked``.
    """

    take: int
    unit: str
    day: dt.date
    felt: float | None
    u: float | None
    speed: float | None
    height: float | None
    outcome: str


@dataclass(frozen=True, slots=True)
class Check:
    """One survival check: verdict and the flights that it covers."""

    take: int
    unit: str
    day: dt.date
    verdict: str
    flights: int


@dataclass(frozen=True, slots=True)
class FlightLog:
    """All flights and checks of a camera.

    Attributes:
        survived: Flights covered by checks that say yes.
        failed: Checks that say no.
        highest: The flight of the highest load survived.
        bound: Upper bound of the failure probability per flight at 95 % (Clopper–Pearson).
    """

    camera: str
    flights: tuple[Flown, ...]
    checks: tuple[Check, ...]
    survived: int
    failed: int
    highest: Flown | None
    bound: float | None

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        flown = "take unit day felt_peak_g=felt u max_speed=speed apogee=height outcome"
        return {
            "camera": self.camera,
            "flights": [picked(f, flown) for f in self.flights],
            "checks": [picked(c, "take unit day survived=verdict flights") for c in self.checks],
            "flights_survived": self.survived,
            "checks_failed": self.failed,
            "highest_load_survived_g": self.highest.felt if self.highest else None,
            "failure_bound": self.bound,
        }


def flight_log(bench: Bench, camera: str, unit: str | None = None) -> FlightLog:
    """Return the flight log of a camera, or of one unit of it.

    Raises:
        NotFound: No such camera.
    """
    from seeworthy.bench.cameras import get_camera
    from seeworthy.bench.outcomes import list_outcomes

    name = get_camera(bench, camera).name
    found = list_outcomes(bench, camera=name, procedure=("load", "survival"))
    return assemble(name, [o for o in found if unit in (None, o.take.unit)])


def assemble(camera: str, outcomes: Sequence[StoredOutcome]) -> FlightLog:
    """Put flights and checks in order of days and judge them."""
    checks = sorted(
        (_check(o) for o in outcomes if o.take.procedure == "survival" and not o.error_kind),
        key=lambda c: (c.day, c.take),
    )
    flights = sorted(
        (_flight(o, checks) for o in outcomes if o.take.procedure == "load" and not o.error_kind),
        key=lambda f: (f.day, f.take),
    )
    good = [c for c in checks if c.verdict == "yes"]
    survived = max(sum(c.flights for c in good), sum(f.outcome == "survived" for f in flights))
    failed = sum(c.verdict == "no" for c in checks)
    lived = [f for f in flights if f.outcome == "survived" and f.felt is not None]
    highest = max(lived, key=lambda f: f.felt or 0.0, default=None)
    bound = failure_bound(failed, survived + failed) if survived + failed else None
    return FlightLog(camera, tuple(flights), tuple(checks), survived, failed, highest, bound)


def _check(outcome: StoredOutcome) -> Check:
    findings = outcome.outcome.findings
    return Check(
        outcome.take.id,
        outcome.take.unit,
        outcome.take.taken,
        str(findings.get("survived", "cannot tell")),
        int(findings.get("flights", 1)),
    )


def _flight(outcome: StoredOutcome, checks: Sequence[Check]) -> Flown:
    found: dict[str, Any] = {}
    for r in outcome.results:
        found.setdefault(r.measurand, r)
    felt = max(
        (r for r in outcome.results if r.measurand == "felt_peak"),
        key=lambda r: r.value,
        default=None,
    )
    speed, height = found.get("max_speed"), found.get("apogee")
    return Flown(
        outcome.take.id,
        outcome.take.unit,
        outcome.take.taken,
        felt.value if felt else None,
        felt.u if felt else None,
        speed.value if speed else None,
        height.value if height else None,
        _fate(outcome, checks),
    )


def _fate(outcome: StoredOutcome, checks: Sequence[Check]) -> str:
    """The first check of the same unit on or after the day of the flight decides."""
    for check in checks:
        if check.unit == outcome.take.unit and check.day >= outcome.take.taken:
            if check.verdict == "cannot tell":
                continue
            return "survived" if check.verdict == "yes" else "failed"
    return "not checked"
