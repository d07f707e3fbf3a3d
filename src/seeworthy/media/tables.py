"""Text tables as people's instruments write them: cells, before any meaning.

Comma, semicolon, tab or blanks between cells; decimal points or commas; a byte-order
mark, comment lines, lines of other text before the table, a header, several or none,
a second line with units. `read_table` finds the block of numbers and its header.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from seeworthy.ground.errors import UnreadableInput

if TYPE_CHECKING:
    from seeworthy.media.source import Source

LARGEST = 256 * 1024 * 1024
_COMMENT = ("#", "//", "%", "!")
_BLANK = {"", "-", "--", "nan", "na", "n/a", "null", "none", "inf", "-inf", "+inf", "?"}
_POINT = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?")
_CLOCK = re.compile(r"(?:\d{4}-\d\d-\d\d[T ])?\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?Z?")


@dataclass(frozen=True, slots=True)
class Table:
    """A table of cells.

    Attributes
    ----------
    headers : tuple of str
        As written; ``"column 1"`` … where there is no header.
    units : tuple of str
        From a line of units below the header; empty strings where there is none.
    rows : list of list of str
        Cells, stripped, every row as long as `headers`.
    separator : str
        ``","``, ``";"``, tab, or ``" "`` for blanks.
    decimal : str
        ``"."`` or ``","``.
    has_header : bool
    ragged : int
        Rows inside the table that had another number of cells.
    """

    headers: tuple[str, ...]
    units: tuple[str, ...]
    rows: list[list[str]]
    separator: str
    decimal: str
    has_header: bool
    ragged: int = 0


def is_blank(cell: str) -> bool:
    """Tell whether a cell says 'no value'."""
    return cell.lower() in _BLANK


def is_clock(cell: str) -> bool:
    """Tell whether a cell is a time of day or a date with one."""
    return _CLOCK.fullmatch(cell) is not None


def is_number(cell: str, decimal: str) -> bool:
    """Tell whether a cell is a number with this decimal mark."""
    return (_POINT if decimal == "." else _COMMA).fullmatch(cell) is not None


def read_table(source: Source) -> Table:
    """Read the table of a text file.

    Raises
    ------
    UnreadableInput
        Not text, too large, or no table of numbers in it.
    """
    lines = _lines(source)
    forced = re.fullmatch(r"sep=(.)", lines[0].strip(), re.I) if lines else None
    if forced:
        lines = lines[1:]
    separator, decimal = _dialect(lines, forced.group(1) if forced else "")
    cells = [split(line, separator) for line in lines]
    comment = [line.lstrip().startswith(_COMMENT) for line in lines]
    width = _width(cells, comment, decimal)
    first = next(
        (i for i, row in enumerate(cells) if not comment[i] and _is_data(row, width, decimal)), None
    )
    if width < 2 or first is None:
        raise UnreadableInput(
            f"'{source.name}' holds no table of numbers with at least two columns.",
            "Export the log as CSV: one column of time and one per sensor.",
        )
    headers, units = _header(cells, lines, comment, first, width, separator, decimal)
    body = [row for i, row in enumerate(cells[first:], first) if not comment[i] and any(row)]
    rows = [row + [""] * (width - len(row)) for row in body if len(row) <= width]
    ragged = sum(len(row) != width for row in body)
    names = headers or tuple(f"column {i + 1}" for i in range(width))
    return Table(names, units, rows, separator, decimal, bool(headers), ragged)


def split(line: str, separator: str) -> list[str]:
    """Cut a line into stripped cells; quoted cells may hold the separator."""
    if separator == " ":
        return line.split()
    return [c.strip() for c in next(csv.reader([line], delimiter=separator), [])]


def _lines(source: Source) -> list[str]:
    if source.size > LARGEST:
        raise UnreadableInput(
            f"'{source.name}' is too large for a log ({source.size // 1_000_000} MB).",
            "Cut it to the flight and export again.",
        )
    raw = source.path.read_bytes()
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = raw.decode("utf-16", "replace")
    elif b"\0" in raw[:65536]:
        raise UnreadableInput(
            f"'{source.name}' is not a text file.",
            "Export the log from the logger's program as CSV.",
        )
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("cp1252", "replace")
    return [line for line in text.splitlines() if line.strip()]


def _dialect(lines: Sequence[str], forced: str) -> tuple[str, str]:
    """Choose separator and decimal mark: the pair that reads most cells as numbers."""
    plain = [line for line in lines if not line.lstrip().startswith(_COMMENT)]
    middle = plain[len(plain) // 3 :][:200] or plain
    best, score = (",", "."), -1.0
    for separator in (forced,) if forced else (",", ";", "\t", " "):
        for decimal in (".", ",") if separator != "," else (".",):
            rows = [split(line, separator) for line in middle]
            cells = [c for row in rows for c in row]
            if not cells or len(cells) < 2 * len(rows):
                continue
            good = sum(is_number(c, decimal) or is_clock(c) for c in cells)
            mine = good / len(cells) * (1.0 if separator != " " else 0.999)
            if mine > score:
                best, score = (separator, decimal), mine
    return best


def _width(cells: Sequence[Sequence[str]], comment: Sequence[bool], decimal: str) -> int:
    """Return the commonest number of cells among lines that hold numbers."""
    counts: dict[int, int] = {}
    for row, skip in zip(cells, comment, strict=True):
        if not skip and any(is_number(c, decimal) for c in row):
            counts[len(row)] = counts.get(len(row), 0) + 1
    return max(counts, key=lambda n: (counts[n], n), default=0)


def _is_data(row: Sequence[str], width: int, decimal: str) -> bool:
    numbers = sum(is_number(c, decimal) or is_clock(c) for c in row)
    return len(row) == width and numbers >= max(1, min(2, width // 3))


def _header(
    cells: Sequence[list[str]],
    lines: Sequence[str],
    comment: Sequence[bool],
    first: int,
    width: int,
    separator: str,
    decimal: str,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return header and units from the lines right above the numbers."""
    above: list[list[str]] = []
    for i in range(first - 1, max(-1, first - 4), -1):
        row = cells[i]
        if comment[i]:
            row = split(lines[i].lstrip().lstrip("#/%!").strip(), separator)
        elif separator != " " and len(row) == width + 1 and not row[-1]:
            row = row[:-1]
        if len(row) == width and not any(is_number(c, decimal) for c in row):
            above.append(row)
    none = ("",) * width
    if not above:
        return (), none
    if len(above) > 1 and _looks_like_units(above[0]):
        return tuple(above[1]), tuple(c.strip("[]() ") for c in above[0])
    return tuple(above[0]), none


def _looks_like_units(row: Sequence[str]) -> bool:
    from seeworthy.media.headers import known_unit

    written = [c.strip("[]() ") for c in row if c.strip("[]()- ")]
    known = sum(known_unit(c) != "" for c in written)
    return bool(written) and known >= 0.6 * len(written)
