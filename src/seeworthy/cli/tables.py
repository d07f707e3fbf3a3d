"""Tables of the terminal: drawn and coloured where one looks, plain columns where piped."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import typer

from seeworthy.cli.words import units_first
from seeworthy.ground.customary import customary_text

# A colour never stands alone: the word that it marks says the same.
_TONES = {
    "green": "measured kept confirmed best fits sure right fine agree",
    "red": "refused failed lost broken missing heavier lighter shorter narrower wider more less "
    "contradicted WRONG will does",
    "yellow": "stale new unsure cannot open barely may among not",
}
_TONE = {word: tone for tone, words in _TONES.items() for word in words.split()}


def on_terminal() -> bool:
    """Tell whether a person looks at standard output, and has not asked for plain text."""
    plain = "NO_COLOR" in os.environ or os.environ.get("TERM") == "dumb"
    return sys.stdout.isatty() and not plain


def tone(text: str) -> str:
    """Return the colour of a state in words, empty where it has none."""
    first = text.split(" ", 1)[0].rstrip(",:")
    return _TONE.get("barely" if text.startswith("fits barely") else first, "")


def table(rows: Sequence[Sequence[str]], head: Sequence[str] = (), states: int = -1) -> None:
    """Print rows with their columns one below the other.

    Args:
        head: Heads of the columns.
        states: Which column holds a state, to be coloured; -1 for none.
    """
    if not rows:
        return
    if units_first() == "us":
        rows = [[customary_text(cell, about=" ".join(row)) for cell in row] for row in rows]
    if on_terminal():
        _draw(rows, head, states)
        return
    lines = [head, *rows] if head else list(rows)
    widths = [max(len(row[i]) for row in lines) for i in range(len(rows[0]))]
    for row in lines:
        cells = (f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True))
        typer.echo("  " + "  ".join(cells).rstrip())


def _draw(rows: Sequence[Sequence[str]], head: Sequence[str], states: int) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    drawn = Table(box=box.SIMPLE_HEAD, show_header=bool(head), pad_edge=False, header_style="bold")
    for i in range(len(rows[0])):
        drawn.add_column(Text(head[i]) if head else "", overflow="fold")
    for row in rows:
        drawn.add_row(*(Text(c, tone(c) if i == states else "") for i, c in enumerate(row)))
    Console(file=sys.stdout, highlight=False).print(drawn)


def next_step(*lines: str) -> None:
    """Print what to do after this command."""
    for line in lines:
        typer.echo(f"Next: {line}")
