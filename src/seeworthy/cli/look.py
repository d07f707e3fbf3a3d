"""``seeworthy look``: everything one clip tells, no setup."""

from __future__ import annotations

from pathlib import Path

import typer

app = typer.Typer(rich_markup_mode=None)


@app.command()
def look(
    clips: list[str] = typer.Argument(..., metavar="CLIP", help="Clips from the camera."),
    evidence: Path = typer.Option(
        None, "--evidence", metavar="DIR", help="Save the pictures that show what was found."
    ),
    as_json: bool = typer.Option(False, "--json", help="Print JSON for scripts."),
) -> None:
    """Tell everything that one clip tells by itself.

    What the file really holds, lost and repeated frames, and whatever else can be measured
    without a target or a reading. The clip is decoded once and never changed.
    """
    from seeworthy.cli import words
    from seeworthy.engine.measure import look as run
    from seeworthy.ground.errors import SeeworthyError
    from seeworthy.procedures import procedure

    if evidence is not None:
        evidence.mkdir(parents=True, exist_ok=True)  # before minutes of work
    documents = []
    codes = set()
    for clip in clips:
        with words.progress_bar(f"Looking at {clip}", as_json) as progress:
            try:
                looked = run(clip, progress=progress)
            except SeeworthyError as error:
                if len(clips) == 1:
                    raise
                codes.add(error.exit_code)  # the other clips are still worth a look
                documents.append({"file": clip, **error.to_json()})
                typer.echo(f"{error.message}\n{error.hint}".rstrip(), err=True)
                continue
        if all(isinstance(answer, SeeworthyError) for answer in looked.answers.values()):
            codes.add(3)
        documents.append(looked.to_json() if as_json else {})
        for name, answer in looked.answers.items():
            if not isinstance(answer, SeeworthyError) and evidence is not None:
                words.save_pictures(answer.pictures, evidence / Path(clip).stem / name)
        if as_json:
            continue
        typer.echo(looked.source.name)
        for name, answer in looked.answers.items():
            typer.echo(f"\n{procedure(name).title}")
            if isinstance(answer, SeeworthyError):
                typer.echo(f"  Not measured: {answer.message}")
                if answer.hint:
                    typer.echo(f"  {answer.hint}")
            else:
                words.show_outcome(answer, name)
    if as_json:
        words.show_json(documents[0] if len(documents) == 1 else documents)
    if codes:
        raise typer.Exit(min(codes))
