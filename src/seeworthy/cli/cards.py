"""``seeworthy cards``: pictures of results for a film."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from seeworthy.cli.opening import AsJson, BenchDir, counted, opened
from seeworthy.cli.tables import next_step
from seeworthy.ground.errors import NotFound

if TYPE_CHECKING:
    from seeworthy.publish.cards import Cards

app = typer.Typer(rich_markup_mode=None)

Sizes = Annotated[
    list[str] | None,
    typer.Option("--size", metavar="NAME", help="wide, tall or square (repeatable; all)."),
]
Kinds = Annotated[
    list[str] | None,
    typer.Option(
        "--kind", metavar="NAME", help="result, claim, figure or comparison (repeatable; all)."
    ),
]


@app.command()
def cards(
    camera: Annotated[
        str | None,
        typer.Argument(metavar="CAMERA", help="Which camera; all of the bench if left out."),
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="DIR", help="New folder; the bench's exports when left out."),
    ] = None,
    size: Sizes = None,
    kind: Kinds = None,
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
    Comparisons are drawn once where the cards of all cameras are written.
    """
    from seeworthy.bench.cameras import list_names
    from seeworthy.cli import words
    from seeworthy.publish.card_drawing import SIZES
    from seeworthy.publish.cards import KINDS, Press, write_cards

    with opened(bench) as place:
        names = [camera] if camera else list(list_names(place).values())
        if not names:
            raise NotFound("This bench has no camera yet.", "Add one: `seeworthy camera add NAME`.")
        made = []
        with Press(place) as press:
            for name in names:
                try:
                    one = write_cards(
                        place, name, folder, sizes=size or tuple(SIZES), kinds=kind or KINDS,
                        alpha=alpha, clips=clips, seconds=seconds, tell=_tell, press=press,
                    )  # fmt: skip
                except NotFound as error:
                    if camera:
                        raise
                    typer.echo(f"Not made: {error.message}", err=True)
                else:
                    made.append(one)
    if as_json:
        told = [_plain(one) for one in made]
        words.show_json(told[0] if camera else told)
        return
    for one in made:
        _say(one)
    next_step("lay them over your film; the text beside each says what it shows")


def _say(made: Cards) -> None:
    typer.echo(f"{made.folder}: {counted(len(made.cards), 'card')}.")
    for name, caption in made.clips:
        typer.echo(f"  {name}: {caption}")
    for why in made.left:
        typer.echo(f"  Not made, {why}")


def _plain(made: Cards) -> dict[str, Any]:
    from seeworthy.ground.plain import picked

    clips = [{"file": f, "caption": c} for f, c in made.clips]
    cards = [picked(c, "name kind caption") for c in made.cards]
    return {"folder": made.folder, "cards": cards, "clips": clips, "left_out": made.left}


def _tell(done: int, total: int) -> None:
    if sys.stderr.isatty():
        end = "\n" if done == total else ""
        typer.echo(f"\rCard {done} of {total}{end}", nl=False, err=True)
