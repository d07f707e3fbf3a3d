"""The bench as JSON: the same functions as the command line and the pages call."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from seeworthy.bench import cameras as camera_service
from seeworthy.bench import claims as claim_service
from seeworthy.bench import takes as take_service
from seeworthy.bench.outcomes import get_outcome, list_results
from seeworthy.bench.plain import outcome_plain
from seeworthy.bench.running import due_takes
from seeworthy.bench.shoot import shoot_sheet
from seeworthy.ground.errors import NotFound
from seeworthy.ground.measurands import all_measurands
from seeworthy.ground.plain import plain
from seeworthy.judge.compare.comparison import By, compare_bench
from seeworthy.judge.plan.bench_plan import plan_flight
from seeworthy.judge.plan.flight import read_flight
from seeworthy.judge.purpose.bench_rank import ranking_json, suit
from seeworthy.procedures import all_procedures
from seeworthy.procedures.declare import Procedure
from seeworthy.publish.assemble import camera_report
from seeworthy.web.deps import TheBench, TheSite

router = APIRouter(prefix="/api")
Text = Annotated[str, Field(max_length=2000)]
Typed = dict[str, list[Text]]


class NewCamera(BaseModel):
    """A camera to be added."""

    name: Text
    maker: Text = ""
    note: Text = ""
    unit: Text = "1"
    claims: dict[str, Text] = {}


class NewClaim(BaseModel):
    """A claim as the seller writes it."""

    text: Text
    source: Text = ""
    version: int | None = None


class NewTake(BaseModel):
    """A take; files are uploaded first and named by their tickets, by role."""

    procedure: Text
    camera: Text
    unit: Text | None = None
    files: dict[str, list[Text]] = {}
    readings: Typed = {}
    options: Typed = {}
    conditions: dict[str, Text] = {}
    note: Text = ""


class TakeChange(BaseModel):
    """A change of a take; `version` is that which it was based on."""

    version: int
    readings: Typed | None = None
    options: Typed | None = None
    conditions: dict[str, Text | None] | None = None
    note: Text | None = None


class FlightText(BaseModel):
    """A planned flight as TOML."""

    flight: Annotated[str, Field(max_length=100_000)]
    cameras: list[Text] = []


@router.get("/procedures")
def procedures() -> list[dict[str, Any]]:
    """List all tests with what they need."""
    return [_procedure(p) for p in all_procedures().values()]


def _procedure(one: Procedure) -> dict[str, Any]:
    return {
        "id": one.id,
        "title": one.title,
        "question": one.question,
        "version": one.version,
        "yields": list(one.measurand_ids),
        "cautions": list(one.cautions),
        "kit": list(one.kit),
        "steps": [s.text for s in one.steps],
        "files": plain(one.files),
        "readings": plain(one.readings),
        "options": plain(one.options),
        "setup": one.setup,
        "minutes": one.minutes,
    }


@router.get("/measurands")
def measurands() -> list[Any]:
    """List every quantity that can be measured."""
    return list(plain(all_measurands().values()))


@router.get("/cameras")
def cameras(bench: TheBench) -> list[Any]:
    """List cameras with units, firmware and claims."""
    return list(plain(camera_service.list_cameras(bench)))


@router.post("/cameras", status_code=201)
def add_camera(bench: TheBench, new: NewCamera) -> Any:
    """Add a camera."""
    return plain(
        camera_service.add_camera(
            bench, new.name, maker=new.maker, note=new.note, unit=new.unit, claims=new.claims
        )
    )


@router.get("/cameras/{name}")
def camera(bench: TheBench, name: str) -> Any:
    """Return one camera."""
    return plain(camera_service.get_camera(bench, name))


@router.get("/cameras/{name}/report")
def report(bench: TheBench, name: str) -> Any:
    """Return everything the bench knows of a camera, claims judged."""
    return plain(camera_report(bench, name, pictures=False).to_json())


@router.put("/cameras/{name}/claims/{subject}")
def set_claim(bench: TheBench, name: str, subject: str, new: NewClaim) -> Any:
    """Enter or change a claim."""
    return plain(
        claim_service.set_claim(
            bench, name, subject, new.text, source=new.source, version=new.version
        )
    )


@router.delete("/cameras/{name}/claims/{subject}", status_code=204)
def remove_claim(bench: TheBench, name: str, subject: str) -> None:
    """Remove a claim."""
    claim_service.remove_claim(bench, name, subject)


@router.get("/takes")
def takes(
    bench: TheBench,
    camera: str | None = None,
    procedure: str | None = None,
    offset: Annotated[int, Query(ge=0)] = 0,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> dict[str, Any]:
    """List takes, a page at a time."""
    found = take_service.list_takes(bench, camera=camera, procedure=procedure)
    shown = found[offset : offset + limit]
    return {"total": len(found), "offset": offset, "takes": plain(shown)}


@router.post("/takes", status_code=201)
def add_take(site: TheSite, new: NewTake) -> Any:
    """Enter a take and measure it."""
    files = {role: [site.uploads.named(t) for t in ones] for role, ones in new.files.items()}
    take = take_service.add_take(
        site.bench, new.procedure, new.camera, files, readings=new.readings,
        options=new.options, conditions=new.conditions, unit=new.unit, note=new.note,
    )  # fmt: skip
    for ones in new.files.values():
        for ticket in ones:
            site.uploads.drop(ticket)
    site.keeper.start((str(take.id),))
    return plain(take)


@router.get("/takes/{number}")
def take(bench: TheBench, number: int) -> Any:
    """Return one take."""
    return plain(take_service.get_take(bench, number))


@router.patch("/takes/{number}")
def edit_take(bench: TheBench, number: int, change: TakeChange) -> Any:
    """Change a take; a change based on an older version is refused."""
    return plain(
        take_service.edit_take(
            bench, number, version=change.version, readings=change.readings,
            options=change.options, conditions=change.conditions, note=change.note,
        )
    )  # fmt: skip


@router.delete("/takes/{number}", status_code=204)
def remove_take(bench: TheBench, number: int) -> None:
    """Take a take back."""
    take_service.remove_take(bench, number)


@router.get("/takes/{number}/outcome")
def outcome(bench: TheBench, number: int) -> Any:
    """Return what was said of a take, in the form of ``measure --json``."""
    found = get_outcome(bench, number)
    if found is None:
        raise NotFound("This take is not measured yet.", "Measure it first.")
    return outcome_plain(found)


@router.get("/results")
def results(bench: TheBench, camera: str | None = None, measurand: str | None = None) -> list[Any]:
    """List measured values with their origin."""
    return [
        {**plain(r), "result": plain(r.result.to_json())}
        for r in list_results(bench, camera=camera, measurand=measurand)
    ]


@router.get("/run")
def due(site: TheSite) -> dict[str, Any]:
    """Tell what is due, and whether a run goes on."""
    return {"busy": site.keeper.busy, "due": due_takes(site.bench)}


@router.post("/run", status_code=202)
def run(site: TheSite, only: list[Text] | None = None) -> dict[str, Any]:
    """Measure what is new or out of date."""
    site.bench.require_writable()
    return {"started": site.keeper.start(tuple(only or ()))}


@router.get("/compare")
def compare(
    bench: TheBench,
    by: By = "camera",
    camera: Annotated[list[str], Query()] = [],  # noqa: B006 - how FastAPI is told
    measurand: Annotated[list[str], Query()] = [],  # noqa: B006
) -> Any:
    """Set cameras, units or firmware side by side."""
    return plain(compare_bench(bench, by=by, cameras=camera, measurands=measurand).to_json())


@router.get("/suit/{purpose}")
def suited(bench: TheBench, purpose: str) -> Any:
    """Rank cameras for a purpose."""
    if purpose.endswith(".toml") or "/" in purpose:
        raise NotFound(f"There is no purpose '{purpose}'.", "Name a shipped one or your own.")
    return plain(ranking_json(suit(bench, purpose)))


@router.post("/plan")
def plan(bench: TheBench, wanted: FlightText) -> list[Any]:
    """Foresee a flight."""
    flight = read_flight(wanted.flight, "flight")
    return [plain(p.to_json()) for p in plan_flight(bench, flight, wanted.cameras)]


@router.get("/shoot")
def shoot(
    procedure: Annotated[list[str], Query()], units: Annotated[int, Query(ge=1, le=1000)] = 1
) -> Any:
    """Plan a shoot: tests in the order that needs the fewest set-ups."""
    sheet = shoot_sheet(procedure, units)
    return {
        "minutes": sheet.minutes,
        "kit": list(sheet.kit),
        "cautions": list(sheet.cautions),
        "setups": [
            {
                "name": s.name,
                "procedures": [p.id for p in s.procedures],
                "minutes": s.minutes,
                "cards": [{"procedure": p, "role": r} for p, r in s.cards],
            }
            for s in sheet.setups
        ],
    }
