"""Foresee a flight through a camera of a bench."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from seeworthy.ground.errors import NotFound, UnreadableInput, WrongCall
from seeworthy.ground.plain import picked
from seeworthy.ground.results import Result
from seeworthy.ground.toml_text import read_toml_file
from seeworthy.judge.flights import flight_log
from seeworthy.judge.plan.advice import Advice, advise
from seeworthy.judge.plan.camera import FlownCamera
from seeworthy.judge.plan.flight import PlannedFlight, read_flight
from seeworthy.judge.plan.predict import predict
from seeworthy.judge.plan.prediction import Prediction
from seeworthy.procedures.cautions import CAUTIONS

if TYPE_CHECKING:
    from seeworthy.bench.store import Bench

PLAN_CAUTIONS = tuple(CAUTIONS[c] for c in ("verdict", "launch", "airspace", "lithium"))


@dataclass(frozen=True)
class Plan:
    """One flight foreseen through one camera.

    Attributes:
        advice: Changes that were tried and mend something, those that spoil nothing first.
    """

    flight: PlannedFlight
    camera: str
    predictions: tuple[Prediction, ...]
    advice: tuple[Advice, ...]
    cautions: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """The worst verdict of all, in words."""
        words = {p.verdict for p in self.predictions}
        for word in ("will not do", "may not do", "not known"):
            if word in words:
                return word
        return "fine" if "fine" in words else "told"

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        told = "name title unit value interval u probability=chance verdict limit why missing"
        return {
            "flight": self.flight.title,
            "camera": self.camera,
            "verdict": self.verdict,
            "predictions": [picked(p, told) for p in self.predictions],
            "advice": [picked(a, "change=text mends spoils") for a in self.advice],
            "cautions": list(self.cautions),
        }


def load_flight(path: str | Path) -> PlannedFlight:
    """Read a flight plan from a file.

    Raises:
        UnreadableInput: Missing, not text, or too large.
        WrongCall: The plan is wrong (with line and reason).
    """
    p = Path(path)
    if not p.is_file():
        raise UnreadableInput(f"There is no flight plan '{path}'.", "Name a .toml file.")
    return read_flight(read_toml_file(p, "plan"), p.stem)


def flown(bench: Bench) -> list[tuple[int, str]]:
    """Return the takes whose log can be the plan: number, and who flew when."""
    from seeworthy.bench.outcomes import list_measured

    return [
        (take, f"take {take}, {camera} on {taken.isoformat()}")
        for take, camera, taken in list_measured(bench, "load")
    ]


def flight_of_take(bench: Bench, number: int, base: PlannedFlight | None = None) -> PlannedFlight:
    """Make a plan of what a take of `load` has found.

    Raises:
        NotFound: No such take.
        WrongCall: A take of another procedure, or one that found no flight.
    """
    from seeworthy.bench.outcomes import get_outcome
    from seeworthy.judge.plan.from_log import flight_from_outcome

    found = get_outcome(bench, number)
    if found is None or found.take.procedure != "load" or found.error_kind:
        raise WrongCall(
            f"Take {number} holds no flight.", "Choose a measured take of 'load': the log flown."
        )
    title = f"As flown on {found.take.taken.isoformat()}"
    return flight_from_outcome(found.outcome, title, base)


def camera_of(bench: Bench, name: str) -> FlownCamera:
    """Return a camera's figures as a plan draws on them.

    Raises:
        NotFound: No such camera, or nothing measured.
    """
    from seeworthy.bench.cameras import get_camera
    from seeworthy.bench.outcomes import frame_size, list_results
    from seeworthy.judge.compare.combine import speaking

    camera = get_camera(bench, name)
    results: dict[str, list[Result]] = {}
    for stored in speaking(list_results(bench, camera=camera.name))[0]:
        results.setdefault(stored.result.measurand, []).append(stored.result)
    if not results:
        raise NotFound(f"'{camera.name}' has no figures yet.", "Add takes and run them first.")
    frame = frame_size(bench, camera.name)
    log = flight_log(bench, camera.name)
    survived = None
    if log.highest is not None and log.highest.felt is not None:
        survived = (log.highest.felt, log.survived)
    return FlownCamera(camera.name, results, frame, survived, log.bound)


def plan_flight(bench: Bench, flight: PlannedFlight, cameras: Sequence[str] = ()) -> list[Plan]:
    """Foresee a flight through cameras of a bench; all with figures when none is named."""
    from seeworthy.bench.cameras import list_cameras
    from seeworthy.bench.outcomes import list_results

    names = list(cameras)
    if not names:
        measured = {r.camera for r in list_results(bench)}
        names = [c.name for c in list_cameras(bench) if c.name in measured]
    if not names:
        raise NotFound("No camera of the bench has figures yet.", "Add takes and run them first.")
    return [_plan(bench, flight, name) for name in names]


def _plan(bench: Bench, flight: PlannedFlight, name: str) -> Plan:
    camera = camera_of(bench, name)

    def fresh() -> FlownCamera:
        return FlownCamera(
            camera.name, camera.results, camera.frame, camera.survived, camera.failure_bound
        )

    found = tuple(predict(flight, fresh()))
    advice = tuple(advise(flight, fresh, found))
    return Plan(flight, camera.name, found, advice, PLAN_CAUTIONS)
