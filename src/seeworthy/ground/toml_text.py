"""TOML files that people write: read with complaints that name file, line and reason."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from seeworthy.ground.errors import BadQuantity, UnreadableInput, WrongCall
from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.quantities import Quantity, parse

_LARGEST = 1_000_000  # bytes; what people write by hand is a page of text


def read_toml_file(path: Path, what: str) -> str:
    """Return the text of a hand-written TOML file; `what` names its kind in complaints.

    Raises:
        UnreadableInput: Too large, or not UTF-8.
    """
    if path.stat().st_size > _LARGEST:
        raise UnreadableInput(f"'{path.name}' is too large for a {what}.", "Name a TOML file.")
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise UnreadableInput(f"'{path.name}' is not text (UTF-8).", "Name a TOML file.") from None


# The parser's time grows with the square of the depth of a dotted key.
_DEEP_KEY = re.compile(r"(?<![\w\"'-])(?:[\w\"'-]++[ \t]*+\.[ \t]*+){20}")


class TomlText:
    """One TOML text with its lines.

    Args:
        label: How complaints begin: ``"Purpose 'kite-picture'"``.

    Raises:
        WrongCall: The text is not TOML.
    """

    def __init__(self, text: str, label: str) -> None:
        self.label = label
        self.lines = text.splitlines()
        if deep := _DEEP_KEY.search(text):
            line = text.count("\n", 0, deep.start()) + 1
            raise self.fail(line, "nested deeper than anything here.", "See the examples.")
        try:
            self.data: dict[str, Any] = tomllib.loads(text)
        except RecursionError:
            raise self.fail(1, "nested deeper than anything here.", "See the examples.") from None
        except tomllib.TOMLDecodeError as error:
            found = re.search(r"line (\d+)", str(error))
            line = int(found.group(1)) if found else len(self.lines)
            reason = re.sub(r" \(at .*\)$", "", str(error))
            raise self.fail(line, f"not TOML: {reason}.", "See the shipped examples.") from None

    def fail(self, line: int, message: str, hint: str = "") -> WrongCall:
        """Return (not raise) the complaint about a line."""
        return WrongCall(f"{self.label}, line {line}: {message}", hint, line)

    def table_line(self, name: str, index: int = 0) -> int:
        """Return the line of the index-th ``[name]`` or ``[[name]]``, 1 when there is none."""
        pattern = rf"\s*\[\[?\s*{re.escape(name)}\s*\]"
        heads = [i for i, t in enumerate(self.lines, 1) if re.match(pattern, t)]
        return heads[index] if index < len(heads) else 1

    def key_line(self, name: str, key: str, index: int = 0) -> int:
        """Return the line of a key inside a table; the table's own line when it is not there.

        An empty table name means the keys before the first table.
        """
        start = self.table_line(name, index) if name else 0
        for number in range(start, len(self.lines)):
            text = self.lines[number]
            if re.match(r"\s*\[", text):
                break
            if re.match(rf"\s*\"?{re.escape(key)}\"?\s*=", text):
                return number + 1
        return max(1, start)

    def quantity(
        self, value: Any, unit: str | None, line: int, *, positive: bool = False
    ) -> Quantity:
        """Parse a value of the file as a quantity.

        Raises:
            WrongCall: With the line and the reason.
        """
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise self.fail(
                line,
                f"'{value}' is not a quantity.",
                f'Write it like "{EXAMPLES["view.distance"]}".',
            )
        try:
            return parse(str(value), unit, positive=positive)
        except BadQuantity as error:
            raise self.fail(line, error.message, error.hint) from None

    def only(self, table: dict[str, Any], known: set[str], name: str, index: int = 0) -> None:
        """Refuse keys that have no meaning.

        Raises:
            WrongCall: Naming the key and what is known.
        """
        for key in table:
            if key not in known:
                where = f"in [{name}]" if name else "here"
                raise self.fail(
                    self.key_line(name, key, index) if name else self._top_line(key),
                    f"'{key}' has no meaning {where}.",
                    f"Known: {', '.join(sorted(known))}.",
                )

    def _top_line(self, key: str) -> int:
        pattern = rf"\s*(\[+\s*)?\"?{re.escape(key)}\"?\s*(\]|=|\.)"
        return next((i for i, t in enumerate(self.lines, 1) if re.match(pattern, t)), 1)
