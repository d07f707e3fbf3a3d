"""``seeworthy claims``: the seller's figures against the measured ones."""

from __future__ import annotations

import typer

from seeworthy.cli.opening import AsJson, BenchDir, opened

app = typer.Typer(rich_markup_mode=None)


@app.command()
def claims(
    camera: str = typer.Argument(None, help="Which camera; all of the bench if left out."),
    bench: BenchDir = None,
    tolerance: str = typer.Option(
        "5 %", "--tolerance", help="How far off a claim may be and still count as kept."
    ),
    as_json: AsJson = False,
) -> None:
    """Hold every claim of the seller against what was measured.

    Decided with the 95 % interval of the measurement: a claim is confirmed when the whole
    interval lies within the tolerance of it, overstated or understated when the whole
    interval lies outside, and otherwise it says that it cannot tell.
    """
    from seeworthy.bench.cameras import list_cameras
    from seeworthy.cli import words
    from seeworthy.compare.tolerance import Tolerance
    from seeworthy.report.assemble import camera_report

    rule = Tolerance.parse(tolerance)
    with opened(bench) as place:
        names = [camera] if camera else [c.name for c in list_cameras(place)]
        found = [camera_report(place, n, tolerance=rule, pictures=False) for n in names]
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
        shown = [j for j in one.judgements if j.claim is not None]
        for item in shown:
            typer.echo(f"  {item.state:<15}  {item.sentence}")
        silent = [j.title for j in one.judgements if j.claim is None]
        if silent:
            typer.echo(f"  No claim entered for: {', '.join(silent)}.")
