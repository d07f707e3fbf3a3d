"""Export a bench as open data: CSV tables with a Frictionless Data Package descriptor.

The tables can be read by any spreadsheet; `datapackage.json` says what every column
means, its type and unit (https-free: profiles by name, Data Package v1 specification).
Figures go along as SVG, PNG or PDF, all from one definition.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from seeworthy import __version__
from seeworthy.ground.errors import Conflict, NotFound, WrongCall

if TYPE_CHECKING:
    from seeworthy.bench.records import StoredOutcome
    from seeworthy.bench.store import Bench
    from seeworthy.publish.figures import Format

FORMATS = ("svg", "png", "pdf")


@dataclass(frozen=True)
class Column:
    """One column: name, Table Schema type, what it holds."""

    name: str
    type: str
    what: str


@dataclass(frozen=True)
class Sheet:
    """One table of the package."""

    name: str
    title: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    refers: tuple[tuple[str, str], ...] = ()  # (own column, "table.column")


CAMERAS = Sheet(
    "cameras",
    "Cameras (models)",
    (
        Column("camera", "string", "Name of the camera."),
        Column("maker", "string", "Who sells it."),
        Column("note", "string", "Remark."),
    ),
    ("camera",),
)
UNITS = Sheet(
    "units",
    "Units (specimens) and their firmware",
    (
        Column("camera", "string", "Name of the camera."),
        Column("unit", "string", "Serial or label of the specimen."),
        Column("firmware", "string", "Firmware; empty where none is known."),
        Column("since", "date", "Day from which the firmware is in force."),
        Column("note", "string", "Remark."),
    ),
    refers=(("camera", "cameras.camera"),),
)
CLAIMS = Sheet(
    "claims",
    "What the seller says",
    (
        Column("camera", "string", "Name of the camera."),
        Column("subject", "string", "Measurand or finding."),
        Column("text", "string", "As typed; empty when nothing is claimed."),
        Column("value", "number", "In the unit of the measurand."),
        Column("unit", "string", "Unit of the value."),
        Column("silent", "boolean", "True when the seller says nothing of it."),
        Column("source", "string", "Where it was read."),
    ),
    refers=(("camera", "cameras.camera"),),
)
TAKES = Sheet(
    "takes",
    "Executions of a procedure on one unit",
    (
        Column("take", "integer", "Number of the take."),
        Column("procedure", "string", "Id of the procedure."),
        Column("camera", "string", "Name of the camera."),
        Column("unit", "string", "Serial or label of the specimen."),
        Column("firmware", "string", "In force on that day."),
        Column("taken", "date", "Day of the take."),
        Column("state", "string", "new, measured, refused, failed, lost or stale."),
        Column("message", "string", "Why there is no figure."),
        Column("note", "string", "Remark."),
    ),
    ("take",),
    (("camera", "cameras.camera"),),
)
FILES = Sheet(
    "files",
    "Files of the takes",
    (
        Column("take", "integer", "Number of the take."),
        Column("role", "string", "Role of the file; empty for positional ones."),
        Column("file", "string", "Name the user gave it."),
        Column("sha256", "string", "SHA-256 of its content."),
        Column("bytes", "integer", "Size."),
    ),
    refers=(("take", "takes.take"),),
)
READINGS = Sheet(
    "readings",
    "Values that a person read off an instrument",
    (
        Column("take", "integer", "Number of the take."),
        Column("reading", "string", "Name of the reading."),
        Column("typed", "string", "As typed."),
        Column("value", "number", "In the declared unit."),
        Column("unit", "string", "Declared unit."),
        Column("u", "number", "Standard uncertainty, same unit."),
    ),
    refers=(("take", "takes.take"),),
)
RESULTS = Sheet(
    "results",
    "Measured values with their uncertainty",
    (
        Column("take", "integer", "Number of the take."),
        Column("measurand", "string", "Id of the quantity."),
        Column("value", "number", "Measured value."),
        Column("unit", "string", "Unit; empty for a ratio."),
        Column("u", "number", "Standard uncertainty (k = 1), same unit."),
        Column("low", "number", "Lower end of the 95 % interval."),
        Column("high", "number", "Upper end of the 95 % interval."),
        Column("dof", "number", "Degrees of freedom of u; INF where it is taken as exact."),
        Column("n", "integer", "Independent observations."),
        Column("conditions", "object", "Conditions as JSON."),
        Column("method", "string", "Method that answered; empty where there is one."),
        Column("procedure_version", "integer", "Version of the procedure."),
        Column("seeworthy", "string", "Version of the program."),
        Column("stale", "boolean", "True when inputs or method have changed since."),
    ),
    refers=(("take", "takes.take"),),
)
FINDINGS = Sheet(
    "findings",
    "Things true, false or counted",
    (
        Column("take", "integer", "Number of the take."),
        Column("finding", "string", "Name of the finding."),
        Column("value", "any", "Plain JSON value."),
    ),
    refers=(("take", "takes.take"),),
)


def export_bench(
    bench: Bench,
    folder: str | Path | None = None,
    *,
    camera: str | None = None,
    figures: Sequence[str] = (),
) -> Path:
    """Write a data package and return its folder.

    Parameters
    ----------
    bench : Bench
    folder : path, optional
        New or empty; default ``exports/data`` (or ``exports/data-CAMERA``) of the bench,
        which is replaced.
    camera : str, optional
        Only this camera.
    figures : sequence of str
        Also every figure as ``svg``, ``png`` or ``pdf``.

    Raises
    ------
    NotFound
        No such camera.
    Conflict
        The folder holds something else.
    """
    from seeworthy.bench.cameras import get_camera, list_cameras
    from seeworthy.bench.outcomes import list_outcomes
    from seeworthy.bench.takes import list_takes

    for kind in figures:
        if kind not in FORMATS:
            raise WrongCall(f"Figures cannot be '{kind}'.", f"Choose from {', '.join(FORMATS)}.")
    chosen = [get_camera(bench, camera)] if camera else list_cameras(bench)
    if not chosen:
        raise NotFound("The bench has no camera to export.", "Add one: seeworthy camera add NAME.")
    names = {c.name for c in chosen}
    takes = [t for t in list_takes(bench) if t.camera in names]
    outcomes = [o for o in list_outcomes(bench) if o.take.camera in names]
    tables: list[tuple[Sheet, list[tuple[Any, ...]]]] = [
        (CAMERAS, [(c.name, c.maker, c.note) for c in chosen]),
        (UNITS, list(_units(chosen))),
        (CLAIMS, list(_claims(chosen))),
        (TAKES, [_take(t) for t in takes]),
        (FILES, [(t.id, f.role, f.name, f.sha256, f.size) for t in takes for f in t.files]),
        (READINGS, [_reading(t.id, r) for t in takes for r in t.readings]),
        (RESULTS, list(_results(outcomes))),
        (FINDINGS, list(_findings(outcomes))),
    ]
    target = _target(bench, folder, camera)
    _write(target, tables, outcomes, figures)
    return target


def _target(bench: Bench, folder: str | Path | None, camera: str | None) -> Path:
    if folder is None:
        name = "data" if camera is None else f"data-{_plain_name(camera)}"
        return bench.folder / "exports" / name
    target = Path(folder)
    ours = (target / "datapackage.json").is_file()
    if target.exists() and (not target.is_dir() or (any(target.iterdir()) and not ours)):
        raise Conflict(f"'{target}' exists and holds something else.", "Name a new folder.")
    return target


def _plain_name(text: str) -> str:
    return "".join(c if c.isalnum() else "-" for c in text).strip("-").lower() or "camera"


def _units(cameras: Iterable[Any]) -> Iterable[tuple[Any, ...]]:
    for camera in cameras:
        for unit in camera.units:
            for firmware in unit.firmware or (None,):
                name = firmware.name if firmware else ""
                since = firmware.since.isoformat() if firmware else ""
                yield camera.name, unit.serial, name, since, unit.note


def _claims(cameras: Iterable[Any]) -> Iterable[tuple[Any, ...]]:
    for camera in cameras:
        for c in camera.claims:
            yield camera.name, c.subject, c.text, c.value, c.unit, c.silent, c.source


def _take(t: Any) -> tuple[Any, ...]:
    return (
        t.id, t.procedure, t.camera, t.unit, t.firmware, t.taken.isoformat(), t.state,
        t.message, t.note,
    )  # fmt: skip


def _reading(take: int, r: Any) -> tuple[Any, ...]:
    return take, r.name, r.text, r.value, r.unit, r.u


def _results(outcomes: Iterable[StoredOutcome]) -> Iterable[tuple[Any, ...]]:
    for o in outcomes:
        for r in o.results:
            conditions = json.dumps(dict(r.conditions), ensure_ascii=False, sort_keys=True)
            yield (
                o.take.id, r.measurand, r.value, r.unit, r.u, *r.interval, r.dof, r.n,
                conditions, o.outcome.method, o.procedure_version, o.seeworthy,
                o.take.state == "stale",
            )  # fmt: skip


def _findings(outcomes: Iterable[StoredOutcome]) -> Iterable[tuple[Any, ...]]:
    for o in outcomes:
        for name, value in o.outcome.findings.items():
            yield o.take.id, name, json.dumps(value, ensure_ascii=False, sort_keys=True)


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    # A spreadsheet must not run what somebody typed as a name or a note.
    if isinstance(value, str) and value[:1] in ("=", "+", "@", "\t", "\r"):
        return "'" + value
    return repr(value) if isinstance(value, float) else value


def _write(
    target: Path,
    tables: Sequence[tuple[Sheet, list[tuple[Any, ...]]]],
    outcomes: Sequence[StoredOutcome],
    figures: Sequence[str],
) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    # Written beside and moved into place, so that a full disk leaves no half package.
    part = Path(tempfile.mkdtemp(prefix=".export-", dir=target.parent))
    try:
        for sheet, rows in tables:
            text = io.StringIO(newline="")
            writer = csv.writer(text, lineterminator="\r\n")
            writer.writerow([c.name for c in sheet.columns])
            writer.writerows([[_cell(v) for v in row] for row in rows])
            (part / f"{sheet.name}.csv").write_text(text.getvalue(), encoding="utf-8", newline="")
        files = _figures(part, outcomes, figures)
        text_json = json.dumps(_descriptor([s for s, _ in tables], files), indent=2)
        (part / "datapackage.json").write_text(text_json + "\n", encoding="utf-8")
        if target.exists():
            shutil.rmtree(target)
        part.chmod(0o755)
        part.rename(target)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise


def _figures(part: Path, outcomes: Sequence[StoredOutcome], kinds: Sequence[str]) -> list[str]:
    if not kinds:
        return []
    from seeworthy.publish.figures import render

    made = []
    (part / "figures").mkdir()
    for outcome in outcomes:
        for figure in outcome.figures:
            for kind in kinds:
                name = f"figures/take-{outcome.take.id}-{_plain_name(figure.name)}.{kind}"
                (part / name).write_bytes(render(figure, cast("Format", kind)))
                made.append(name)
    return made


def _descriptor(sheets: Sequence[Sheet], figures: Sequence[str]) -> dict[str, Any]:
    resources: list[dict[str, Any]] = [
        {
            "name": sheet.name,
            "title": sheet.title,
            "path": f"{sheet.name}.csv",
            "profile": "tabular-data-resource",
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "schema": _schema(sheet),
        }
        for sheet in sheets
    ]
    resources += [
        {"name": Path(f).stem.lower() + "-" + Path(f).suffix[1:], "path": f} for f in figures
    ]
    return {
        "name": "seeworthy-bench",
        "title": "Bench tests of small flying cameras",
        "profile": "data-package",
        "version": "1",
        "created_by": f"seeworthy {__version__}",
        "description": (
            "Every value has a standard uncertainty u (k = 1) and a 95 % interval. Units are "
            "given per row. A figure is about pictures and recording, never about flight safety."
        ),
        "resources": resources,
    }


def _schema(sheet: Sheet) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [{"name": c.name, "type": c.type, "description": c.what} for c in sheet.columns],
        "missingValues": [""],
    }
    if sheet.key:
        schema["primaryKey"] = list(sheet.key)
    if sheet.refers:
        schema["foreignKeys"] = [
            {
                "fields": own,
                "reference": dict(zip(("resource", "fields"), other.split("."), strict=True)),
            }
            for own, other in sheet.refers
        ]
    return schema
