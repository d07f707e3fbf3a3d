"""``seeworthy selfcheck``: render known truth, measure it, compare."""

from __future__ import annotations

import sys
import time
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from seeworthy.procedures.study import Study, Trial

app = typer.Typer(rich_markup_mode=None)


@app.command()
def selfcheck(
    studies: list[str] = typer.Argument(
        None, metavar="STUDY", help="Which procedures; all when none is named."
    ),
    repeats: int = typer.Option(
        3, "--repeats", min=1, metavar="N", help="Rendered repeats per group."
    ),
    seed: int = typer.Option(1, "--seed", metavar="N", help="Another seed gives other scenes."),
    table: Path | None = typer.Option(
        None, "--table", metavar="FILE", help="Write the table (Markdown)."
    ),
    quick: bool = typer.Option(
        False, "--quick", help="Ask only whether this installation is right; under two minutes."
    ),
    as_json: bool = typer.Option(False, "--json", help="Print JSON for scripts."),
) -> None:
    """Render clips and logs whose truth is known, measure them, and compare.

    Shows on your own machine how large the errors are and how often the stated 95 % interval
    holds the truth. A few repeats take minutes; the published tables use 100 and more.
    """
    from seeworthy.cli import words
    from seeworthy.ground.errors import WrongCall

    if quick:
        if studies or table:
            raise WrongCall("--quick runs no study.", "Leave the names and --table out.")
        _quick(as_json)
        return
    from seeworthy.procedures.studies import find_studies
    from seeworthy.procedures.study_tables import goal_lines, markdown, rows

    known, lost = find_studies()
    for one in lost:
        typer.echo(str(one), err=True)
    if wrong := [name for name in studies or () if name not in known]:
        raise WrongCall(f"There is no study '{wrong[0]}'.", f"Studies: {', '.join(known)}.")
    document: dict[str, Any] = {}
    texts, missed, chosen = [], False, list(studies or known)
    for place, name in enumerate(chosen, 1):
        study = known[name]
        watched = f"{study.title} ({place} of {len(chosen)})" if sys.stderr.isatty() else ""
        trials = _trials(study, repeats, seed, "" if as_json else watched)
        goals = goal_lines(study, trials)
        missed |= any(not g.reached for g in goals)
        texts.append(markdown(study, trials, repeats, seed))
        document[name] = {
            "summary": [asdict(s) for s in rows(trials)],
            "goals": [asdict(g) for g in goals],
        }
        if not as_json:
            typer.echo(texts[-1])
            kept = sum(g.reached for g in goals)
            typer.echo(f"{study.title}: {kept} of {len(goals)} goals are reached.\n")
    if table is not None:
        table.write_text("\n".join(texts), encoding="utf-8")
    if as_json:
        words.show_json(document)
    if missed:
        raise typer.Exit(3)


def _trials(study: Study, repeats: int, seed: int, head: str) -> list[Trial]:
    """Run a study; with a `head`, tell how far it is."""
    trials, began = [], time.monotonic()
    for trial in study.run(repeats, seed):
        trials.append(trial)
        if head:
            gone = time.monotonic() - began
            typer.echo(f"\r{head}: {len(trials)} trials, {gone:.0f} s", nl=False, err=True)
    if head:
        typer.echo("", err=True)
    return trials


def _quick(as_json: bool) -> None:
    from seeworthy.cli import words
    from seeworthy.publish.installation import check_installation

    steps = []
    for step in check_installation():
        steps.append(step)
        if not as_json:
            word = "right" if step.right else "WRONG"
            typer.echo(f"  {word}  {step.title:<17} {step.said}  ({step.seconds:.1f} s)")
    good = all(step.right for step in steps)
    if as_json:
        words.show_json({"right": good, "steps": [asdict(s) for s in steps]})
    elif good:
        typer.echo("This installation is right. 'seeworthy selfcheck' tells how accurate it is.")
    else:
        typer.echo("Something is missing or broken: install Seeworthy again, in a new environment.")
    if not good:
        raise typer.Exit(3)
