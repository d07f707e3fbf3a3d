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
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import BadQuantity, UnreadableInput, WrongCall
from seeworthy.ground.quantities import convert, same_dimension
from seeworthy.media.headers import QUANTITIES, Meaning, bracketed, fits, meaning_of, quantity_named
from seeworthy.media.tables import Table, is_blank, is_clock, is_number, read_table

if TYPE_CHECKING:
    from seeworthy.media.source import Source

Doubles = npt.NDArray[np.float64]
# Only assumptions that can change a flight's figures are worth a sentence.
_FLOWN = ("time", "height", "pressure", "acceleration", "speed")
UnitFrom = Literal["header", "data", "assumed", "user", ""]


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One column of numbers.

    Attributes
    ----------
    header : str
        As written in the file.
    index : int
        Place in the file, from 0.
    quantity : str
        ``time``, ``height``, ``pressure``, ``acceleration``, ``speed``,
        ``temperature`` … (`seeworthy.media.headers.QUANTITIES`), ``""`` unknown.
    unit : str
        Unit of `data`, as `seeworthy.ground.quantities` knows it; ``""`` unknown.
    unit_from : str
        ``header``, ``data`` (from the size of the numbers), ``assumed``, ``user``.
    axis : str
        ``x``, ``y``, ``z``, ``axial``, ``vertical``, ``total`` or ``""``.
    data : float64 array, (rows,)
        In `unit`; NaN for blank and unreadable cells.
    time : int or None
        `index` of the time column it belongs to.
    """

    header: str
    index: int
    quantity: str
    unit: str
    unit_from: UnitFrom
    axis: str
    data: Doubles
    time: int | None = None

    def si(self) -> Doubles:
        """Return the data in the unit of its quantity (s, m, Pa, m/s2, m/s, degC)."""
        target = QUANTITIES.get(self.quantity, "")
        if not self.unit or self.unit == target:
            return self.data
        zero = convert(0.0, self.unit, target)
        return self.data * (convert(1.0, self.unit, target) - zero) + zero


@dataclass(frozen=True, slots=True, eq=False)
class Log:
    """All columns of numbers of one log.

    Attributes
    ----------
    name : str
        File name, for messages.
    columns : tuple of Column
        In file order.
    left_out : tuple of str
        Headers of columns without numbers.
    notes : tuple of str
        Sentences: what was assumed, rows that did not fit.
    """

    name: str
    columns: tuple[Column, ...]
    left_out: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def all(self, quantity: str) -> tuple[Column, ...]:
        """Return the columns of a quantity, heights above ground before those above sea."""
        found = [c for c in self.columns if c.quantity == quantity]
        return tuple(sorted(found, key=_above_ground_first))

    def first(self, quantity: str) -> Column | None:
        """Return the first column of a quantity, or None."""
        return next(iter(self.all(quantity)), None)

    def at(self, index: int) -> Column:
        """Return the column at a place in the file."""
        return next(c for c in self.columns if c.index == index)

    def series(self, column: Column) -> tuple[Doubles, Doubles]:
        """Return time in seconds and data in SI where both are finite, file order kept.

        Raises
        ------
        UnreadableInput
            The column has no time.
        """
        if column.time is None:
            raise UnreadableInput(
                f"'{self.name}' has no column of time.",
                "Name it with --option columns=time:HEADER (or its number, from 1).",
            )
        t, y = self.at(column.time).si(), column.si()
        both = np.isfinite(t) & np.isfinite(y)
        return t[both], y[both]

    def describe(self) -> list[dict[str, str]]:
        """Return what every column was taken for, as rows of words."""
        return [
            {
                "header": c.header,
                "quantity": c.quantity or "not used",
                "unit": c.unit,
                "unit_from": c.unit_from,
                "axis": c.axis,
            }
            for c in self.columns
        ]


def pairs(text: str, what: str = "columns") -> dict[str, str]:
    """Read ``time:t,height:alt`` into a mapping of quantity to header (or unit).

    Raises
    ------
    WrongCall
        Not of that form, or an unknown quantity.
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

    Parameters
    ----------
    source : Source
    columns : mapping of quantity to header, optional
        The user's word; a header as written (case does not matter), a part of one that
        only one column has, or the column's number from 1. A quantity named here has
        only this column.
    units : mapping of quantity to unit, optional
        The user's word for all columns of a quantity.

    Raises
    ------
    UnreadableInput
        No table of numbers, or no two columns of them.
    WrongCall
        `columns` names a column that is not there.
    BadQuantity
        `units` names a unit of another kind.
    """
    table = read_table(source)
    notes: list[str] = []
    if not table.has_header:
        notes.append("The log has no header; its columns are called by number, from 1.")
    if table.ragged:
        notes.append(f"{table.ragged} rows have another number of cells than the rest.")
    chosen = {_find(name, table, source.name): q for q, name in (columns or {}).items()}
    found: list[Column] = []
    left_out: list[str] = []
    for index, header in enumerate(table.headers):
        data = _numbers([row[index] for row in table.rows], table.decimal)
        if not np.isfinite(data).any():
            left_out.append(header)
            continue
        guess = meaning_of(header, table.units[index])
        found.append(_column(header, index, data, guess, chosen))
    if len(found) < 2:
        raise UnreadableInput(
            f"'{source.name}' holds fewer than two columns of numbers.",
            "Export the log as CSV: one column of time and one per sensor.",
        )
    found = _find_time(found, table, set(chosen.values()), notes)
    notes += _misfits(found, table, units or {})
    found = [_with_unit(c, units or {}, table, notes) for c in found]
    return Log(source.name, tuple(_tied_to_time(found)), tuple(left_out), tuple(notes))


def _above_ground_first(column: Column) -> tuple[int, int]:
    name = column.header.lower()
    rank = 0 if "agl" in name or "height" in name else 2 if "msl" in name or "asl" in name else 1
    return rank, column.index


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


def _numbers(cells: Sequence[str], decimal: str) -> Doubles:
    clocks = sum(is_clock(c) for c in cells[:50])
    if clocks > len(cells[:50]) // 2:
        return _clock_seconds(cells)
    out = np.full(len(cells), np.nan)
    for i, cell in enumerate(cells):
        if is_number(cell, decimal) and not is_blank(cell):
            out[i] = float(cell.replace(",", ".") if decimal == "," else cell)
    out[~np.isfinite(out)] = np.nan
    return out


def _clock_seconds(cells: Sequence[str]) -> Doubles:
    """Seconds since the first clock reading; a step back of more than 12 h is midnight."""
    out = np.full(len(cells), np.nan)
    day, last, start = 0.0, None, None
    for i, cell in enumerate(cells):
        if not is_clock(cell):
            continue
        clock = cell.rstrip("Z").replace("T", " ").split(" ")[-1].replace(",", ".").split(":")
        now = sum(float(p) * f for p, f in zip(clock, (3600, 60, 1), strict=False))
        if last is not None and now < last - 43200:
            day += 86400
        last = now
        start = now if start is None else start
        out[i] = day + now - start
    return out


def _column(
    header: str, index: int, data: Doubles, guess: Meaning, chosen: Mapping[int, str]
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


def _with_unit(column: Column, units: Mapping[str, str], table: Table, notes: list[str]) -> Column:
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
    unit = _unit_by_size(quantity, column.data[np.isfinite(column.data)])
    source: UnitFrom = "data" if unit else "assumed"
    unit = unit or QUANTITIES[quantity]
    how = "by the size of its numbers" if source == "data" else "for want of a unit"
    if quantity in _FLOWN:
        notes.append(f"'{column.header}' was taken to be in {unit}, {how}.")
    return replace(column, unit=unit, unit_from=source)


def _unit_by_size(quantity: str, data: Doubles) -> str:
    """Tell the unit where the numbers leave no doubt, else ``""``."""
    middle = float(np.median(np.abs(data)))
    if quantity == "pressure":
        # Air between sea level and 9 km has 1084 to 300 hPa.
        ranges = (("Pa", 3e4, 1.1e5), ("hPa", 300, 1100), ("kPa", 30.5, 110), ("inHg", 16.5, 30.4))
        return next((u for u, low, high in ranges if low <= middle <= high), "")
    if quantity == "time" and data.size > 2:
        step = float(np.median(np.diff(data)))
        whole = bool(np.all(data == np.round(data)))
        # Whole numbers that step by 2 or more per sample: counters of milli- or microseconds.
        if whole and step >= 2:
            return "us" if step >= 2000 else "ms"
    if quantity == "acceleration":
        # A logger at rest before launch reads 1 g.
        rest = float(np.median(np.abs(data[: max(3, data.size // 50)])))
        if 0.8 <= rest <= 1.2:
            return "gee"
        if 9.3 <= rest <= 10.3:
            return "m/s2"
    return ""


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
