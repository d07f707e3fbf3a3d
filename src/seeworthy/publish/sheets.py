"""The tables of a data package: which columns they have and where each stands in the bench.

A column is a way through the models (``take.unit.camera.name``), and its type is the
model's; the same list writes the CSV, the Parquet twin and the descriptor, and reads a
package back. Two kinds of column stand in no model: the firmware in force on a day, and
the conditions of a result, which the bench keeps as one JSON value.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from sqlalchemy import inspect

from seeworthy.bench.columns import UtcTime
from seeworthy.bench.models import (
    CameraRow,
    ClaimRow,
    FindingRow,
    FirmwareRow,
    InstrumentRow,
    OutcomeRow,
    ReadingRow,
    ResultRow,
    TakeFileRow,
    TakeOptionRow,
    TakeRow,
    UnitRow,
    WarningRow,
)

TYPES: dict[type, str] = {
    str: "string",
    int: "integer",
    float: "number",
    bool: "boolean",
    dt.date: "date",
    dt.datetime: "datetime",
}
"""Table Schema types (Frictionless Data, Table Schema v1) of Python's."""

CONDITIONS: dict[str, tuple[str, str]] = {
    "method": ("string", "Way of measuring; empty where there is one."),
    "position": ("string", "Where in the picture."),
    "orientation": ("string", "Direction that was measured."),
    "channel": ("string", "Colour channel."),
    "phase": ("string", "Part of the take."),
    "limit": ("string", "What bounds the figure."),
    "enlarged": ("string", "Direction in which the picture was enlarged."),
    "light": ("number", "Light on the scene in lux."),
    "temperature": ("number", "Of the air in degrees Celsius."),
}
"""Conditions with a column of their own; any other is in ``other_conditions``."""


@dataclass(frozen=True, slots=True)
class SheetColumn:
    """One column.

    Attributes:
        type: Table Schema type.
        what: What it holds.
        way: Through the models, with dots; ``""`` where it is computed.
        needed: Never empty.
    """

    name: str
    type: str
    what: str
    way: str = ""
    needed: bool = False

    @property
    def own(self) -> bool:
        """Whether the row itself keeps it, not one that it belongs to."""
        return bool(self.way) and "." not in self.way


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """One table of the package: its model, its columns, its key and what it refers to."""

    name: str
    title: str
    model: type[Any]
    columns: tuple[SheetColumn, ...]
    key: tuple[str, ...] = ()
    refers: Mapping[str, str] = field(default_factory=dict)

    @property
    def names(self) -> list[str]:
        """Names of the columns."""
        return [c.name for c in self.columns]


def _sheet(name: str, model: type[Any], title: str, key: str, refers: str, text: str) -> Sheet:
    """Build a sheet from lines ``column = way | what it holds``."""
    columns: list[SheetColumn] = []
    for line in text.strip().splitlines():
        left, what = (part.strip() for part in line.split(" | "))
        if left == "*conditions":
            columns += [SheetColumn(n, kind, said) for n, (kind, said) in CONDITIONS.items()]
            continue
        column, _, way = (part.strip() for part in left.partition("="))
        if way.startswith(":"):
            columns.append(SheetColumn(column, way[1:], what))
            continue
        kind, needed = _type(model, way or column)
        columns.append(SheetColumn(column, kind, what, way or column, needed))
    pairs = dict(pair.split(":") for pair in refers.split())
    return Sheet(name, title, model, tuple(columns), tuple(key.split()), pairs)


def _type(model: type[Any], way: str) -> tuple[str, bool]:
    *parts, last = way.split(".")
    for part in parts:
        model = inspect(model).relationships[part].mapper.class_
    column = inspect(model).columns[last]
    python = dt.datetime if isinstance(column.type, UtcTime) else column.type.python_type
    # A text that may be empty is an empty cell, and that reads as a missing one.
    needed = not parts and not column.nullable and (python is not str or column.primary_key)
    return TYPES[python], needed


_TAKE = "take =:string | Identity of the take."


