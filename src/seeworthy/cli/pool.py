"""``seeworthy pool``: many packages into one corpus."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Annotated

import typer

from seeworthy.cli.opening import AsJson, counted
from seeworthy.cli.tables import next_step

app = typer.Typer(rich_markup_mode=None)


@app.command()
def pool(
    sources: Annotated[
        list[str],
        typer.Argument(
            metavar="SOURCE",
            help="Packages, folders of packages, or addresses (with #sha256=… to be checked).",
        ),
    ],
    into: Annotated[
        Path, typer.Option("--into", metavar="DIR", help="Folder of the corpus; replaced.")
    ] = Path("corpus"),
    as_json: AsJson = False,
) -> None:
    """Put data packages of many benches together; 'seeworthy ask' answers from them.

    The corpus is three Parquet tables: results, claims, packages. A damaged package is named
    and left out whole; of a bench that comes twice the newest package counts.
    """
    from seeworthy.cli import words
    from seeworthy.publish.pool import pool as pool_packages

    made = pool_packages(sources, into, tell=_tell)
    if as_json:
        words.show_json(made)
    else:
        typer.echo(
            f"{made.folder}: {counted(made.packages, 'package')}, "
            f"{counted(made.results, 'result')}, {counted(made.claims, 'claim')}."
        )
        next_step(f"seeworthy ask {shlex.quote(str(made.folder))} figures")
        if made.older:
            typer.echo(f"Left out, older ones of the same bench: {made.older}.")
        for path, why in made.refused[:20]:
            typer.echo(f"Left out, {path}: {why}", err=True)
        if len(made.refused) > 20:
            typer.echo(f"And {len(made.refused) - 20} more; --json lists all.", err=True)
    raise typer.Exit(3 if made.refused and not made.packages else 0)


def _tell(done: int, total: int) -> None:
    if sys.stderr.isatty():
        end = "\n" if done == total else ""
        typer.echo(f"\rPackage {done} of {total}{end}", nl=False, err=True)
