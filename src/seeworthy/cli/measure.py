"""``seeworthy measure``: one procedure on files and readings."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from seeworthy.cli.tables import next_step
from seeworthy.ground.examples import as_typed

if TYPE_CHECKING:
    from seeworthy.engine.measure import Measured

app = typer.Typer(rich_markup_mode=None)
_FILM = "For tie: write the clip with the load drawn below the picture."


@app.command()
def measure(
    procedure: str = typer.Argument(
        ..., metavar="PROCEDURE", help="Which test: see 'seeworthy procedures'."
    ),
    files: list[str] = typer.Argument(
        None, metavar="FILE", help="Clips, stills or logs, in order."
    ),
    with_: list[str] = typer.Option(
        None, "--with", metavar="ROLE=FILE", help="A file with a role, such as turned=b.mp4."
    ),
    reading: list[str] = typer.Option(
        None, "--reading", metavar="NAME=VALUE", help=f"A reading: {as_typed('view.distance')}."
    ),
    option: list[str] = typer.Option(
        None, "--option", metavar="NAME=VALUE", help="How to evaluate: method=lamp."
    ),
    evidence: Path = typer.Option(
        None, "--evidence", metavar="DIR", help="Save the pictures that show what was found."
    ),
    film: Path = typer.Option(None, "--film", metavar="FILE.mp4", help=_FILM),
    as_json: bool = typer.Option(False, "--json", help="Print JSON for scripts."),
) -> None:
    """Run one test on your files and readings and say what came out.

    A quantity is typed as VALUE UNIT ± U, for example "60.0 in ± 0.1 in"; '+/-' works too.
    Inches and millimetres are equally welcome.
    """
    from seeworthy.cli import words
    from seeworthy.engine.measure import measure as run
    from seeworthy.ground.errors import CannotMeasure
    from seeworthy.procedures import procedure as find_procedure

    plain, roles = words.files_and_roles(procedure, files or (), with_ or ())
    readings = words.pairs(reading or (), "--reading", as_typed("view.distance"))
    words.ask_for_units(procedure, readings)
    options = words.pairs(option or (), "--option", "method=lamp")
    if film is not None:
        _check_film(procedure, film)
    if not as_json:  # before anything is done again with what the figure says
        words.show_cautions([find_procedure(procedure)])
    try:
        with words.progress_bar(f"Measuring {procedure}", as_json) as progress:
            measured = run(procedure, plain, roles, readings, options, progress=progress)
    except CannotMeasure as error:
        if evidence is not None:
            words.save_pictures(error.pictures, evidence)
        raise
    saved = words.save_pictures(measured.outcome.pictures, evidence) if evidence else []
    told = _write_film(measured, film, as_json) if film is not None else ""
    if as_json:
        words.show_json(measured.to_json())
        return
    _say(measured, saved)
    if told:
        typer.echo(f"  Film: {film}: {told}")
    typed = (("--with", with_), ("--reading", reading), ("--option", option))
    more = [word for flag, values in typed for value in values or () for word in (flag, value)]
    again = shlex.join(["seeworthy", "take", "add", procedure, "CAMERA", *(files or ()), *more])
    next_step(f"keep it beside other cameras on a bench: {again}")


def _say(measured: Measured, saved: Sequence[Path]) -> None:
    from seeworthy.cli import words

    typer.echo(measured.procedure.title)
    words.show_outcome(measured.outcome, measured.procedure.id)
    for path in saved:
        typer.echo(f"  Picture: {path}")
    if measured.outcome.pictures and not saved:
        typer.echo("  (--evidence DIR saves the pictures that show what was found)")


def _check_film(procedure: str, film: Path) -> None:
    """Refuse a film before anything is measured that could not be written after it."""
    from seeworthy.ground.errors import WrongCall
    from seeworthy.publish.tied_film import check_film

    if procedure != "tie":
        raise WrongCall(f"'{procedure}' has no film.", "--film belongs to 'tie'.")
    check_film(film)


def _write_film(measured: Measured, film: Path, quiet: bool) -> str:
    from seeworthy.cli import words
    from seeworthy.publish.tied_film import write_tied

    with words.progress_bar("Drawing the load below the picture", quiet) as progress:
        return write_tied(measured.inputs, measured.outcome, film, progress=progress)
