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
from seeworthy.media.cells import is_blank, is_datum, is_number

if TYPE_CHECKING:
    from seeworthy.media.source import Source

LARGEST = 256 * 1024 * 1024  # bytes: hours of a log at 200 Hz (a judgement)
_COMMENT = ("#", "//", "%", "!")


@dataclass(frozen=True, slots=True)
class Table:
    """A table of cells.

    Attributes:
        headers: As written; ``"column 1"`` … where there is no header.
        units: From a line of units below the header; empty strings where there is none.
        rows: Cells, stripped, every row as long as `headers`.
        separator: ``","``, ``";"``, tab, or ``" "`` for blanks.
        decimal: ``"."`` or ``","``.
        ragged: Rows inside the table that had another number of cells.
        lost: Of these, rows with more cells than columns: they were left out.
        remarks: Lines of text above, inside and below the numbers that are no header.
        header_line: Line of the file (blank lines not counted) read as header, from 1; 0 for none.
    """

    headers: tuple[str, ...]
    units: tuple[str, ...]
    rows: list[list[str]]
    separator: str
    decimal: str
    has_header: bool
    ragged: int = 0
    lost: int = 0
    remarks: tuple[str, ...] = ()
    header_line: int = 0


def read_table(source: Source) -> Table:
    """Read the table of a text file.

    Raises:
        UnreadableInput: Not text, too large, or no table of numbers in it.
    """
    lines = text_lines(source)
    forced = re.fullmatch(r"sep=(.)", lines[0].strip(), re.I) if lines else None
    if forced:
        lines = lines[1:]
    _refuse_wide(lines, source.name)
    lines = _records(lines)
    separator, decimal = _dialect(lines, forced.group(1) if forced else "")
    cells = [split(line, separator) for line in lines]
    comment = [line.lstrip().startswith(_COMMENT) for line in lines]
    width = _width(cells, comment, decimal)
    first = _first(cells, comment, width, decimal)
    if width < 2 or first is None:
        raise UnreadableInput(
            f"'{source.name}' holds no table of numbers with at least two columns.",
            "Export the log as CSV: one column of time and one per sensor.",
        )
    headers, units, at = _header(cells, lines, comment, first, width, separator, decimal)
    body, remarks = [], [line for i, line in enumerate(lines[:first]) if i != at]
    for i, row in enumerate(cells[first:], first):
        if comment[i] or not any(is_datum(c, decimal) for c in row):
            remarks.append(lines[i])
        else:
            body.append(row)
    rows = [row + [""] * (width - len(row)) for row in body if len(row) <= width]
    ragged = sum(len(row) != width for row in body)
    names = headers or tuple(f"column {i + 1}" for i in range(width))
    return Table(
        names, units, rows, separator, decimal, bool(headers), ragged, len(body) - len(rows),
        tuple(r for r in remarks if r.strip()), 0 if at is None else at + 1,
    )  # fmt: skip


def _refuse_wide(lines: Sequence[str], name: str) -> None:
    """Refuse a table with more columns than any log before the work that each column costs."""
    wide = [max(len(line.split()), *map(line.count, ",;\t|")) > _MOST_COLUMNS for line in lines]
    if sum(wide) > _FEW:
        raise UnreadableInput(
            f"'{name}' has more than {_MOST_COLUMNS} columns.",
            "Export the log with the columns of time, height, pressure, acceleration and turning.",
        )