@cache
def sheets() -> tuple[Sheet, ...]:
    """Return the tables in the order in which they can be read back."""
    return (
        _sheet("cameras", CameraRow, "Cameras (models)", "id", "", """
            id = uuid | Identity of the camera.
            camera = name | Name of the camera.
            maker | Who sells it.
            note | Remark.
            bench =:string | Identity of the bench that measured it.
        """),
        _sheet("units", UnitRow, "Units (specimens)", "id", "camera:cameras.id", """
            id = uuid | Identity of the unit.
            camera = camera.uuid | Identity of the camera.
            unit = serial | Serial or label of the specimen.
            note | Remark.
        """),
        _sheet("firmware", FirmwareRow, "Firmware of the units", "unit firmware",
               "unit:units.id", """
            unit = unit.uuid | Identity of the unit.
            firmware = name | Its name.
            since | Day from which it is in force.
        """),
        _sheet("claims", ClaimRow, "What the seller says", "camera subject",
               "camera:cameras.id", """
            camera = camera.uuid | Identity of the camera.
            camera_name = camera.name | Name of the camera.
            subject | Measurand or finding.
            text | As typed; empty when nothing is claimed.
            value | In the unit of the measurand.
            unit | Unit of the value.
            u | Standard uncertainty of what was typed, same unit.
            silent | True when the seller says nothing of it.
            source | Where it was read.
        """),
        _sheet("instruments", InstrumentRow, "Instruments that readings were taken with", "id",
               "", """
            id = uuid | Identity of the instrument.
            instrument = name | Its name.
        """),
        _sheet("takes", TakeRow, "Executions of a procedure on one unit", "id", "unit:units.id", """
            id = uuid | Identity of the take.
            number = id | Number of the take in its bench.
            procedure | Id of the procedure.
            unit = unit.uuid | Identity of the unit.
            firmware =:string | In force on that day; empty where none is known.
            taken | Day of the take.
            light =:number | Light on the scene in lux.
            light_u =:number | Its standard uncertainty in lux.
            light_typed =:string | As typed.
            temperature =:number | Of the air in degrees Celsius.
            temperature_u =:number | Its standard uncertainty in kelvins.
            temperature_typed =:string | As typed.
            note | Remark.
        """),
        _sheet("files", TakeFileRow, "Files of the takes", "take position", "take:takes.id", f"""
            {_TAKE}
            position | Place within the take.
            role | Role of the file; empty for positional ones.
            file = name | Name the user gave it.
            sha256 | SHA-256 of its content.
            bytes = evidence.size | Size.
        """),
        _sheet("readings", ReadingRow, "Values that a person read off an instrument",
               "take position", "take:takes.id instrument:instruments.id", f"""
            {_TAKE}
            position | Place within the take.
            reading = name | Name of the reading.
            typed = text | As typed.
            value | In the declared unit; empty where the reading is words.
            unit | Declared unit.
            u | Standard uncertainty, same unit.
            instrument = instrument_uuid | Identity of the instrument; empty where none is named.
        """),
        _sheet("options", TakeOptionRow, "How the takes are evaluated", "take position",
               "take:takes.id", f"""
            {_TAKE}
            position | Place within the take.
            option = name | Name of the option.
            value | Its value.
        """),
        _sheet("outcomes", OutcomeRow, "What the procedures said of the takes", "take",
               "take:takes.id", """
            take =:string | Identity of the take.
            state | measured, refused, failed or lost.
            measured | When, UTC.
            seconds | What it took.
            procedure_version | Version of the procedure, of its method that is.
            seeworthy | Version of the program.
            inputs = inputs_key | Digest of contents, readings, options and method version.
            method | Way of measuring that answered; empty where there is one.
            sentence | What it means for a flyer.
            error = error_kind | Kind of refusal; empty when measured.
            message | Why there is no figure.
            hint | What to do about it.
        """),
        _sheet("results", ResultRow, "Measured values with their uncertainty", "id",
               "take:takes.id unit_id:units.id camera_id:cameras.id", f"""
            id = uuid | Identity of the result.
            {_TAKE}
            place = position | Place within the take.
            camera = outcome.take.unit.camera.name | Name of the camera.
            camera_id = outcome.take.unit.camera.uuid | Identity of the camera.
            specimen = outcome.take.unit.serial | Serial or label of the specimen.
            unit_id = outcome.take.unit.uuid | Identity of the specimen.
            firmware =:string | In force on the day of the take; empty where none is known.
            procedure = outcome.take.procedure | Id of the procedure.
            taken = outcome.take.taken | Day of the take.
            measurand | Id of the quantity.
            value | Measured value.
            unit | Unit; empty for a ratio.
            u | Standard uncertainty (k = 1), same unit.
            dof | Degrees of freedom of u.
            low | Lower end of the 95 % interval; -INF where there is none.
            high | Upper end of the 95 % interval; INF where there is none.
            n | Independent observations.
            *conditions | -
            other_conditions =:string | Any further condition, as JSON.
            evidence =:string | Names of the pictures that show it, as JSON.
            procedure_version = outcome.procedure_version | Version of the procedure.
            seeworthy = outcome.seeworthy | Version of the program.
            stale =:boolean | True when inputs or method have changed since.
            instruments =:string | Identities of the instruments of its take, with blanks between.
        """),
        _sheet("findings", FindingRow, "Things true, false or counted", "take position",
               "take:takes.id", f"""
            {_TAKE}
            position | Place within the take.
            finding = name | Name of the finding.
            value =:string | Its value, as JSON.
        """),
        _sheet("warnings", WarningRow, "Sentences to read beside the figures", "take position",
               "take:takes.id", f"""
            {_TAKE}
            position | Place within the take.
            warning = text | The sentence.
        """),
    )  # fmt: skip


@cache
def sheet(name: str) -> Sheet:
    """Return one table by its name."""
    return next(s for s in sheets() if s.name == name)


def table_schema(of: Sheet) -> dict[str, Any]:
    """Return the Table Schema of a sheet (Frictionless Data, Table Schema v1)."""
    fields: list[dict[str, Any]] = []
    for c in of.columns:
        entry: dict[str, Any] = {"name": c.name, "type": c.type, "description": c.what}
        if c.needed or c.name in of.key:
            entry["constraints"] = {"required": True}
        fields.append(entry)
    schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    if of.key:
        schema["primaryKey"] = list(of.key)
    if of.refers:
        schema["foreignKeys"] = [
            {
                "fields": own,
                "reference": dict(zip(("resource", "fields"), other.split("."), strict=True)),
            }
            for own, other in of.refers.items()
        ]
    return schema


@cache
def arrow_schema(of: Sheet) -> Any:
    """Return the Arrow schema of a sheet: the types that its Parquet twin has."""
    import pyarrow as pa

    kinds = {
        "string": pa.string(),
        "integer": pa.int64(),
        "number": pa.float64(),
        "boolean": pa.bool_(),
        "date": pa.date32(),
        "datetime": pa.timestamp("us", tz="UTC"),
    }
    return pa.schema([pa.field(c.name, kinds[c.type]) for c in of.columns])
