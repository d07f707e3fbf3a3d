"""Columns of a log, and the log they make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import UnreadableInput
from seeworthy.ground.quantities import convert
from seeworthy.media.headers import QUANTITIES
from seeworthy.media.remarks import Told

Doubles = npt.NDArray[np.float64]
UnitFrom = Literal["header", "text", "data", "assumed", "user", ""]


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One column of numbers.

    Attributes:
        header: As written in the file.
        index: Place in the file, from 0.
        quantity: ``time``, ``height``, ``pressure``, ``acceleration``, ``speed``, ``temperature`` …
            (`seeworthy.media.headers.QUANTITIES`), ``""`` unknown.
        unit: Unit of `data`, as `seeworthy.ground.quantities` knows it; ``""`` unknown.
        unit_from:
            ``header``, ``text`` (lines around the table), ``data`` (from the size of the
            numbers), ``assumed``, ``user``.
        axis: ``x``, ``y``, ``z``, ``axial``, ``vertical``, ``total`` or ``""``.
        data: float64 array, (rows,). In `unit`; NaN for blank and unreadable cells.
        time: `index` of the time column it belongs to.
        remark: Sentence on a unit that was guessed, ``""`` where none was.
    """

    header: str
    index: int
    quantity: str
    unit: str
    unit_from: UnitFrom
    axis: str
    data: Doubles
    time: int | None = None
    remark: str = ""

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

    Attributes:
        name: File name, for messages.
        columns: In file order.
        left_out: Headers of columns without numbers.
        said: Sentences: what was assumed, rows that did not fit.
        told: What the lines of text around the table say.
        header_line: Line read as header, from 1; 0 for none.
    """

    name: str
    columns: tuple[Column, ...]
    left_out: tuple[str, ...] = ()
    said: tuple[str, ...] = ()
    told: Told = field(default_factory=Told)
    header_line: int = 0

    @property
    def notes(self) -> tuple[str, ...]:
        """What the user is told of the whole log and of its columns."""
        return (*self.said, *(c.remark for c in self.columns if c.remark))

    def all(self, quantity: str) -> tuple[Column, ...]:
        """Return the columns of a quantity: above ground before above the sea, GPS last."""
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

        Raises:
            UnreadableInput: The column has no time.
        """
        if column.time is None:
            raise UnreadableInput(
                f"'{self.name}' has no column of time.",
                "Name it with --option columns=time:HEADER (or its number, from 1).",
            )
        t, y = self.at(column.time).si(), column.si()
        both = np.isfinite(t) & np.isfinite(y)
        return t[both], y[both]

    def together(self, columns: Sequence[Column]) -> tuple[Doubles, Doubles]:
        """Return columns on one time axis: rising seconds of the first, and data in SI.

        Returns:
            time, data: (N,), (N, columns). Of rows of one time the first; a column with other
                rows by straight lines between its own.

        Raises:
            UnreadableInput: A column has no time.
        """
        rising = []
        for column in columns:
            t, y = self.series(column)
            time, first = np.unique(t, return_index=True)
            rising.append((time, y[first]))
        time = rising[0][0]
        if not time.size or any(not t.size for t, _ in rising):
            return np.empty(0), np.empty((0, len(rising)))
        return time, np.stack([np.interp(time, t, y) for t, y in rising], axis=1)

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


def _above_ground_first(column: Column) -> tuple[int, int]:
    name = column.header.lower()
    rank = 0 if "agl" in name or "height" in name else 2 if "msl" in name or "asl" in name else 1
    # A satellite receiver reads late, seldom, and wrong while it is pushed.
    return 3 if "gps" in name or "gnss" in name else rank, column.index
