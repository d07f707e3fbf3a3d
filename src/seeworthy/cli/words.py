"""How commands speak: JSON, lines of results, progress."""

from __future__ import annotations

import contextlib
import io
import json
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from seeworthy.ground.customary import customary_text
from seeworthy.ground.errors import WrongCall
from seeworthy.ground.glossary import words_in
from seeworthy.ground.plain import plain

if TYPE_CHECKING:
    from seeworthy.ground.results import Outcome, Picture, Result
    from seeworthy.procedures.declare import Procedure


_units = {"first": "metric", "said": ""}


def use_units(first: str, *, said: bool = True) -> None:
    """Choose which units stand first in what is printed: ``us`` or ``metric``.

    Args:
        said: By the person who typed the command, which counts more than the bench's setting.
    """
    if said:
        _units["said"] = first
    _units["first"] = _units["said"] or first or "metric"


def units_first() -> str:
    """Return which units stand first: ``us`` or ``metric``."""
    return _units["first"]


# Of what moves a terminal, only colours and the progress bar's own moves pass.
_MOVES = re.compile(
    "\x1b(?!\\[[0-9;]*[mKA]|\\[\\?25[hl])"
    "|[\x00-\x08\x0b\x0c\x0e-\x1a\x1c-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]"
)
_NO_TEXT = re.compile("[\ud800-\udfff]")


def harmless(text: str, terminal: bool) -> str:
    """Return text that a stream can write, and that gives a terminal no orders.

    File names, tags of clips and packages of others may hold anything.
    """
    said = _NO_TEXT.sub("\ufffd", text)
    return _MOVES.sub("\ufffd", said) if terminal else said


class UnitsOut(io.TextIOBase):
    """Standard output in the units that were chosen: figures are turned line by line."""

    def __init__(self, out: Any) -> None:
        self._out = out
        self._rest = ""

    def write(self, text: str) -> int:
        """Write what is whole lines, and keep the rest until its line ends."""
        if _units["first"] != "us":
            self._out.write(harmless(self._rest + text, self.isatty()))
            self._rest = ""
            return len(text)
        *lines, self._rest = (self._rest + text).split("\n")
        for line in lines:
            self._out.write(harmless(customary_text(line), self.isatty()) + "\n")
        return len(text)

    def flush(self) -> None:
        """Write what is left."""
        if self._rest:
            said = customary_text(self._rest) if _units["first"] == "us" else self._rest
            self._out.write(harmless(said, self.isatty()))
            self._rest = ""
        self._out.flush()

    def isatty(self) -> bool:
        """Tell whether a terminal shows it."""
        return bool(self._out.isatty())

    def fileno(self) -> int:
        """Return the number of the file behind it."""
        return int(self._out.fileno())

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """Encoding of the stream behind it."""
        return str(getattr(self._out, "encoding", None) or "utf-8")


def show_json(value: Any) -> None:
    """Print one JSON document; records are turned into plain values."""
    _units["first"] = "metric"  # what scripts read has the units of the store
    typer.echo(json.dumps(plain(value), ensure_ascii=False, indent=2, allow_nan=False))


def pairs(texts: Iterable[str], flag: str, example: str) -> dict[str, list[str]]:
    """Turn repeated ``NAME=VALUE`` words into a mapping of lists.

    Raises:
        WrongCall: A word without ``=``.
    """
    found: dict[str, list[str]] = {}
    for text in texts:
        name, mark, value = text.partition("=")
        if not mark or not name.strip():
            raise WrongCall(f"'{flag} {text}' has no NAME=.", f"Write {flag} {example}.")
        found.setdefault(name.strip(), []).append(value.strip())
    return found


def files_and_roles(
    procedure: str, files: Sequence[str], with_: Sequence[str]
) -> tuple[list[str], dict[str, list[str]]]:
    """Part files in order from files with a role, which may also be typed bare: ``turned=b.mp4``.

    Raises:
        WrongCall: A word of ``--with`` without ``=``.
    """
    from seeworthy.procedures import procedure as find

    known = {one.role for one in find(procedure).files if one.role}
    bare = [f for f in files if f.partition("=")[0] in known and not Path(f).exists()]
    roles = pairs([*with_, *bare], "--with", "turned=b.mp4")
    return [f for f in files if f not in bare], roles


def ask_for_units(procedure: str, readings: dict[str, list[str]]) -> None:
    """Refuse a typed number without its unit where the reading has one.

    Raises:
        BadQuantity
    """
    from seeworthy.ground.quantities import parse
    from seeworthy.procedures import procedure as find

    needs = {need.name: need for need in find(procedure).readings}
    for name, texts in readings.items():
        need = needs.get(name)  # an unknown one is named by the procedure itself
        if need is not None and need.unit != "text":
            for text in texts:
                parse(text, need.unit, positive=need.positive, bare=False)


def show_outcome(outcome: Outcome, of: str) -> None:
    """Print what procedure `of` says, in words, written as the report writes them."""
    from seeworthy.publish.numbers import finding_name, finding_text

    if outcome.sentence:
        typer.echo(outcome.sentence)
    lines = [result_line(r) for r in outcome.results]
    width = max((len(name) for name, _, _ in lines), default=0)
    for name, value, rest in lines:
        typer.echo(f"  {name:<{width}}  {value}  {rest}".rstrip())
    for name, value in outcome.findings.items():
        text = finding_text(value)
        if text not in ("", "–"):  # what was not found says nothing; JSON keeps it
            typer.echo(f"  {finding_name(name, of)}: {text}")
    for warning in outcome.warnings:
        typer.echo(f"  Mind: {warning}")
    told = (outcome.sentence, *outcome.warnings, *(" ".join(line) for line in lines))
    for word, meaning in words_in(told):
        typer.echo(f"  {word}: {meaning}.")


def result_line(result: Result) -> tuple[str, str, str]:
    """Return (name, value ± expanded uncertainty, interval and conditions) of a result."""
    from seeworthy.ground.digits import interval_text, said_result
    from seeworthy.ground.measurands import measurand
    from seeworthy.publish.numbers import conditions_text

    interval = interval_text(*result.interval, result.u, result.unit)
    conditions = conditions_text(result.conditions)
    title = measurand(result.measurand).title
    shown = said_result(result)
    rest = f"95 %: {interval}, n = {result.n}"
    return title, shown, f"({rest}, {conditions})" if conditions else f"({rest})"


def show_cautions(procedures: Sequence[Procedure]) -> None:
    """Print the cautions of procedures, each once."""
    from seeworthy.procedures.cautions import CAUTIONS

    for name in dict.fromkeys(c for p in procedures for c in p.cautions):
        typer.echo(f"  Caution: {CAUTIONS[name]}")


def save_pictures(pictures: Iterable[Picture], folder: Path) -> list[Path]:
    """Write evidence pictures into a folder and return their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for picture in pictures:
        path = folder / Path(picture.name).name
        path.write_bytes(picture.data)
        written.append(path)
    return written


@contextlib.contextmanager
def progress_bar(label: str, quiet: bool = False) -> Iterator[Callable[[float], None] | None]:
    """Show a progress bar on a terminal; hand on None where there is none to look at."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def write_page(path: Path, html: str) -> None:
    """Write an HTML page and say where it is."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(html, encoding="utf-8")
    typer.echo(f"Page: {path}")
