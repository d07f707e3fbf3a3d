"""Logs of altimeters, accelerometers and other loggers, with any headers and units.

>>> log = read_log(Source.of("flight.csv"))                       # doctest: +SKIP
>>> height = log.first("height")                                  # doctest: +SKIP
>>> t, y = log.series(height)       # seconds and metres, rows with both # doctest: +SKIP

What every column was taken for is in `Column.quantity`, `Column.unit` and
`Column.unit_from`; `Log.describe` says it in words for the user, who corrects it with
``--option columns=time:t,height:alt`` and ``--option units=height:ft`` (`pairs` reads
both, `read_log` takes them).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from seeworthy.ground.errors import BadQuantity, UnreadableInput, WrongCall
from seeworthy.ground.quantities import same_dimension
from seeworthy.media.cells import clock_seconds, is_blank, is_clock, is_number, value_of, with_unit
from seeworthy.media.columns import Column, Doubles, Log, UnitFrom
from seeworthy.media.content import is_counter, quantity_by_shape, unit_by_size
from seeworthy.media.headers import (
    QUANTITIES,
    HeaderMeaning,
    bracketed,
    fits,
    known_unit,
    meaning_of,
    quantity_named,
)
from seeworthy.media.remarks import Told, told
from seeworthy.media.tables import Table, read_table

if TYPE_CHECKING:
    from seeworthy.media.source import Source

__all__ = ["Column", "Log", "pairs", "read_log"]

# Only assumptions that can change a flight's figures are worth a sentence.
_FLOWN = ("time", "height", "pressure", "acceleration", "speed")
_ODD = 0.2
"""Share of a column's cells that may be no number; beyond it the column is in doubt (judged)."""


def pairs(text: str, what: str = "columns") -> dict[str, str]:
    """Read ``time:t,height:alt`` into a mapping of quantity to header (or unit).

    Raises:
        WrongCall: Not of that form, or an unknown quantity.
    """
    found: dict[str, str] = {}
    for part in filter(None, (p.strip() for p in text.split(","))):
        left, colon, right = part.partition(":")
        quantity = quantity_named(left)
        if not colon or not right.strip() or not quantity:
            known = ", ".join(QUANTITIES)
            raise WrongCall(
                f"'{part}' in {what}= is not QUANTITY:NAME.",
                f"Write {what}=height:{'alt' if what == 'columns' else 'ft'}; "
                f"the quantities are {known}.",
            )
        found[quantity] = right.strip()
    return found


def read_log(
    source: Source,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
) -> Log:
    """Read a log and say what each column seems to be.

    Args:
        columns: mapping of quantity to header. The user's word; a header as written (case does not
            matter), a part of one that only one column has, or the column's number from 1. A
            quantity named here has only this column.
        units: mapping of quantity to unit. The user's word for all columns of a quantity.

    Raises:
        UnreadableInput: No table of numbers, or no two columns of them.
        WrongCall: `columns` names a column that is not there.
        BadQuantity: `units` names a unit of another kind.
    """
    # 'g' is what loggers and people write for multiples of gravity; it is no gram here.
    units = {quantity: known_unit(unit) or unit for quantity, unit in (units or {}).items()}
    table = read_table(source)
    notes = _told_of_rows(table, source.name)
    text = told(table.remarks)
    chosen = {_find(name, table, source.name): q for q, name in (columns or {}).items()}
    found: list[Column] = []
    left_out: list[str] = []
    for index, header in enumerate(table.headers):
        cells = [row[index] for row in table.rows]
        data, unit = _numbers(cells, table.decimal)
        if not np.isfinite(data).any():
            left_out.append(header)
            continue
        guess = meaning_of(header, table.units[index] or unit)
        column = _column(header, index, data, guess, chosen)
        notes += _odd_cells(column, cells, source.name)
        found.append(column)
    if len(found) < 2:
        raise UnreadableInput(
            f"'{source.name}' holds fewer than two columns of numbers.",
            "Export the log as CSV: one column of time and one per sensor.",
        )
    found = _find_time(found, table, set(chosen.values()), notes)
    if not table.has_header and not chosen:
        found = _by_shape(found, notes)
    notes += _misfits(found, table, units)
    found = [_with_unit(c, units, table, text, notes) for c in found]
    return Log(
        source.name, tuple(_tied_to_time(found)), tuple(left_out), tuple(notes), text,
        table.header_line,
    )  # fmt: skip


