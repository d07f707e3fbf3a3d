"""Purposes as TOML files: hard limits and wishes over measurands, each with a reason.

::

    title = "Kite aerial picture"
    about = "A still-ish platform, light wind, half an hour aloft."

    [[limit]]                     # a camera outside is out
    measurand = "mass"
    most = "60 g"                 # or: least = "…"
    why = "The kite lifts 60 g in the wind it needs."

    [[wish]]                      # better is better
    measurand = "mtf50_ph_centre"
    worst = "200 LW/PH"
    best = "800 LW/PH"
    weight = 3
    why = "Detail on the ground is what the picture is for."

    [[wish]]                      # nearer is better
    measurand = "chroma_ratio"
    aim = "1"
    low = "0.5"
    high = "1.6"
    where = { light = "10000 lx" }
    why = "Washed-out colours cannot be sorted."
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from seeworthy.ground.digits import with_unit
from seeworthy.ground.errors import BadQuantity, WrongCall
from seeworthy.ground.measurands import Measurand, measurand
from seeworthy.ground.toml_text import TomlText
from seeworthy.ground.units import convert


@dataclass(frozen=True, slots=True)
class Limit:
    """A hard limit, in the unit of the measurand."""

    measurand: Measurand
    least: float | None
    most: float | None
    why: str
    where: Mapping[str, Any] = field(default_factory=dict)

    @property
    def bounds(self) -> str:
        """``at least 3 m and at most 5 m``."""
        ends = (("at least", self.least), ("at most", self.most))
        told = (f"{word} {v:g} {self.measurand.unit}".strip() for word, v in ends if v is not None)
        return " and ".join(told)


@dataclass(frozen=True, slots=True)
class Wish:
    """A desirability, in the unit of the measurand.

    One-sided when `aim` is None (`worst` to `best`), else two-sided (`low`, `aim`, `high`).
    """

    measurand: Measurand
    weight: float
    shape: float
    why: str
    worst: float | None = None
    best: float | None = None
    low: float | None = None
    aim: float | None = None
    high: float | None = None
    where: Mapping[str, Any] = field(default_factory=dict)

    @property
    def asked(self) -> str:
        """What a value is held against: ``wished 800 LW/PH, no use at 200 LW/PH``."""
        unit = self.measurand.unit
        aim = self.best if self.aim is None else self.aim
        useless = [self.worst] if self.aim is None else [self.low, self.high]
        ends = " or ".join(with_unit(f"{end:g}", unit) for end in useless if end is not None)
        return f"wished {with_unit(f'{aim:g}', unit)}, no use at {ends}"


@dataclass(frozen=True, slots=True)
class Purpose:
    """What a camera is wanted for."""

    name: str
    title: str
    about: str
    limits: tuple[Limit, ...]
    wishes: tuple[Wish, ...]


_LIMIT_KEYS = {"measurand", "least", "most", "why", "where"}
_WISH_KEYS = {
    "measurand", "worst", "best", "low", "aim", "high", "weight", "shape", "why", "where",
}  # fmt: skip
_WHERE_UNITS = {"light": "lx", "temperature": "degC"}


class _Reader:
    """Turns one TOML text into a `Purpose`; every complaint names the line."""

    def __init__(self, text: str, name: str) -> None:
        self.name = name
        self.text = TomlText(text, f"Purpose '{name}'")

    def read(self) -> Purpose:
        data = self.text.data
        self.text.only(data, {"title", "about", "limit", "wish"}, "")
        limits = tuple(self._limit(i, t) for i, t in enumerate(self._tables(data, "limit")))
        wishes = tuple(self._wish(i, t) for i, t in enumerate(self._tables(data, "wish")))
        if not limits and not wishes:
            raise self.text.fail(1, "it asks for nothing.", "Add a [[limit]] or a [[wish]].")
        self._contradictions(limits)
        title = str(data.get("title", self.name))
        return Purpose(self.name, title, str(data.get("about", "")), limits, wishes)

    def _tables(self, data: dict[str, Any], kind: str) -> list[dict[str, Any]]:
        tables = data.get(kind, [])
        if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
            raise self.text.fail(
                self.text.table_line(kind, 0), f"write [[{kind}]] with two brackets."
            )
        return tables

    def _entry(self, kind: str, index: int, table: dict[str, Any], keys: set[str]) -> Measurand:
        self.text.only(table, keys, kind, index)
        if "measurand" not in table:
            raise self.text.fail(
                self.text.table_line(kind, index), f"the {kind} names no measurand."
            )
        if not str(table.get("why", "")).strip():
            raise self.text.fail(
                self.text.table_line(kind, index),
                f"the {kind} on '{table['measurand']}' gives no reason.",
                'Add why = "…", one sentence.',
            )
        try:
            return measurand(str(table["measurand"]))
        except WrongCall as error:
            line = self.text.key_line(kind, "measurand", index)
            raise self.text.fail(line, error.message, error.hint) from None

    def _number(
        self, kind: str, index: int, table: dict[str, Any], key: str, entry: Measurand
    ) -> float | None:
        if key not in table:
            return None
        line = self.text.key_line(kind, key, index)
        if not entry.unit:
            return self.text.quantity(table[key], "", line).value
        found = self.text.quantity(table[key], None, line)
        unit = found.unit or entry.pint_unit
        if entry.pint_unit == "standard_gravity" and unit == "g":
            unit = entry.pint_unit  # '30 g' of load is not a mass
        try:
            return convert(found.value, unit, entry.pint_unit, found.text)
        except BadQuantity as error:
            raise self.text.fail(line, error.message, error.hint) from None

    def _where(self, kind: str, index: int, table: dict[str, Any]) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for key, value in table.get("where", {}).items():
            if key in _WHERE_UNITS:
                line = self.text.key_line(kind, "where", index)
                found[key] = self.text.quantity(value, _WHERE_UNITS[key], line).value
            else:
                found[key] = value
        return found

    def _limit(self, index: int, table: dict[str, Any]) -> Limit:
        entry = self._entry("limit", index, table, _LIMIT_KEYS)
        least = self._number("limit", index, table, "least", entry)
        most = self._number("limit", index, table, "most", entry)
        line = self.text.table_line("limit", index)
        if least is None and most is None:
            raise self.text.fail(line, f"the limit on '{entry.id}' has neither least nor most.")
        if least is not None and most is not None and least > most:
            raise self.text.fail(
                line, f"the limit on '{entry.id}' asks for at least {least:g} and at most {most:g}."
            )
        where = self._where("limit", index, table)
        return Limit(entry, least, most, str(table["why"]), where)

    def _wish(self, index: int, table: dict[str, Any]) -> Wish:
        entry = self._entry("wish", index, table, _WISH_KEYS)
        line = self.text.table_line("wish", index)
        found = {
            key: self._number("wish", index, table, key, entry)
            for key in ("worst", "best", "low", "aim", "high")
        }
        weight, shape = (self._positive(index, table, key) for key in ("weight", "shape"))
        one = found["worst"] is not None and found["best"] is not None
        two = all(found[k] is not None for k in ("low", "aim", "high"))
        if one == two:
            raise self.text.fail(
                line, f"the wish on '{entry.id}' needs either worst and best, or low, aim and high."
            )
        if one and found["worst"] == found["best"]:
            raise self.text.fail(line, f"worst and best of '{entry.id}' are the same.")
        low, aim, high = found["low"], found["aim"], found["high"]
        if low is not None and aim is not None and high is not None and not low < aim < high:
            raise self.text.fail(line, f"'{entry.id}': low, aim and high must rise.")
        where = self._where("wish", index, table)
        return Wish(entry, weight, shape, str(table["why"]), where=where, **found)

    def _positive(self, index: int, table: dict[str, Any], key: str) -> float:
        value = table.get(key, 1)
        if isinstance(value, bool) or not isinstance(value, int | float) or not value > 0:
            line = self.text.key_line("wish", key, index)
            raise self.text.fail(line, f"{key} must be a number above zero.")
        return float(value)

    def _contradictions(self, limits: tuple[Limit, ...]) -> None:
        seen: dict[tuple[str, str], tuple[float, float]] = {}
        for index, limit in enumerate(limits):
            key = (limit.measurand.id, repr(sorted(limit.where.items())))
            least, most = seen.get(key, (float("-inf"), float("inf")))
            least = max(least, limit.least if limit.least is not None else float("-inf"))
            most = min(most, limit.most if limit.most is not None else float("inf"))
            if least > most:
                raise self.text.fail(
                    self.text.table_line("limit", index),
                    f"no camera can keep both limits on '{limit.measurand.id}'.",
                    "Remove one of them.",
                )
            seen[key] = (least, most)


def read_purpose(text: str, name: str) -> Purpose:
    """Read a purpose from TOML text.

    Raises:
        WrongCall: With the line number and the reason.
    """
    return _Reader(text, name).read()
