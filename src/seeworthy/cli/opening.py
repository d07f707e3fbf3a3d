"""What the commands of a bench share: which bench, and how records are printed."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from seeworthy.ground.errors import WrongCall

if TYPE_CHECKING:
    from seeworthy.bench.records import TakeLine
    from seeworthy.bench.store import Bench

BenchDir = Annotated[
    Path | None,
    typer.Option(
        "--bench",
        metavar="DIR",
        help="The bench folder. Left out: the one you stand in, or SEEWORTHY_BENCH.",
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for scripts.")]
_NOTE = typer.Option("--note", metavar="TEXT", help="Anything worth keeping.")
Note = Annotated[str, _NOTE]
NewNote = Annotated[str | None, _NOTE]
UnitName = Annotated[
    str | None,
    typer.Option("--unit", metavar="SERIAL", help="Which specimen, when there are several."),
]


Yes = Annotated[bool, typer.Option("--yes", help="Do it without asking.")]


def make_sure(what: str, yes: bool) -> None:
    """Ask before something is removed for good; a script says ``--yes``.

    Raises:
        WrongCall: The answer is no, or nobody is there to answer.
    """
    if yes:
        return
    if not sys.stdin.isatty():
        raise WrongCall(f"{what} would be removed for good; nothing was removed.", "Add --yes.")
    if not typer.confirm(f"Remove for good: {what}?", err=True):
        raise WrongCall("Nothing was removed.")


def opened(folder: Path | None) -> Bench:
    """Open the bench that a person means; for reading only where it cannot be written to.

    Its setting of units holds for what is printed, unless the command says another.
    """
    from seeworthy.bench.settings import read_settings
    from seeworthy.bench.store import find_bench, open_bench
    from seeworthy.cli.words import use_units

    bench = open_bench(folder or find_bench())
    use_units("us" if read_settings(bench).units == "us" else "metric", said=False)
    return bench


def say_stale(bench: Bench) -> None:
    """Say how many takes no judgement uses because they are out of date."""
    from seeworthy.bench.takes import list_lines

    stale = sum(line.state == "stale" for line in list_lines(bench))
    if stale:
        typer.echo(
            f"Mind: {counted(stale, 'take')} out of date, as inputs or method changed since; what "
            "they say is left out. 'seeworthy run' measures again.",
            err=True,
        )


def take_row(take: TakeLine) -> tuple[str, ...]:
    """Return a take as one row of a table."""
    which = take.camera if take.unit == "1" else f"{take.camera} ({take.unit})"
    files = ", ".join(take.files)
    return (f"{take.id:>4}", take.procedure, which, take.taken.isoformat(), take.state, files)


def counted(number: int, one: str) -> str:
    """Return ``1 camera``, ``2 cameras``."""
    return f"{number} {one if number == 1 else one + 's'}"