def _first(
    cells: Sequence[list[str]], comment: Sequence[bool], width: int, decimal: str
) -> int | None:
    """Return the line in which the numbers begin.

    A preamble has lines as wide as the table (``serial,12345``). A line of the table has
    values where nearly all lines have values, and another such line follows it.
    """
    wide = [i for i, row in enumerate(cells) if not comment[i] and len(row) == width]
    sample = [cells[i] for i in wide[len(wide) // 3 :][:300]]
    if not sample:
        return None

    def filled(row: Sequence[str], k: int) -> bool:
        return is_datum(row[k], decimal)

    shares = [sum(filled(row, k) for row in sample) / len(sample) for k in range(width)]
    sure = [k for k, share in enumerate(shares) if share > 0.9]  # nearly all; a judgement

    def is_row(i: int) -> bool:
        row = cells[i]
        if sure:
            return all(filled(row, k) or is_blank(row[k]) for k in sure) and any(
                filled(row, k) for k in sure
            )
        return _is_data(row, width, decimal)

    for at, i in enumerate(wide):
        after = wide[at + 1 : at + 3]
        if is_row(i) and all(is_row(j) for j in after):
            return i
    return None


def _records(lines: list[str]) -> list[str]:
    """Turn lines of named values (``t=0.05 alt=33``) into a table with a header.

    Only where most lines name the same things, each with a number.
    """
    # A name begins where none is under way: else a long run of letters costs quadratic time.
    name, number = r"(?<![\w/])([A-Za-z_][\w/]*)", r"([+-]?\d[\d.]*)"
    named = [re.findall(rf"{name}\"?\s*[:=]\s*\"?{number}", line) for line in lines]
    keys: dict[tuple[str, ...], int] = {}
    for pairs in named:
        if len(pairs) >= 2:
            key = tuple(k for k, _ in pairs)
            keys[key] = keys.get(key, 0) + 1
    if not keys:
        return lines
    chosen = max(keys, key=lambda k: keys[k])
    if keys[chosen] < 8 or keys[chosen] < 0.6 * len(lines) or len(set(chosen)) != len(chosen):
        return lines
    rows = [",".join(v for _, v in p) for p in named if tuple(k for k, _ in p) == chosen]
    rest = ["# " + line for line, p in zip(lines, named, strict=True)
            if tuple(k for k, _ in p) != chosen]  # fmt: skip
    return [*rest, ",".join(chosen), *rows]


_MOST_COLUMNS = 2000
"""Ten times those of a flight controller that writes everything it knows (a judgement)."""
_FEW = 3
"""Lines of a preamble may list settings; a table has more lines."""
_LONGEST = 100_000
"""Characters of a cell: a thousand times any that a logger writes (a judgement). The limit of the
`csv` module is one for the whole process, which others may raise."""


def split(line: str, separator: str) -> list[str]:
    """Cut a line into stripped cells; quoted cells may hold the separator."""
    if separator == " ":
        return line.split()
    try:
        cells = [c.strip() for c in next(csv.reader([line], delimiter=separator), [])]
    except csv.Error:  # a cell beyond the reader's limit, or a quote that never ends
        cells = [line]
    if max(map(len, cells), default=0) <= _LONGEST:
        return cells
    raise UnreadableInput(
        "A cell of the table is longer than any log's.",
        "Export the log again as plain rows of numbers.",
    )


def text_lines(source: Source, largest: int = LARGEST) -> list[str]:
    """Return the lines of a text file that are not blank.

    Raises:
        UnreadableInput: Larger than so many bytes, or no text.
    """
    if source.size > largest:
        raise UnreadableInput(
            f"'{source.name}' is too large for a table ({source.size // 1_000_000} MB).",
            "Cut it to what counts and export again.",
        )
    raw = source.path.read_bytes()
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = raw.decode("utf-16", "replace")
    elif b"\0" in raw[:65536]:
        raise UnreadableInput(
            f"'{source.name}' is not a text file.",
            "Export it from its program as CSV, one row a line.",
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
        for decimal in (".", ","):
            rows = [split(line, separator) for line in middle]
            cells = [c for row in rows for c in row]
            if not cells or len(cells) < 2 * len(rows):
                continue
            # Blank cells, as of a slower sensor, speak neither for nor against a separator.
            filled = [c for c in cells if not is_blank(c)]
            good = sum(is_datum(c, decimal) for c in filled)
            mine = good / max(len(filled), 1) * (1.0 if separator != " " else 0.999)
            if mine > score:
                best, score = (separator, decimal), mine
    return best


def _width(cells: Sequence[Sequence[str]], comment: Sequence[bool], decimal: str) -> int:
    """Return the commonest number of cells among lines that hold numbers."""
    counts: dict[int, int] = {}
    for row, skip in zip(cells, comment, strict=True):
        if not skip and any(is_datum(c, decimal) for c in row):
            counts[len(row)] = counts.get(len(row), 0) + 1
    return max(counts, key=lambda n: (counts[n], n), default=0)


def _is_data(row: Sequence[str], width: int, decimal: str) -> bool:
    numbers = sum(is_datum(c, decimal) for c in row)
    return len(row) == width and numbers >= max(1, min(2, width // 3))


def _header(
    cells: Sequence[list[str]],
    lines: Sequence[str],
    comment: Sequence[bool],
    first: int,
    width: int,
    separator: str,
    decimal: str,
) -> tuple[tuple[str, ...], tuple[str, ...], int | None]:
    """Return header, units and the header's line from the lines right above the numbers."""
    above: list[tuple[int, list[str]]] = []
    for i in range(first - 1, max(-1, first - 5), -1):
        line = lines[i].lstrip().lstrip("#/%!").strip() if comment[i] else lines[i]
        row = next((r for r in _cuts(line, separator) if len(r) == width), None)
        if row is not None and not any(is_number(c, decimal) for c in row) and any(row):
            above.append((i, row))
    none = ("",) * width
    if not above:
        return (), none, None
    if len(above) > 1 and _looks_like_units(above[0][1]):
        units = tuple(c.strip("[]() ") for c in above[0][1])
        return tuple(above[1][1]), units, above[1][0]
    return tuple(above[0][1]), none, above[0][0]


def _cuts(line: str, separator: str) -> list[list[str]]:
    """Return the cells of a header line, cut as the table is, or as headers are besides."""
    rows = [split(line, s) for s in (separator, ",", ";", "\t")]
    rows.append(re.split(r"\s{2,}|\t", line.strip()))
    # One cell more or less than the table: a separator too many at the line's end.
    rows += [row[:-1] for row in rows if row and not row[-1]] + [[*rows[0], ""]]
    return rows


def _looks_like_units(row: Sequence[str]) -> bool:
    from seeworthy.media.headers import known_unit

    written = [c.strip("[]() ") for c in row if c.strip("[]()- ")]
    known = sum(known_unit(c) != "" for c in written)
    return bool(written) and known >= 0.6 * len(written)
