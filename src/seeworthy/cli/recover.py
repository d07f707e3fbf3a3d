"""``seeworthy recover``: rebuild a clip that was cut off before it was finished."""

from __future__ import annotations

import shlex
from pathlib import Path

import typer

from seeworthy.cli.tables import next_step

app = typer.Typer(rich_markup_mode=None)


@app.command()
def recover(
    broken: str = typer.Argument(..., metavar="BROKEN", help="The file that does not open."),
    like: str = typer.Option(
        ..., "--like", metavar="GOOD", help="A good clip of the same camera in the same mode."
    ),
    out: Path = typer.Option(
        None, "--out", metavar="FILE", help="The new file; beside the broken one when left out."
    ),
    without_sound: bool = typer.Option(
        False, "--without-sound", help="Bring back the pictures alone."
    ),
    as_json: bool = typer.Option(False, "--json", help="Print JSON for scripts."),
) -> None:
    """Rebuild a clip that was cut off before it was finished, as when power dies.

    The pictures and the sound are still in the file, only the index is missing. A good clip
    of the same camera tells how to read them. The broken file is never changed.
    """
    from seeworthy.cli import words
    from seeworthy.media.recover import recover as run
    from seeworthy.media.recover.rebuild import default_name
    from seeworthy.media.source import Source

    source = Source.of(broken)
    target = out or default_name(source.path)
    with words.progress_bar(f"Recovering {source.name}", as_json) as progress:
        found = run(source, Source.of(like), target, sound=not without_sound, progress=progress)
    if as_json:
        words.show_json(found.to_json())
        return
    typer.echo(f"{found.path}")
    typer.echo(f"  {found.frames} pictures came back, {found.seconds:.1f} s.")
    if found.sound_seconds:
        typer.echo(f"  {found.sound_seconds:.1f} s of sound.")
    if found.cut_frames:
        typer.echo(f"  {found.cut_frames} picture at the end was cut and is missing.")
    if found.lost_bytes:
        typer.echo(f"  {found.lost_bytes} bytes could not be told and were left out.")
    for warning in found.warnings:
        typer.echo(f"  Mind: {warning}")
    next_step(f"seeworthy look {shlex.quote(str(found.path))}")
