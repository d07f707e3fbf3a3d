"""``seeworthy verify``: compute a package's results again."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from seeworthy.cli.opening import AsJson, counted
from seeworthy.cli.tables import next_step
from seeworthy.ground.plain import plain

app = typer.Typer(rich_markup_mode=None)


@app.command()
def verify(
    package: Annotated[
        Path, typer.Argument(metavar="PACKAGE", help="Folder or ZIP file of 'seeworthy export'.")
    ],
    every: Annotated[bool, typer.Option("--all", help="List also what is the same.")] = False,
    as_json: AsJson = False,
) -> None:
    """Compute every result of a data package again, from its evidence and readings.

    A result is the same, differs (with E_n; above 1 even the uncertainties do not explain it),
    or cannot be computed because its evidence is missing. Changed clips, readings and results
    are named. Exit code: 0 all the same, 1 something differs or was changed, 3 some cannot be
    computed.
    """
    from seeworthy.cli import words
    from seeworthy.publish.verify import verify_package

    found = verify_package(package, tell=_tell)
    counts = {v: found.count(v) for v in ("same", "differs", "cannot")}
    if as_json:
        words.show_json({**plain(found), **counts})
        raise typer.Exit(found.exit_code)
    for line in found.changed:
        typer.echo(f"Changed: {line}.")
    for c in found.checks:
        if c.verdict == "same" and not every:
            continue
        en = "" if c.en is None else f", E_n {c.en:.2g}"
        what = " ".join(filter(None, (c.camera, c.measurand or "no figure")))
        typer.echo(f"{c.verdict}{en}: take {c.take}, {c.procedure}, {what}: {c.words or '-'}")
    typer.echo(
        f"{counted(counts['same'], 'result')} the same, {counts['differs']} differ, "
        f"{counts['cannot']} cannot be computed."
    )
    if found.changed:
        next_step("ask whoever made it for a whole package; import takes in no changed table")
    elif not counts["differs"]:
        next_step("take it beside your own: seeworthy import PACKAGE, then seeworthy groups")
    elif not every:
        next_step("every figure beside the package's: add --all")
    raise typer.Exit(found.exit_code)


def _tell(done: int, total: int) -> None:
    if sys.stderr.isatty():
        end = "\n" if done == total else ""
        typer.echo(f"\rTake {done} of {total}{end}", nl=False, err=True)
