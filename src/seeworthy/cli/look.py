"""``seeworthy look``: everything one clip tells, no setup."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from seeworthy.ground.errors import SeeworthyError
    from seeworthy.ground.results import Outcome

app = typer.Typer(rich_markup_mode=None)


@app.command()
def look(
    clips: list[str] = typer.Argument(..., metavar="CLIP", help="Clips from the camera."),
    evidence: Path = typer.Option(
        None, "--evidence", metavar="DIR", help="Save the pictures that show what was found."
    ),
    everything: bool = typer.Option(
        False, "--all", help="Print every figure and finding, not only what matters first."
    ),
    as_json: bool = typer.Option(False, "--json", help="Print JSON for scripts."),
) -> None:
    """Tell everything that one clip tells by itself.

    What the file really holds, lost and repeated frames, and whatever else can be measured
    without a target or a reading: one sentence each, what to mind, and what to film next.
    The clip is decoded once and never changed.
    """
    from seeworthy.cli import words
    from seeworthy.engine.measure import look as run
    from seeworthy.ground.errors import SeeworthyError

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
        if not everything:
            _brief(looked.answers)
            continue
        _everything(looked.answers)
    if not as_json and not everything:
        typer.echo(
            "\nEvery figure with its interval: seeworthy look --all " + shlex.quote(clips[0])
        )
    if as_json:
        words.show_json(documents[0] if len(documents) == 1 else documents)
    if codes:
        raise typer.Exit(min(codes))


def _everything(answers: Mapping[str, Outcome | SeeworthyError]) -> None:
    from seeworthy.cli import words
    from seeworthy.ground.errors import SeeworthyError
    from seeworthy.procedures import procedure

    for name, answer in answers.items():
        typer.echo(f"\n{procedure(name).title}")
        if isinstance(answer, SeeworthyError):
            typer.echo(f"  Not measured: {answer.message}")
            if answer.hint:
                typer.echo(f"  {answer.hint}")
        else:
            words.show_outcome(answer, name)


def _brief(answers: Mapping[str, Outcome | SeeworthyError]) -> None:
    """Print a sentence for each test, what is wrong, and what to film next."""
    from seeworthy.ground.errors import SeeworthyError
    from seeworthy.procedures import procedure

    minds: list[str] = []
    silent: list[tuple[str, SeeworthyError]] = []
    for name, answer in answers.items():
        if isinstance(answer, SeeworthyError):
            silent.append((procedure(name).title, answer))
            continue
        if answer.sentence:
            typer.echo(f"  {answer.sentence}")
        minds += answer.warnings
    for text in dict.fromkeys(minds):  # several tests saw the same damage
        typer.echo(f"  Mind: {text}")
    reasons: dict[str, list[str]] = {}
    for title, error in silent:
        reasons.setdefault(error.message, []).append(title)
    for reason, titles in reasons.items():
        typer.echo(f"  Not told by this clip: {', '.join(titles)}. {reason}")
    typer.echo(f"\nFilm next: {_next(silent)}")


def _next(silent: list[tuple[str, SeeworthyError]]) -> str:
    """Return what to film next: what would answer the first test that stayed silent."""
    from seeworthy.procedures import all_procedures

    hint = next((f"for {title}: {error.hint}" for title, error in silent if error.hint), "")
    if hint:
        return hint
    # All has been told that a clip tells alone; the next thing is the first with a set-up.
    one = next(p for p in all_procedures().values() if not p.look and any(f.least for f in p.files))
    step = f" {one.steps[0].text}" if one.steps else ""
    return f"{one.title}.{step} (seeworthy procedures {one.id})"
