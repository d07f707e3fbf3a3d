"""``seeworthy export``: results as open data."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from seeworthy.cli.opening import BenchDir, opened
from seeworthy.cli.tables import next_step

if TYPE_CHECKING:
    from seeworthy.bench.identity import Identity
    from seeworthy.bench.store import Bench

app = typer.Typer(rich_markup_mode=None)


@app.command()
def export(
    folder: Path = typer.Argument(
        None,
        metavar="DIR",
        help="New folder, or file ending in .zip; the bench's exports folder when left out.",
    ),
    camera: str = typer.Option("", "--camera", metavar="CAMERA", help="Only this camera."),
    figures: list[str] = typer.Option(
        None, "--figures", metavar="FORMAT", help="Figures too: svg, png or pdf (repeatable)."
    ),
    evidence: bool = typer.Option(
        False, "--evidence", help="The clips and pictures too, so that others can verify."
    ),
    theirs: bool = typer.Option(False, "--theirs", help="Also cameras that other groups measured."),
    title: str = typer.Option(None, "--title", metavar="TEXT", help="What the data are called."),
    licence: str = typer.Option(
        None, "--licence", metavar="NAME", help="What others may do: CC-BY-4.0. Asked once."
    ),
    contributor: list[str] = typer.Option(
        None, "--contributor", metavar="NAME", help="Who is named as author (repeatable)."
    ),
    bench: BenchDir = None,
    as_json: bool = typer.Option(False, "--json", help="Print JSON for scripts."),
) -> None:
    """Write all results as CSV tables with a description of every column.

    The tables open in any spreadsheet; 'datapackage.json' makes them an open data package
    that others can check and build on.
    """
    from seeworthy.cli import words
    from seeworthy.publish.export import export_bench

    with opened(bench) as place:
        identity = _asked(place, title, licence, contributor)
        made = export_bench(
            place,
            folder,
            camera=camera or None,
            figures=figures or (),
            with_evidence=evidence,
            theirs=theirs,
        )
    if as_json:
        words.show_json({"folder": str(made), "id": identity.id, "licence": identity.licence})
        return
    typer.echo(f"Data: {made}")
    next_step(f"compute it again from itself: seeworthy verify {shlex.quote(str(made))}")
    if not identity.licence:
        typer.echo("No licence is given, so others may not use them: --licence CC-BY-4.0.")


def _asked(
    place: Bench, title: str | None, licence: str | None, contributors: list[str] | None
) -> Identity:
    """Keep what was said; ask for the licence, once, where a person can answer."""
    from seeworthy.bench.identity import read_identity, save_identity

    if title is not None or licence is not None or contributors:
        return save_identity(place, title=title, licence=licence, contributors=contributors or None)
    known = read_identity(place)
    if known.licence or place.read_only or not (sys.stdin.isatty() and sys.stdout.isatty()):
        return known
    said = typer.prompt(
        "Licence of the data, such as CC-BY-4.0 or CC0-1.0 (empty: none)",
        default="",
        show_default=False,
    )
    return save_identity(place, licence=said or "none")