def _told_of_rows(table: Table, name: str) -> list[str]:
    """Say what of the file is no part of the table, and refuse where that is much of it."""
    notes = []
    if not table.has_header:
        notes.append("The log has no header; its columns are called by number, from 1.")
    elif table.header_line > 1:
        notes.append(f"Line {table.header_line} was read as the header.")
    if table.lost > _ODD * (table.lost + len(table.rows)):
        raise UnreadableInput(
            f"{table.lost} of {table.lost + len(table.rows)} rows of '{name}' have more cells than "
            f"the other rows, which have {len(table.headers)}.",
            "Export the log again with one separator, and quotes around numbers that hold it.",
        )
    if table.ragged:
        lost = f" {table.lost} of them, with more cells, were left out." if table.lost else ""
        notes.append(f"{table.ragged} rows have another number of cells than the rest.{lost}")
    return notes


def _odd_cells(column: Column, cells: Sequence[str], name: str) -> list[str]:
    """Count the cells of a column of numbers that are none."""
    odd = [
        (cell, i)
        for i, (cell, value) in enumerate(zip(cells, column.data, strict=True))
        if not np.isfinite(value) and not is_blank(cell)
    ]
    if not odd or column.quantity not in _FLOWN:
        return []
    filled = sum(not is_blank(cell) for cell in cells)
    told_of = (
        f"{len(odd)} of {filled} cells of '{column.header}' are no number, the first "
        f"'{odd[0][0]}' in row {odd[0][1] + 1}"
    )
    if len(odd) > max(4, _ODD * filled):
        raise UnreadableInput(
            f"{told_of} of '{name}'.",
            "Export the log again with plain numbers, or leave the column out with option "
            "columns= naming the others.",
        )
    return [f"{told_of}; they were left out."]


def _by_shape(found: list[Column], notes: list[str]) -> list[Column]:
    """Without a header, take columns for what their numbers look like."""
    nameless = [c for c in found if not c.quantity]
    kinds = quantity_by_shape([c.data for c in nameless])
    named = dict(zip((c.index for c in nameless), kinds, strict=True))
    notes += [
        f"'{c.header}' was taken for {named[c.index]} by the run of its numbers."
        for c in nameless
        if named[c.index]
    ]
    return [replace(c, quantity=named.get(c.index) or c.quantity) for c in found]


def _find(name: str, table: Table, file: str) -> int:
    plain = name.strip().lower()
    headers = [h.strip().lower() for h in table.headers]
    if plain in headers:
        return headers.index(plain)
    if plain.isdigit() and 1 <= int(plain) <= len(headers):
        return int(plain) - 1
    part = [i for i, h in enumerate(headers) if plain in h]
    if len(part) == 1:
        return part[0]
    shown = ", ".join(f"'{h}'" for h in table.headers)
    several = "more than one column" if part else "no column"
    raise WrongCall(f"'{file}' has {several} called '{name}'.", f"Its columns: {shown}.")


def _numbers(cells: Sequence[str], decimal: str) -> tuple[Doubles, str]:
    """Return the numbers of a column, NaN where there is none, and a unit in all its cells."""
    clocks = sum(is_clock(c) for c in cells[:50])
    if clocks > len(cells[:50]) // 2:
        return _clock_seconds(cells), ""
    out = np.full(len(cells), np.nan)
    units: dict[str, int] = {}
    for i, cell in enumerate(cells):
        if is_blank(cell):
            continue
        if is_number(cell, decimal):
            out[i] = value_of(cell, decimal)
        elif (pair := with_unit(cell, decimal)) is not None:
            out[i] = pair[0]
            units[pair[1]] = units.get(pair[1], 0) + 1
    # A unit in a few cells only, or several: those cells are no numbers of this column.
    if len(units) == 1 and sum(units.values()) > 0.5 * np.count_nonzero(np.isfinite(out)):
        return out, next(iter(units))
    if units:
        for i, cell in enumerate(cells):
            if not is_number(cell, decimal):
                out[i] = np.nan
    return out, ""


def _clock_seconds(cells: Sequence[str]) -> Doubles:
    """Seconds since the first clock reading; a step back of more than 12 h is midnight."""
    out = np.full(len(cells), np.nan)
    day, last, start = 0.0, None, None
    for i, cell in enumerate(cells):
        now = clock_seconds(cell)
        if now is None:
            continue
        if last is not None and now < last - 43200:
            day += 86400
        last = now
        start = now if start is None else start
        out[i] = day + now - start
    return out


