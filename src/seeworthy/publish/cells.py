"""Cells of a CSV: values as text that no spreadsheet runs, and back."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

from seeworthy.ground.errors import UnreadableInput
from seeworthy.publish.sheets import SheetColumn

_RUN = ("=", "+", "-", "@", "\t", "\r", "\n", "'")
"""First letters that make a spreadsheet compute a cell (OWASP, "CSV Injection"), and the
apostrophe itself, so that the way back is one."""


def as_cell(value: Any, kind: str) -> str:
    """Return a value as the text of a cell; a text gets an apostrophe where it would run."""
    if value is None:
        return ""
    if kind == "string":
        text = str(value)
        return "'" + text if text[:1] in _RUN else text
    if kind == "boolean":
        return "true" if value else "false"
    if kind == "number":
        number = float(value)
        return repr(number) if math.isfinite(number) else ("INF" if number > 0 else "-INF")
    if kind == "datetime":
        moment: str = value.astimezone(dt.UTC).replace(tzinfo=None).isoformat()
        return f"{moment}Z"
    return value.isoformat() if kind == "date" else str(value)


def from_cell(text: str, column: SheetColumn, where: str) -> Any:
    """Return the value of a cell; None where it is empty and not words.

    Raises:
        UnreadableInput: Not of the column's type, or empty where it must not be.
    """
    if column.type == "string":
        value = text[1:] if text[:1] == "'" else text
        if column.needed and not value:
            raise _bad(where, column, "is empty")
        return value
    if not text:
        if column.needed:
            raise _bad(where, column, "is empty")
        return None
    try:
        return _READ[column.type](text)
    except (ValueError, KeyError, OverflowError):
        raise _bad(where, column, f"holds '{text[:40]}', which is no {column.type}") from None


def _number(text: str) -> float:
    value = float(text)
    if math.isnan(value) or "_" in text:
        raise ValueError(text)
    return value


def _integer(text: str) -> int:
    if not text.lstrip("-").isdecimal() or len(text) > 18:  # what a database column holds
        raise ValueError(text)
    return int(text)


def _moment(text: str) -> dt.datetime:
    moment = dt.datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(text)
    return moment.astimezone(dt.UTC)


_READ: dict[str, Any] = {
    "number": _number,
    "integer": _integer,
    "boolean": {"true": True, "false": False}.__getitem__,
    "date": dt.date.fromisoformat,
    "datetime": _moment,
}


def _bad(where: str, column: SheetColumn, what: str) -> UnreadableInput:
    return UnreadableInput(
        f"{where}: the column '{column.name}' {what}.",
        "Ask whoever made the package for a whole one; nothing was taken in.",
    )
