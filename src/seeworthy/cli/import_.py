"""``seeworthy import``: sort a card folder into takes."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from seeworthy.cli.opening import AsJson, BenchDir, counted, opened
from seeworthy.cli.tables import next_step, table
from seeworthy.ground.plain import plain

if TYPE_CHECKING:
    from seeworthy.bench.importing import Import

app = typer.Typer(rich_markup_mode=None)


@app.command(name="import")
def import_(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="The card or a copy of it, or a data package.")
    ],
    bench: BenchDir = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say how it would be sorted, take nothing in.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Sort a card folder into takes, by the slates filmed at the start of the clips.

    A data package (folder or ZIP file of 'seeworthy export') brings another group's cameras
    beside your own instead; they are marked as theirs and never measured again here.

    What a slate names is taken in. What has none is listed as unsure and left alone: say in
    the browser ('seeworthy serve', Card in) where it belongs, or enter it with 'take add'.
    Nothing on the card is changed or deleted; files that the bench holds already are known by
    their content.
    """
    from seeworthy.publish.package import looks_like_package

    if looks_like_package(folder):
        _package(folder, bench, dry_run, as_json)
        return
    from seeworthy.bench.importing import begin_import, drop_import, get_import, take_in
    from seeworthy.cli import words
    from seeworthy.engine.workers import LocalWorkers

    with opened(bench) as place:
        with LocalWorkers(time_limit=120.0) as workers:
            found = begin_import(place, folder, workers, _tell)
        came = None
        if not dry_run:
            came = take_in(place, found.ticket)
            found = get_import(place, found.ticket)
        open_files = len(found.unsure) + (len(came.troubles) if came else 0)
        if dry_run or not open_files:
            drop_import(place, found.ticket)
        if as_json:
            taken = came or None
            listed = plain(found)
            for file in listed["files"]:
                del file["picture"]  # bytes for a page
            words.show_json({**listed, "taken_in": taken})
            return
        _show(found)
        if came:
            typer.echo(f"Took in {counted(len(came.takes), 'take')}.")
            for key, message in came.troubles:
                typer.echo(f"  Not taken in, {key}: {message}")
        if came and came.takes:
            next_step("seeworthy run")
        if found.unsure:
            next_step(
                "say what the unsure ones are: seeworthy serve, page Card in, or one by one with "
                "seeworthy take add PROCEDURE CAMERA FILE"
            )


def _tell(done: int, total: int) -> None:
    if sys.stderr.isatty():
        end = "\n" if done == total else ""
        typer.echo(f"\rLooking at file {done} of {total}{end}", nl=False, err=True)


def _show(found: Import) -> None:
    rows: list[tuple[str, ...]] = []
    for file, guess in zip(found.files, found.guesses, strict=True):
        state = "left out" if guess.skip else "sure" if guess.sure else "unsure"
        state = f"take {guess.take}" if guess.take and not guess.skip else state
        where = " ".join(filter(None, (guess.procedure, guess.role)))
        rows.append((state, file.name, where, guess.how))
    table(rows, ("State", "File", "Test", "How it was told"), states=0)


def _package(path: Path, bench: Path | None, dry_run: bool, as_json: bool) -> None:
    from seeworthy.cli import words
    from seeworthy.publish.package_checks import check_package
    from seeworthy.publish.taking_in import take_in_package

    with opened(bench) as place:
        came = check_package(path) if dry_run else take_in_package(place, path)
    if as_json:
        words.show_json(came)
        return
    whose = came.title or "another bench"
    names = ", ".join(came.cameras) or "no new camera"
    typer.echo(
        f"{'Holds' if dry_run else 'Took in'}, from {whose}: {names}; "
        f"{counted(came.takes, 'take')}, {counted(came.results, 'result')}."
    )
    if came.left:
        typer.echo(f"Left out, here already: {', '.join(came.left)}.")
    if came.newer:
        typer.echo(
            f"Mind: measured with newer versions of {', '.join(came.newer)} than are installed "
            "here; 'verify' cannot compute these again."
        )
    typer.echo(f"Licence: {came.licence or 'none given; ask before you use them'}.")
