"""A purpose as fields of a form: rows read from its text, checked one by one, written again."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from seeworthy.ground.errors import WrongCall
from seeworthy.judge.purpose.model import read_purpose

RowKind = Literal["limit", "wish"]
KEYS: dict[RowKind, tuple[str, ...]] = {
    "limit": ("measurand", "least", "most", "why", "light", "temperature"),
    "wish": (
        "measurand", "worst", "best", "low", "aim", "high", "weight", "shape", "why", "light",
        "temperature",
    ),
}  # fmt: skip
_AROUND = ("light", "temperature")
_NUMBERS = ("weight", "shape")
_LINE = re.compile(r"^.*?line \d+: ?", re.DOTALL)


@dataclass(frozen=True, slots=True)
class WrittenRow:
    """One limit or wish as typed.

    Attributes:
        values: Keys of `KEYS`; what is empty is left out of the text.
        wrong: What is not right; ``""`` as key for the row as a whole.
    """

    kind: RowKind
    values: Mapping[str, str]
    wrong: Mapping[str, str] = field(default_factory=dict)

    @property
    def empty(self) -> bool:
        """Nothing is typed into it."""
        return not any(v for k, v in self.values.items() if k not in _NUMBERS)


def rows_of(text: str) -> tuple[str, str, list[WrittenRow]]:
    """Return title, sentence and rows of a purpose's text; conditions of other names are dropped.

    Raises:
        WrongCall: The text is no purpose.
    """
    read_purpose(text, "this")
    data = tomllib.loads(text)
    kinds: tuple[RowKind, ...] = ("limit", "wish")
    rows = [WrittenRow(kind, _values(kind, t)) for kind in kinds for t in data.get(kind, [])]
    return str(data.get("title", "")), str(data.get("about", "")), rows


def _values(kind: RowKind, table: Mapping[str, Any]) -> dict[str, str]:
    around = table.get("where", {})
    found = {k: around.get(k, "") if k in _AROUND else table.get(k, "") for k in KEYS[kind]}
    return {k: v if isinstance(v, str) else f"{v:g}" for k, v in found.items()}


def text_of_rows(title: str, about: str, rows: Sequence[WrittenRow]) -> str:
    """Return a purpose's text (TOML) from what was typed; empty rows are left out."""
    lines = [f"title = {_string(title)}", f"about = {_string(about)}"]
    for row in rows:
        if not row.empty:
            lines += ["", *_table(row)]
    return "\n".join(lines) + "\n"


def _table(row: WrittenRow) -> list[str]:
    lines = [f"[[{row.kind}]]"]
    for key in KEYS[row.kind]:
        typed = row.values.get(key, "").strip()
        if typed and key not in _AROUND:
            lines.append(f"{key} = {_number(typed) if key in _NUMBERS else _string(typed)}")
    around = [f"{k} = {_string(v)}" for k in _AROUND if (v := row.values.get(k, "").strip())]
    return [*lines, f"where = {{ {', '.join(around)} }}"] if around else lines


def _string(text: str) -> str:
    """Write a basic string of TOML; its escapes are those of JSON (TOML 1.0, String)."""
    return json.dumps("".join(c for c in text if c.isprintable()), ensure_ascii=False)


def _number(text: str) -> str:
    try:
        return repr(float(text)) if abs(float(text)) < float("inf") else _string(text)
    except ValueError:
        return _string(text)


def checked(rows: Sequence[WrittenRow]) -> list[WrittenRow]:
    """Return the rows, each with what is wrong in it, at the field where it is wrong."""
    return [row if row.empty else replace(row, wrong=_wrong(row)) for row in rows]


def _wrong(row: WrittenRow) -> dict[str, str]:
    lines = _table(row)
    try:
        read_purpose("\n".join(lines) + "\n", "this")
    except WrongCall as error:
        at = lines[min(error.line, len(lines)) - 1] if error.line else ""
        key = at.partition(" = ")[0]
        if key == "where":
            key = next((k for k in _AROUND if row.values.get(k)), "")
        if not row.values.get("measurand"):
            return {"measurand": "Choose what it is about."}
        if not row.values.get("why", "").strip():
            return {"why": "One sentence why is needed: the answer shows it."}
        return {key if key in KEYS[row.kind] else "": f"{plain_message(error)} {error.hint}"}
    return {}


def plain_message(error: WrongCall) -> str:
    """Return the words of a complaint without the line of a text that nobody typed."""
    said = _LINE.sub("", error.message, count=1)
    return said[:1].upper() + said[1:]
