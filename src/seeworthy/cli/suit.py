"""``seeworthy suit``: rank cameras for a purpose, with reasons."""

from __future__ import annotations

import contextlib
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from seeworthy.cli.opening import AsJson, BenchDir, opened, say_stale
from seeworthy.cli.tables import next_step, table
from seeworthy.ground.errors import NotFound, SeeworthyError, WrongCall

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
    from seeworthy.judge.purpose.library import text_of

    if not purpose:
        _list(bench)
        return
    if show:
        typer.echo(text_of(purpose))
        return
    with opened(bench) as place:
        say_stale(place)
        found = run(place, purpose, cameras=camera or ())
    if as_json:
        words.show_json(ranking_json(found))
        return
    if out is not None:
        from seeworthy.publish.judgement import suit_page

        words.write_page(out, suit_page(found))
        return
    _show(found)


def _list(bench: Path | None) -> None:
    """List the purposes that come with the program, and the bench's own where one is here."""
    from seeworthy.judge.purpose.library import shipped
    from seeworthy.judge.purpose.model import read_purpose
    from seeworthy.judge.purpose.own import own_purposes

    rows = []
    with contextlib.suppress(NotFound, WrongCall), opened(bench) as place:
        for name, text in own_purposes(place.folder).items():
            try:
                rows.append((name, f"{read_purpose(text, name).about} (your own)"))
            except SeeworthyError as error:
                rows.append((name, f"your own, and it cannot be read: {error.message}"))
    known = {name for name, _ in rows}
    rows += [(name, item.about) for name, item in shipped().items() if name not in known]
    table(rows, ("Purpose", "What for"))
    next_step("seeworthy suit NAME; your own from one of them: seeworthy suit NAME --show")


def _per_cent(share: float) -> str:
    return f"{100 * share:.0f} %" if share > 0.005 or share == 0 else "under 1 %"


def _show(found: Ranking) -> None:
    from seeworthy.ground.measurands import measurand

    typer.echo(f"{found.purpose.title}: {found.purpose.about}\n")
    table(
        [
            (
                f"{place}. {c.camera}",
                c.grade,
                f"{100 * c.score:.0f} ({100 * c.interval[0]:.0f} to {100 * c.interval[1]:.0f})",
                _per_cent(c.ranks[0]),
            )
            for place, c in enumerate(found.cameras, 1)
        ],
        ("Camera", "Answer", "Score (95 %)", "Probability of being the best here"),
        states=1,
    )
    for place, camera in enumerate(found.cameras, 1):
        _show_camera(place, camera)
    for note in found.said:
        typer.echo(f"Note: {note}\n")
    if found.worth_doing:
        typer.echo("\nWhat to test next:")
        for missing in found.worth_doing:
            entry = measurand(missing.measurand)
            typer.echo(f"  {missing.camera}: {entry.title} ('{entry.procedure}')")
    typer.echo("\nA score is about pictures and recording, never about the safety of a flight.")
    if found.worth_doing:
        first = found.worth_doing[0]
        test = measurand(first.measurand).procedure
        next_step(f"seeworthy shoot {test} --camera {shlex.quote(first.camera)}")
    else:
        next_step("how the flight will look: seeworthy plan --template > flight.toml")


def _show_camera(place: int, camera: Suited) -> None:
    from seeworthy.ground.digits import said

    typer.echo(f"\n{place}. {camera.camera}: {camera.grade}")
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
