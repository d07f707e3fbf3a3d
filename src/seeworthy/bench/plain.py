"""A stored outcome as plain JSON values: one form for command line and API."""

from __future__ import annotations

from typing import Any

from seeworthy.bench.records import StoredOutcome
from seeworthy.ground.plain import picked, plain


def outcome_plain(stored: StoredOutcome) -> dict[str, Any]:
    """Return a stored outcome in the form of ``measure --json``, with what the bench adds.

    A take that gave no figure has ``error`` in the one shape that all errors have.
    """
    found = {
        **picked(stored.take, "take=id camera unit firmware taken state procedure"),
        **picked(stored, "procedure_version seeworthy measured"),
        "inputs": [
            {k: v for k, v in entry.items() if v or k != "role"} for entry in stored.inputs["files"]
        ],
        "readings": _readings(stored),
        **stored.outcome.to_json(),
        "pictures": [picked(p, "name caption sha256 file=path") for p in stored.pictures],
    }
    if stored.error_kind:
        found["error"] = picked(stored, "kind=error_kind message hint")
    told: dict[str, Any] = plain(found)
    return told


def _readings(stored: StoredOutcome) -> dict[str, Any]:
    found: dict[str, list[Any]] = {}
    for reading in stored.take.readings:
        value: Any = reading.text
        if reading.value is not None:
            value = picked(reading, "value unit u")
        found.setdefault(reading.name, []).append(value)
    return {name: ones[0] if len(ones) == 1 else ones for name, ones in found.items()}
