"""``seeworthy cards``: pictures of results for a film."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from seeworthy.cli.opening import AsJson, BenchDir, counted, opened
from seeworthy.cli.tables import next_step

app = typer.Typer(rich_markup_mode=None)


@app.command()
def cards(
    camera: Annotated[str, typer.Argument(metavar="CAMERA", help="The camera's name.")],
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="DIR", help="New folder; the bench's exports when left out."),
    ] = None,
    size: Annotated[
        list[str] | None,
        typer.Option("--size", metavar="NAME", help="wide, tall or square (repeatable; all)."),
    ] = None,
    kind: Annotated[
        list[str] | None,
        typer.Option(
            "--kind",
            metavar="NAME",
            help="result, claim, figure or comparison (repeatable; all).",
        ),
    ] = None,
    alpha: Annotated[
        bool, typer.Option("--alpha", help="Transparent paper, to lay over a film.")
    ] = False,
    clips: Annotated[
        bool, typer.Option("--clips", help="Short films from the evidence too (MP4).")
    ] = False,
    seconds: Annotated[
        float, typer.Option("--seconds", help="Of one card in chapters.txt.")
    ] = 10.0,
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Write cards in large type: every result, claim, figure and comparison of a camera.

    PNG and SVG of 1920×1080, 1080×1920 and 1080×1080; a text with caption and alternative text
    beside each; and chapters.txt, the order of the report for the description of a film.
    """
    from seeworthy.cli import words
    from seeworthy.ground.plain import picked
    from seeworthy.publish.card_drawing import SIZES
    from seeworthy.publish.cards import KINDS, write_cards

    with opened(bench) as place:
        made = write_cards(
            place, camera, folder, sizes=size or tuple(SIZES), kinds=kind or KINDS,
            alpha=alpha, clips=clips, seconds=seconds, tell=_tell,
        )  # fmt: skip
    if as_json:
        clips_told = [{"file": f, "caption": c} for f, c in made.clips]
        cards_told = [picked(c, "name kind caption") for c in made.cards]
        told = {"cards": cards_told, "clips": clips_told, "left_out": made.left}
        words.show_json({"folder": made.folder, **told})
        return
    typer.echo(f"{made.folder}: {counted(len(made.cards), 'card')}.")
    for name, caption in made.clips:
        typer.echo(f"  {name}: {caption}")
    for why in made.left:
        typer.echo(f"  Not made, {why}")
    next_step("lay them over your film; captions.txt says what each one shows")


def _tell(done: int, total: int) -> None:
    if sys.stderr.isatty():
        end = "\n" if done == total else ""
        typer.echo(f"\rCard {done} of {total}{end}", nl=False, err=True)
