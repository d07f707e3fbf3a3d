"""``seeworthy report``: one page per camera that needs nothing from anywhere else."""

from __future__ import annotations

from pathlib import Path

import typer

from seeworthy.cli.opening import AsJson, BenchDir, opened

app = typer.Typer(rich_markup_mode=None)


@app.command()
def report(
    camera: str = typer.Argument(
        None, metavar="CAMERA", help="Which camera; all of the bench if left out."
    ),
    bench: BenchDir = None,
    out: Path = typer.Option(
        None, "--out", metavar="PATH", help="File (.html) or folder to write to."
    ),
    tolerance: str = typer.Option(
        "5 %",
        "--tolerance",
        metavar="PERCENT",
        help="How far off a claim may be and still count as kept.",
    ),
    metric: bool = typer.Option(False, "--metric", help="Leave out US customary units."),
    as_json: AsJson = False,
) -> None:
    """Write the report of a camera as one HTML file.

    Verdict, claims against measured figures, every result with its interval, figures,
    pictures, how each was measured, and where it all comes from. The file loads nothing
    from any other place; copy it, print it, put it on a web page.
    """
    from seeworthy.bench.cameras import get_camera, list_cameras
    from seeworthy.bench.sound_evidence import evidence_troubles
    from seeworthy.cli import words
    from seeworthy.judge.claims.tolerance import Tolerance
    from seeworthy.publish.assemble import camera_report
    from seeworthy.publish.write import write_reports

    rule = Tolerance.parse(tolerance)
    with opened(bench) as place:
        if as_json:
            names = [camera] if camera else [c.name for c in list_cameras(place)]
            found = [
                camera_report(place, name, tolerance=rule, pictures=False).to_json()
                for name in names
            ]
            words.show_json(found[0] if camera else found)
            return
        chosen = get_camera(place, camera).id if camera else None
        for path in write_reports(place, camera, out=out, tolerance=rule, customary=not metric):
            typer.echo(f"Report: {path}")
        for trouble in evidence_troubles(place, camera=chosen, deep=True):
            typer.echo(f"Mind: {trouble.message} The report says so.", err=True)
