"""``seeworthy bench``: make a bench, look after it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from seeworthy.cli.opening import AsJson, BenchDir, counted, opened
from seeworthy.cli.tables import next_step

app = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Make, check or back up a bench: the folder that remembers every camera you test.",
)


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder, or an empty one.")],
    database: Annotated[
        str,
        typer.Option(
            "--database",
            metavar="URL",
            help="Keep the tables in this PostgreSQL database instead of a file. The URL is "
            "written into the folder, so leave the password to your PostgreSQL settings.",
        ),
    ] = "",
    as_json: AsJson = False,
) -> None:
    """Make a bench: one folder for cameras, clips, readings and results."""
    import shlex

    from seeworthy.bench.store import create_bench, is_bench
    from seeworthy.cli import words
    from seeworthy.ground.errors import Conflict

    if folder.is_dir() and not is_bench(folder) and any(folder.iterdir()):
        raise Conflict(f"'{folder}' is not empty.", "Name a new folder, or an empty one.")
    with create_bench(folder, database=database) as bench:
        place = bench.folder
    if as_json:
        words.show_json({"bench": str(place)})
        return
    typer.echo(f"A new bench stands in {place}.")
    typer.echo(f"Next: cd {shlex.quote(str(folder))}, then 'seeworthy camera add NAME'.")


@app.command()
def units(
    first: Annotated[
        str, typer.Argument(metavar="us|metric|both", help="Left out: say what is chosen.")
    ] = "",
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Choose the units of everything printed and shown: us (customary first), metric, both."""
    from seeworthy.bench.settings import CHOICES, read_settings, save_settings
    from seeworthy.cli import words

    with opened(bench) as place:
        chosen = save_settings(place, units=first) if first else read_settings(place)
    if as_json:
        words.show_json({"units": chosen.units})
        return
    typer.echo(f"Units: {dict(CHOICES['units'])[chosen.units]}.")


@app.command()
def show(bench: BenchDir = None, as_json: AsJson = False) -> None:
    """Say what the bench holds, and what is still to be measured."""
    from seeworthy.bench.upkeep import show_bench
    from seeworthy.cli import words

    with opened(bench) as place:
        seen = show_bench(place)
    if as_json:
        words.show_json(seen)
        return
    typer.echo(f"Bench in {seen.folder}")
    typer.echo(f"  {counted(seen.cameras, 'camera')}, {counted(seen.units, 'unit')}")
    typer.echo(f"  {counted(seen.claims, 'claim')} of sellers")
    takes = sum(seen.takes.values())
    states = ", ".join(f"{number} {state}" for state, number in seen.takes.items())
    typer.echo(f"  {counted(takes, 'take')}" + (f" ({states})" if states else ""))
    typer.echo(f"  {counted(seen.results, 'result')}")
    size = f"{seen.evidence_bytes / 1e6:.1f} MB"
    typer.echo(f"  {counted(seen.evidence_files, 'file')} of evidence, {size}")
    if any(seen.takes.get(state) for state in ("new", "stale", "lost")):
        next_step("seeworthy run")
    elif not seen.cameras:
        next_step("seeworthy camera add NAME")
    else:
        next_step("what to test: seeworthy shoot", "what it means: seeworthy suit")


@app.command()
def check(
    tidy: Annotated[
        bool,
        typer.Option(
            "--tidy", help="Also delete kept files that nothing uses any more (older than an hour)."
        ),
    ] = False,
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Read every file again and say which are missing or were changed.

    Leaves with 2 when something is wrong, so that a script can tell.
    """
    from seeworthy.bench.upkeep import check_bench, tidy_bench
    from seeworthy.cli import words

    with opened(bench) as place:
        removed, size = tidy_bench(place) if tidy else (0, 0)
        found = check_bench(place)
    wrong = [trouble for trouble in found if trouble.kind != "unused"]
    if as_json:
        words.show_json({"ok": not wrong, "troubles": found, "removed": removed, "bytes": size})
    else:
        for trouble in found:
            typer.echo(f"  {trouble.kind}: {trouble.message}")
        if tidy:
            typer.echo(f"{counted(removed, 'file')} removed, {size / 1e6:.1f} MB.")
        if not wrong:
            typer.echo("Every file is what was entered, and the database is whole.")
            next_step("keep a copy: seeworthy bench backup FILE.zip")
    if wrong:
        raise typer.Exit(2)


@app.command()
def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The copy to write.")],
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Copy the bench into one file, also while it is in use.

    A name that ends with .zip takes everything: database, evidence, purposes. Any other name
    takes the database alone; then copy the folder evidence/ as well.
    """
    from seeworthy.bench.upkeep import backup_bench
    from seeworthy.bench.vault import pack_bench
    from seeworthy.cli import words

    whole = file.suffix.lower() == ".zip"
    with opened(bench) as place:
        written = pack_bench(place, file) if whole else backup_bench(place, file)
    if as_json:
        words.show_json({"backup": str(written), "evidence": whole})
        return
    what = "The bench, its evidence included," if whole else "The database (not the evidence)"
    typer.echo(f"{what} is copied to {written}.")


@app.command()
def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE.zip", help="What 'backup' wrote.")],
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder, or an empty one.")],
    as_json: AsJson = False,
) -> None:
    """Unpack a whole backup into a new folder, and compare every file with its digest."""
    from seeworthy.bench.vault import unpack_bench
    from seeworthy.cli import words
    from seeworthy.ground.errors import UnreadableInput

    if not file.is_file():
        raise UnreadableInput(f"There is no file '{file}'.", "Name the zip file of a backup.")
    found = unpack_bench(file, folder)
    if as_json:
        said = {"bench": str(found.folder), "files": found.files, "troubles": found.troubles}
        words.show_json(said)
    else:
        typer.echo(f"The bench stands in {found.folder}, {counted(found.files, 'file')}.")
        for trouble in found.troubles:
            typer.echo(f"  {trouble}")
    if found.troubles:
        raise typer.Exit(2)
