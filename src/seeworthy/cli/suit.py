"""``seeworthy suit``: rank cameras for a purpose, with reasons."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from seeworthy.cli.opening import AsJson, BenchDir, opened

if TYPE_CHECKING:
    from seeworthy.judge.purpose.rank import Ranking, Suited

app = typer.Typer(rich_markup_mode=None)


@app.command()
def suit(
    purpose: str = typer.Argument(
        "", metavar="PURPOSE", help="Name of a purpose or a .toml file; lists them if left out."
    ),
    camera: list[str] = typer.Option(None, "--camera", help="Only this camera (repeatable)."),
    show: bool = typer.Option(False, "--show", help="Print the purpose's text to start your own."),
    out: Path | None = typer.Option(None, "--out", metavar="FILE.html", help="Write a page."),
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Rank cameras for what you want to fly, and say why.

    Hard limits come first, then wishes; the probability of every rank follows from the
    uncertainties. A test that is missing widens the score and never flatters it. Put your own
    purposes into the bench's folder 'purposes'.
    """
    from seeworthy.cli import words
    from seeworthy.judge.purpose.bench_rank import ranking_json
    from seeworthy.judge.purpose.bench_rank import suit as run
    from seeworthy.judge.purpose.library import shipped, text_of

    if not purpose:
        for name, item in shipped().items():
            typer.echo(f"  {name:<16}  {item.about}")
        return
    if show:
        typer.echo(text_of(purpose))
        return
    with opened(bench) as place:
        found = run(place, purpose, cameras=camera or ())
    if as_json:
        words.show_json(ranking_json(found))
        return
    if out is not None:
        from seeworthy.publish.judgement import suit_page

        words.write_page(out, suit_page(found))
        return
    _show(found)


def _show(found: Ranking) -> None:
    typer.echo(f"{found.purpose.title}: {found.purpose.about}\n")
    for place, camera in enumerate(found.cameras, 1):
        _show_camera(place, camera)
    for note in found.said:
        typer.echo(f"Note: {note}\n")
    if found.worth_doing:
        from seeworthy.ground.measurands import measurand

        typer.echo("What to test next:")
        for test in found.worth_doing:
            entry = measurand(test.measurand)
            typer.echo(f"  {test.camera}: {entry.title} ('{entry.procedure}')")
    typer.echo("\nA score is about pictures and recording, never about the safety of a flight.")


def _show_camera(place: int, camera: Suited) -> None:
    from seeworthy.ground.digits import said

    low, high = (100 * v for v in camera.interval)
    typer.echo(
        f"{place}. {camera.camera}: {camera.grade}, score {100 * camera.score:.0f} "
        f"(95 %: {low:.0f} to {high:.0f}), first in {100 * camera.ranks[0]:.0f} % of draws"
    )
    for state in camera.limits:
        if state.word != "kept":
            limit = state.limit
            asked = f"{limit.measurand.title} {limit.bounds}. {limit.why}"
            typer.echo(f"   limit {state.word}: {asked}")
    for wish in sorted(camera.wishes, key=lambda w: -w.share)[:3]:
        if wish.found is None:
            typer.echo(f"   not tested: {wish.wish.measurand.title}. {wish.wish.why}")
        elif wish.share > 0.05:
            found = wish.found
            have = said(found.value, *found.interval, wish.wish.measurand.unit, found.u)
            typer.echo(
                f"   costs most: {wish.wish.measurand.title} {have} "
                f"({100 * wish.share:.0f} % of the loss). {wish.wish.why}"
            )