def _column(
    header: str, index: int, data: Doubles, guess: HeaderMeaning, chosen: Mapping[int, str]
) -> Column:
    quantity = guess.quantity
    if index in chosen:
        quantity = chosen[index]
    elif quantity in chosen.values():
        quantity = ""
    unit = guess.unit if fits(quantity, guess.unit) else ""
    return Column(header, index, quantity, unit, "header" if unit else "", guess.axis, data)


def _find_time(
    found: list[Column], table: Table, named: set[str], notes: list[str]
) -> list[Column]:
    """Without a header for it, the first column that rises all the way is the time."""
    if "time" in named or any(c.quantity == "time" for c in found):
        return found
    for place, column in enumerate(found):
        data = column.data[np.isfinite(column.data)]
        clock = is_clock(table.rows[0][column.index])
        if not clock and not column.quantity and is_counter(data):
            notes.append(f"'{column.header}' only counts the rows; it is no time.")
            continue
        if clock or (not column.quantity and data.size > 2 and bool(np.all(np.diff(data) > 0))):
            notes.append(f"'{column.header}' rises all the way and was taken for the time.")
            return [*found[:place], replace(column, quantity="time"), *found[place + 1 :]]
    return found


def _misfits(found: list[Column], table: Table, units: Mapping[str, str]) -> list[str]:
    """Say which headers carry a unit of another kind than what they were taken for."""
    said: list[str] = []
    for column in found:
        quantity = column.quantity
        if not quantity or column.unit or quantity in units:
            continue
        told = (table.units[column.index], *bracketed(column.header))
        said += [
            f"'{column.header}' was taken for {quantity}, but '{unit}' is no unit of {quantity}; "
            f"say what it is with option units={quantity}:UNIT, or name the right column with "
            f"option columns={quantity}:HEADER."
            for unit in told
            if _of_another_kind(unit, quantity)
        ]
    return said


def _of_another_kind(unit: str, quantity: str) -> bool:
    try:
        return bool(unit) and not same_dimension(unit, QUANTITIES[quantity])
    except BadQuantity:  # a word in brackets that is no unit: 'accel (z)'
        return False


def _with_unit(
    column: Column, units: Mapping[str, str], table: Table, text: Told, notes: list[str]
) -> Column:
    quantity = column.quantity
    if not quantity:
        return column
    if quantity in units:
        unit = units[quantity]
        if not same_dimension(unit, QUANTITIES[quantity]):
            raise BadQuantity(
                f"'{unit}' is not a unit of {quantity}.",
                f"Write units={quantity}:{QUANTITIES[quantity]} or another unit of {quantity}.",
            )
        return replace(column, unit=unit, unit_from="user")
    if column.unit:
        return column
    if quantity == "time" and is_clock(table.rows[0][column.index]):
        return replace(column, unit="s", unit_from="header")
    if quantity in text.units:
        unit = text.units[quantity]
        notes.append(f"'{column.header}' was taken to be in {unit}, as the text in the file says.")
        return replace(column, unit=unit, unit_from="text")
    unit = unit_by_size(quantity, column.data[np.isfinite(column.data)])
    source: UnitFrom = "data" if unit else "assumed"
    unit = unit or QUANTITIES[quantity]
    column = replace(column, unit=unit, unit_from=source)
    return column if quantity not in _FLOWN else replace(column, remark=_guessed(column))


def _guessed(column: Column) -> str:
    how = "by the size of its numbers" if column.unit_from == "data" else "for want of a unit"
    unit = {"gee": "g", "milli_gee": "mg"}.get(column.unit, column.unit)
    return f"'{column.header}' was taken to be in {unit}, {how}."


def _tied_to_time(found: Sequence[Column]) -> list[Column]:
    """Give each column its time: the nearest time column to its left, else the first.

    Two tables side by side have a time each; a second clock right beside the first does
    not start a new table.
    """
    times = [c for c in found if c.quantity == "time"]
    starts = [c.index for i, c in enumerate(times) if i == 0 or c.index != times[i - 1].index + 1]
    out = []
    for column in found:
        if column.quantity == "time" or not starts:
            out.append(column)
            continue
        left = [s for s in starts if s < column.index]
        out.append(replace(column, time=left[-1] if left else starts[0]))
    return out
