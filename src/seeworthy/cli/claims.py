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
    listing: str = typer.Option(
        "", "--listing", metavar="FILE", help="Pick claims from a seller's listing ('-' to paste)."
    ),
    accept: str = typer.Option(
        "", "--accept", metavar="NUMBERS", help="With --listing: enter these, such as 1,3 or all."
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
    from seeworthy.judge.claims.tolerance import Tolerance
    from seeworthy.publish.assemble import camera_report

    if listing:
        _from_listing(camera, listing, accept, bench, as_json)
        return
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


def _from_listing(camera: str, listing: str, accept: str, bench: BenchDir, as_json: bool) -> None:
    """Show what a listing claims; enter what the user accepts."""
    import sys
    from pathlib import Path

    from seeworthy.bench.claims import set_claim
    from seeworthy.cli import words
    from seeworthy.ground.errors import UnreadableInput, WrongCall
    from seeworthy.judge.claims.listing import read_listing

    if not camera:
        raise WrongCall("Whose listing is it?", "Name the camera: claims CAMERA --listing FILE.")
    try:
        text = sys.stdin.read() if listing == "-" else Path(listing).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise UnreadableInput(
            f"'{listing}' cannot be read as text.", "Save the listing as plain text (UTF-8)."
        ) from None
    found = read_listing(text)
    chosen = _chosen(accept, len(found.suggestions))
    if chosen:
        with opened(bench) as place:
            for i in chosen:
                item = found.suggestions[i - 1]
                source = f"listing, line {item.line}: {item.found}"
                set_claim(place, camera, item.subject, item.text, source=source)
    if as_json:
        words.show_json(
            {
                "suggestions": [
                    {
                        "number": i, "subject": s.subject, "text": s.text, "found": s.found,
                        "line": s.line, "remark": s.remark, "accepted": i in chosen,
                    }
                    for i, s in enumerate(found.suggestions, 1)
                ],
                "left_over": [{"line": n, "text": t} for n, t in found.left],
            }
        )  # fmt: skip
        return
    for i, s in enumerate(found.suggestions, 1):
        mark = "entered" if i in chosen else f"line {s.line}: {s.found}"
        typer.echo(
            f"  {i}. {s.subject} = {s.text}  ({mark})" + (f"  Mind: {s.remark}" if s.remark else "")
        )
    if found.left:
        typer.echo("Not understood: " + "; ".join(f"{t} (line {n})" for n, t in found.left))
    if not chosen and found.suggestions:
        typer.echo("Nothing was entered. Add --accept all, or --accept 1,3.")


def _chosen(accept: str, count: int) -> list[int]:
    from seeworthy.ground.errors import WrongCall

    if not accept:
        return []
    if accept.strip() == "all":
        return list(range(1, count + 1))
    try:
        found = [int(part) for part in accept.split(",")]
    except ValueError:
        found = [0]
    if not all(1 <= i <= count for i in found):
        raise WrongCall(
            f"'{accept}' does not name suggestions.", f"Write all, or numbers from 1 to {count}."
        )
    return found
