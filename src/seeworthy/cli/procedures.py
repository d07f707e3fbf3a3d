"""``seeworthy procedures``: which tests there are, and how to film one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from seeworthy.procedures.declare import Procedure

app = typer.Typer(rich_markup_mode=None)


@app.command()
def procedures(
    name: str = typer.Argument(None, metavar="PROCEDURE", help="Show this one in full."),
    as_json: bool = typer.Option(False, "--json", help="Print JSON for scripts."),
) -> None:
    """List the tests, or show one: cautions, what to bring, what to do, what comes out."""
    from seeworthy.cli import words
    from seeworthy.procedures import all_procedures, procedure

    chosen = [procedure(name)] if name else list(all_procedures().values())
    if as_json:
        found = [describe(p) for p in chosen]
        words.show_json(found[0] if name else found)
        return
    if name:
        _show(chosen[0])
        return
    width = max((len(p.id) for p in chosen), default=0)
    for item in chosen:
        typer.echo(f"  {item.id:<{width}}  {item.question}")
    typer.echo("\n'seeworthy procedures NAME' shows how to do one.")


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
        "findings": dict(item.findings),
        "minutes": item.minutes,
    }


def _show(item: Procedure) -> None:
    from seeworthy.cli import words
    from seeworthy.ground.measurands import measurand

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
    _section("And", [f"{k.replace('_', ' ')}: {v}" for k, v in item.findings.items()])


def _section(title: str, lines: Any) -> None:
    lines = list(lines)
    if lines:
        typer.echo(f"\n{title}")
        for line in lines:
            typer.echo(f"  {line}")
