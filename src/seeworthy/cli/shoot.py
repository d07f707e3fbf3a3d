"""``seeworthy shoot``: what to test next, the shoot sheet and its slates."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from seeworthy.cli.opening import AsJson, BenchDir, counted, opened
from seeworthy.cli.tables import next_step, table
from seeworthy.ground.errors import WrongCall

if TYPE_CHECKING:
    from seeworthy.bench.shoot import ShootSheet
    from seeworthy.bench.store import Bench

app = typer.Typer(rich_markup_mode=None)
_LINE = "_" * 24  # room for a figure with its unit and ±, by hand


@app.command()
def shoot(
    tests: Annotated[
        list[str] | None,
        typer.Argument(metavar="TEST", help="What to film; left out: what is worth testing next."),
    ] = None,
    camera: Annotated[
        list[str] | None,
        typer.Option("--camera", metavar="NAME", help="Of which cameras (repeatable); else all."),
    ] = None,
    slates: Annotated[
        Path | None,
        typer.Option("--slates", metavar="FILE.pdf", help="Write a slate for every clip."),
    ] = None,
    paper: Annotated[
        str, typer.Option("--paper", metavar="SIZE", help="Of the slates: A4, A3 or letter.")
    ] = "A4",
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Say what to test next, or print the sheet for a day of filming.

    The sheet puts the tests in the order with the fewest set-ups, with what to bring, the
    steps, and a line for every reading: print it. A slate in view for two seconds at the start
    of a clip lets 'seeworthy import' sort the card by itself.
    """
    from seeworthy.bench.shoot import shoot_sheet
    from seeworthy.cli import words

    with opened(bench) as place:
        units = _units(place, camera or [])
        if not tests:
            _what_next(place, camera or [], as_json)
            return
        sheet = shoot_sheet(tests, len(units))
        if slates is not None:
            _write_slates(place, slates, tests, [n for n, _ in units], paper)
    if as_json:
        words.show_json(sheet)
        return
    _show(sheet, [name for _, name in units])
    said = [] if slates is None else [f"print {slates} at 100 %, or show it on a phone."]
    if slates is None and any(s.cards for s in sheet.setups):
        said.append(f"the slates: seeworthy shoot {shlex.join(tests)} --slates slates.pdf")
    next_step(*said, "film, then 'seeworthy import FOLDER' of the card, or 'seeworthy take add'.")


def _units(place: Bench, cameras: list[str]) -> list[tuple[int, str]]:
    """Return number and name of the units of the cameras."""
    from seeworthy.bench.cameras import get_camera, list_cameras

    chosen = [get_camera(place, c) for c in cameras] or [c for c in list_cameras(place)
                                                         if not c.group]  # fmt: skip
    return [
        (u.id, c.name if len(c.units) == 1 else f"{c.name}, unit {u.serial}")
        for c in chosen
        for u in c.units
    ]


def _what_next(place: Bench, cameras: list[str], as_json: bool) -> None:
    from seeworthy.bench.summary import glance
    from seeworthy.cli import words

    lines = [line for line in glance(place).cameras if not cameras or line.camera.name in cameras]
    if as_json:
        words.show_json(
            [{"camera": n.camera.name, "tested": n.tested, "next": n.next} for n in lines]
        )
        return
    if not lines:
        typer.echo("No camera yet.")
        next_step("add one: seeworthy camera add NAME")
        return
    table(
        [(n.camera.name, str(len(n.tested)), n.next.words, n.next.procedure) for n in lines],
        ("Camera", "Tests done", "Next", "Test"),
    )
    chosen = list(dict.fromkeys(n.next.procedure for n in lines if n.next.procedure))
    if chosen:
        next_step(f"its sheet: seeworthy shoot {shlex.join(chosen)}")
    else:
        next_step("seeworthy run")


def _write_slates(place: Bench, path: Path, tests: list[str], units: list[int], paper: str) -> None:
    from seeworthy.bench.shoot import slates_wanted
    from seeworthy.bench.slates import slate_for
    from seeworthy.publish.write import write_whole
    from seeworthy.targets.cards import cards_pdf

    if path.suffix.lower() != ".pdf":
        raise WrongCall(f"'{path}' is no PDF.", "Write --slates slates.pdf.")
    wanted = slates_wanted(tests, units)
    write_whole(path, cards_pdf([slate_for(place, *one)[1] for one in wanted], paper))


def _show(sheet: ShootSheet, units: list[str]) -> None:
    typer.echo(f"Shoot of {sheet.minutes:g} minutes, {counted(len(sheet.setups), 'set-up')}")
    if units:
        typer.echo(f"Of: {'; '.join(units)}")
    for text in sheet.cautions:
        typer.echo(f"  Caution: {text}")
    typer.echo("\nBring")
    for thing in (*sheet.kit, "slates, printed or on a phone"):
        typer.echo(f"  [ ] {thing}")
    for place, setup in enumerate(sheet.setups, 1):
        typer.echo(f"\n{place}. {setup.name[:1].upper()}{setup.name[1:]} ({setup.minutes:g} min)")
        for one in setup.procedures:
            typer.echo(f"   {one.title}: {one.question}")
            for number, step in enumerate(one.steps, 1):
                typer.echo(f"     {number}. {step.text}")
            for reading in one.readings:
                must = " (needed)" if reading.required else ""
                typer.echo(f"     {reading.name}{must} {_LINE} {reading.what}")
