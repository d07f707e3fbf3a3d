"""``seeworthy claims``: the seller's figures against the measured ones."""

from __future__ import annotations

from pathlib import Path

import typer

app = typer.Typer(rich_markup_mode=None)


@app.command()
def claims(
    camera: str = typer.Argument(None, help="Which camera; all of the bench if left out."),
    bench: Path = typer.Option(None, "--bench", metavar="DIR", help="Bench folder."),
    tolerance: str = typer.Option(
        "5 %", "--tolerance", help="How far off a claim may be and still count as kept."
    ),
    as_json: bool = typer.Option(False, "--json", help="Print JSON for scripts."),
) -> None:
    """Hold every claim of the seller against what was measured.

    Decided with the 95 % interval of the measurement: a claim is confirmed when the whole
    interval lies within the tolerance of it, overstated or understated when the whole
    interval lies outside, and otherwise it says that it cannot tell.
    """
    from seeworthy.bench.cameras import list_cameras
    from seeworthy.bench.store import find_bench, open_bench
    from seeworthy.cli import words
    from seeworthy.compare.tolerance import Tolerance
    from seeworthy.report.assemble import camera_report

    rule = Tolerance.parse(tolerance)
    with open_bench(bench or find_bench()) as opened:
        names = [camera] if camera else [c.name for c in list_cameras(opened)]
        found = [camera_report(opened, n, tolerance=rule, pictures=False) for n in names]
    if as_json:
        documents = [
            {
                "camera": r.camera,
                "tolerance": str(r.tolerance),
                "claims": [j.to_json() for j in r.judgements],
            }
            for r in found
        ]
        words.show_json(documents[0] if camera else documents)
        return
    for one in found:
        typer.echo(f"{one.camera} (tolerance {one.tolerance})")
        for item in one.judgements:
            typer.echo(f"  {item.state:<15}  {item.sentence}")
