"""``seeworthy procedures``: which tests there are, and how to film one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import typer

from seeworthy.cli.tables import next_step

if TYPE_CHECKING:
    from seeworthy.procedures.declare import Procedure

app = typer.Typer(rich_markup_mode=None)


@app.command()
def procedures(
    name: str = typer.Argument(None, metavar="PROCEDURE", help="Show this one in full."),
    measurands: bool = typer.Option(
        False, "--measurands", help="List what can be measured, by the ids that commands take."
    ),
    terms: bool = typer.Option(
        False, "--words", help="Explain the words of the trade; with a word, that one."
    ),
    as_json: bool = typer.Option(False, "--json", help="Print JSON for scripts."),
) -> None:
    """List the tests, or show one: cautions, what to bring, what to do, what comes out."""
    from seeworthy.cli import words
    from seeworthy.procedures import all_procedures, procedure

    if terms:
        _words(name, as_json)
        return
    if measurands:
        _measurands(name, as_json)
        return
    chosen = [procedure(name)] if name else list(all_procedures().values())
    if as_json:
        found = [describe(p) for p in chosen]
        words.show_json(found[0] if name else found)
        return
    if name:
        show_sheet(chosen[0])
        typer.echo("")
        next_step(f"film it, then: {_call(chosen[0])}")
        return
    width = max((len(p.id) for p in chosen), default=0)
    for item in chosen:
        typer.echo(f"  {item.id:<{width}}  {item.question}")
    typer.echo("\n'seeworthy procedures NAME' shows how to do one.")


def _call(item: Procedure) -> str:
    """Return the command that measures it, with what it cannot do without."""
    files = [f"--with {f.role}=FILE" if f.role else "FILE" for f in item.files if f.least]
    given = [f'--reading {r.name}="{r.typical}"' for r in item.readings if r.required]
    return " ".join(["seeworthy measure", item.id, *files, *given])


def _words(term: str | None, as_json: bool) -> None:
    from seeworthy.cli import words
    from seeworthy.ground.glossary import WORDS, explained

    chosen = dict([explained(term)]) if term else WORDS
    if as_json:
        words.show_json(chosen)
        return
    width = max(map(len, chosen))
    for word, meaning in chosen.items():
        typer.echo(f"  {word:<{width}}  {meaning}")


def _measurands(name: str | None, as_json: bool) -> None:
    from dataclasses import asdict

    from seeworthy.cli import words
    from seeworthy.ground.measurands import all_measurands
    from seeworthy.procedures import all_procedures, procedure

    known = all_measurands()
    ids = procedure(name).measurand_ids if name else known
    chosen = [known[one] for one in ids]
    if as_json:
        words.show_json([asdict(one) for one in chosen])
        return
    width = max((len(m.id) for m in chosen), default=0)
    for item in (procedure(name),) if name else all_procedures().values():
        mine = [m for m in chosen if name or m.procedure == item.id]
        if mine:
            typer.echo(item.title)
        for m in mine:
            typer.echo(f"  {m.id:<{width}}  {m.title}{f' ({m.unit})' if m.unit else ''}")


def describe(item: Procedure) -> dict[str, Any]:
    """Return a declaration as plain JSON values."""
    from dataclasses import asdict

    from seeworthy.procedures.cautions import CAUTIONS

    return {
        "procedure": item.id,
        "title": item.title,
        "question": item.question,
        "version": item.version,
        "cautions": [CAUTIONS[c] for c in item.cautions],
        "kit": list(item.kit),
        "steps": [s.text for s in item.steps],
        "files": [asdict(f) for f in item.files],
        "readings": [asdict(r) for r in item.readings],
        "options": [asdict(o) for o in item.options],
        "yields": list(item.measurand_ids),
        "findings": {f.name: f.what for f in item.finds.values()},
        "minutes": item.minutes,
    }


def show_sheet(item: Procedure) -> None:
    """Print how one test is done: cautions, kit, steps, files, readings, what comes out."""
    from seeworthy.cli import words
    from seeworthy.ground.glossary import words_in
    from seeworthy.ground.measurands import measurand
    from seeworthy.publish.numbers import finding_name

    typer.echo(f"{item.title}\n{item.question}\n")
    words.show_cautions([item])
    _section("You need", item.kit)
    _section("Do this", [f"{i}. {s.text}" for i, s in enumerate(item.steps, 1)])
    _section("Files", [f"{f.role + '=' if f.role else 'FILE'}  {f.what}" for f in item.files])
    _section(
        "Readings",
        [
            f'{r.name}="{r.typical}"  {r.what}{"" if r.required else " (optional)"}'
            for r in item.readings
        ],
    )
    _section("Options", [f"{o.name}={o.typical}  {o.what}" for o in item.options])
    entries = [measurand(m) for m in item.measurand_ids]
    _section(
        "You learn", [f"{m.title}{f' ({m.unit})' if m.unit else ''}: {m.meaning}" for m in entries]
    )
    _section("And", [f"{finding_name(f.name, item.id)}: {f.what}" for f in item.finds.values()])
    said = [item.question, *(s.text for s in item.steps), *(m.title + m.unit for m in entries)]
    said += [f.what for f in item.finds.values()] + [m.meaning for m in entries]
    _section("In words", [f"{word}: {meaning}" for word, meaning in words_in(said)])


def _section(title: str, lines: Any) -> None:
    lines = list(lines)
    if lines:
        typer.echo(f"\n{title}")
        for line in lines:
            typer.echo(f"  {line}")
