"""``seeworthy export``: results as open data."""

from __future__ import annotations

from pathlib import Path

import typer

from seeworthy.cli.opening import BenchDir

app = typer.Typer(rich_markup_mode=None)


@app.command()
def export(
    folder: Path = typer.Argument(
        None, metavar="DIR", help="New folder; the bench's exports folder when left out."
    ),
    camera: str = typer.Option("", "--camera", metavar="CAMERA", help="Only this camera."),
    figures: list[str] = typer.Option(
        None, "--figures", metavar="FORMAT", help="Figures too: svg, png or pdf (repeatable)."
    ),
    bench: BenchDir = None,
    as_json: bool = typer.Option(False, "--json", help="Print JSON for scripts."),
) -> None:
    """Write all results as CSV tables with a description of every column.

    The tables open in any spreadsheet; 'datapackage.json' makes them an open data package
    that others can check and build on.
    """
    from seeworthy.bench.store import find_bench, open_bench
    from seeworthy.cli import words
    from seeworthy.publish.export import export_bench

    with open_bench(bench or find_bench()) as opened:
        made = export_bench(opened, folder, camera=camera or None, figures=figures or ())
    if as_json:
        words.show_json({"folder": str(made)})
        return
    typer.echo(f"Data: {made}")
