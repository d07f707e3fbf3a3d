"""Cells of text tables: numbers as people and instruments write them.

``1160.3``, ``1160,3``, ``1,160.3``, ``1.160,3``, ``1 160.3`` and ``1'160.3`` are one number;
``76.7F`` and ``2450'`` are numbers with their unit.
"""

from __future__ import annotations

import re

import numpy as np

_BLANK = {"", "-", "--", "nan", "na", "n/a", "null", "none", "inf", "-inf", "+inf", "?"}
_GAP = "['\u2019 \u00a0\u202f\u2009]"  # what stands between thousands besides comma and point
_POINT = re.compile(
    r"[+-]?(?:[1-9]\d{0,2}(?:,\d{3})+(?:\.\d*)?|[1-9]\d{0,2}(?:" + _GAP + r"\d{3})+(?:\.\d*)?"
    r"|(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)"
)
# A lone '1.160' may be 1.16 with a point; only with decimals or twice is it thousands.
_COMMA = re.compile(
    r"[+-]?(?:[1-9]\d{0,2}(?:\.\d{3})+,\d*|[1-9]\d{0,2}(?:\.\d{3}){2,}"
    r"|[1-9]\d{0,2}(?:" + _GAP + r"\d{3})+(?:,\d*)?|(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?)"
)
_CLOCK = re.compile(
    r"(?:(?:\d{4}[-/]\d\d?[-/]\d\d?|\d\d?[./-]\d\d?[./-]\d{4})(?:T|,? ))?"
    r"(?:(\d{1,2}):)?(\d{1,2}):(\d\d(?:[.,]\d+)?)(?: ?([AP])M)?(?:Z|[+-]\d\d:?\d\d)?",
    re.I,
)
_WITH_UNIT = re.compile(r"([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*([A-Za-z°µμ%'\u2032][^\d]*?\d?)")


def is_blank(cell: str) -> bool:
    """Tell whether a cell says 'no value'."""
    return cell.lower() in _BLANK


def is_clock(cell: str) -> bool:
    """Tell whether a cell is a time of day or a date with one."""
    return _CLOCK.fullmatch(cell) is not None


def clock_seconds(cell: str) -> float | None:
    """Return the seconds of a clock's cell since its midnight (or start), None for no clock.

    ``13:59:50.2``, ``2024-05-04T13:59:50+02:00``, ``5/4/2024 1:59:50 PM``; two numbers are hours
    and minutes, or with a fraction minutes and seconds (``00:05.123``).
    """
    found = _CLOCK.fullmatch(cell)
    if found is None:
        return None
    hours, minutes, rest = found[1], int(found[2]), found[3].replace(",", ".")
    if hours is None and "." not in rest:
        hours, minutes, rest = str(minutes), int(rest), "0"
    hour = int(hours or 0)
    if found[4]:
        hour = hour % 12 + (12 if found[4].upper() == "P" else 0)
    return 3600.0 * hour + 60.0 * minutes + float(rest)


def is_number(cell: str, decimal: str) -> bool:
    """Tell whether a cell is a number with this decimal mark."""
    return (_POINT if decimal == "." else _COMMA).fullmatch(cell) is not None


def value_of(cell: str, decimal: str) -> float:
    """Return the number in a cell that `is_number`; NaN where it is out of range."""
    plain = re.sub(_GAP, "", cell)
    plain = plain.replace(",", "") if decimal == "." else plain.replace(".", "").replace(",", ".")
    number = float(plain)
    return number if np.isfinite(number) else float("nan")


def with_unit(cell: str, decimal: str) -> tuple[float, str] | None:
    """Return number and unit of a cell like ``76.7F`` or ``2450'``, None where it is none."""
    from seeworthy.media.headers import known_unit

    found = _WITH_UNIT.fullmatch(cell)
    if found is None or not is_number(found[1], decimal):
        return None
    unit = known_unit(found[2])
    return (value_of(found[1], decimal), unit) if unit else None


def is_datum(cell: str, decimal: str) -> bool:
    """Tell whether a cell holds a value: a number, a clock, or a number with its unit."""
    return is_number(cell, decimal) or is_clock(cell) or with_unit(cell, decimal) is not None
