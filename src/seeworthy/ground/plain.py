"""Records as plain JSON values: one way for the command line, the API, the store and tables."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, ValuesView
from dataclasses import fields, is_dataclass
from operator import attrgetter
from pathlib import PurePath
from typing import Any


def plain(value: Any) -> Any:
    """Turn a value, all the way down, into what JSON knows.

    Records become objects of their fields, dates and paths text, NumPy's numbers and arrays plain
    ones; NaN and infinity, for which JSON has no word, become None.
    """
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if value is None or isinstance(value, str | int):
        return value
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset | ValuesView):
        return [plain(v) for v in value]
    if isinstance(value, dt.date):  # a datetime is one, too
        return value.isoformat()
    if hasattr(value, "tolist"):  # NumPy arrays and numbers, without importing NumPy
        return plain(value.tolist())
    return str(value) if isinstance(value, PurePath) else value


def picked(record: Any, names: str) -> dict[str, Any]:
    """Return fields of a record by name, plain.

    Args:
        names: Apart by blanks, in order; ``told=way.to.field`` where JSON has a name of its own.
    """
    pairs = (word.partition("=") for word in names.split())
    return {name: plain(attrgetter(way or name)(record)) for name, _, way in pairs}
