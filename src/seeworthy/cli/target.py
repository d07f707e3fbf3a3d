"""``seeworthy target``: a printable target as PDF, or the clock as a page."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import typer

from seeworthy.cli.opening import BenchDir, UnitName, opened
from seeworthy.cli.tables import next_step

app = typer.Typer(rich_markup_mode=None)
_CLOCK = "Time of day to film: the camera's clock, lost pictures, gaps, sound against picture."


@app.command()
def target(
    name: str = typer.Argument(None, metavar="NAME", help="Which target; all when none is named."),
    paper: str = typer.Option("A4", "--paper", metavar="SIZE", help="A4, A3 or letter."),
    sheets: str = typer.Option(
        "1x1", "--sheets", metavar="COLUMNSxROWS", help="Spread it over several sheets."
    ),
    out: Path = typer.Option(None, "--out", "-o", metavar="FILE", help="Where to write the PDF."),
    payload: str = typer.Option(
        "", "--payload", metavar="TEXT", help="slate: the text that the matrix code carries."
    ),
    line: list[str] = typer.Option(
        None, "--line", metavar="TEXT", help="slate: a line of words for people; repeat it."
    ),
    camera: str = typer.Option(
        "", "--camera", metavar="NAME", help="slate: of this camera of the bench."
    ),
    test: str = typer.Option("", "--test", metavar="PROCEDURE", help="slate: for this test."),
    role: str = typer.Option("", "--role", metavar="ROLE", help="slate: which of its files."),
    unit: UnitName = None,
    bench: BenchDir = None,
    as_json: bool = typer.Option(False, "--json", help="Print JSON for scripts."),
) -> None:
    """Make a printable target as PDF, in exact millimetres; 'clock' makes a page for a screen.

    Print it at 100 %, without fitting to the page. Then measure the ruler on the print and
    give what you read as printed_length: that corrects whatever the printer did.
    """
    from seeworthy.cli import words
    from seeworthy.targets import printing

    if not name:
        _list(as_json)
        return
    if name == "clock":
        _clock(out or Path("clock.html"), as_json)
        return
    if camera or test:
        layout = _slate(bench, name, camera, unit, test, role)
    else:
        layout = _layout(name, payload, tuple(line or ()))
    plan = printing.plan(layout, paper, *_sheets(sheets))
    path = out or Path(f"{name}-{plan.paper}.pdf")
    _write(path, printing.pdf(layout, plan))
    length = printing.ruler_length(layout, plan)
    said: dict[str, Any] = {
        "target": name,
        "file": str(path),
        "paper": plan.paper,
        "sheets": [plan.columns, plan.rows],
        "scale": plan.scale,
        "ruler_mm": round(length, 3),
    }
    if as_json:
        words.show_json(said)
        return
    typer.echo(f"Wrote {path}: {layout.title}, {plan.paper}, {plan.count} sheet(s).")
    typer.echo(f"Ruler at 100 %: {length:.1f} mm ({length / 25.4:.3f} in). {layout.use}")
    next_step("print it at 100 %, measure the ruler, and give that as printed_length.")


def _list(as_json: bool) -> None:
    from seeworthy.cli import words
    from seeworthy.targets import NAMES
    from seeworthy.targets import target as find_target

    entries = [{"target": n, "title": find_target(n).title, "use": find_target(n).use}
               for n in NAMES]  # fmt: skip
    if as_json:
        words.show_json(entries)
        return
    for entry in entries:
        typer.echo(f"  {entry['target']:<11} {entry['use']}")
    typer.echo(f"  {'clock':<11} {_CLOCK} (a page for a screen, not printed)")
    typer.echo("\n'seeworthy target NAME' writes one as PDF.")


def _clock(path: Path, as_json: bool) -> None:
    from seeworthy.cli import words
    from seeworthy.procedures.cautions import CAUTIONS
    from seeworthy.web.clock_file import clock_file

    _write(path, clock_file().encode())
    if as_json:
        words.show_json({"target": "clock", "file": str(path)})
        return
    typer.echo(f"Wrote {path}: open it in a browser on the screen that the camera shall film.")
    typer.echo(CAUTIONS["flashing"])


def _layout(name: str, payload: str, lines: tuple[str, ...]) -> Any:
    from seeworthy.ground.errors import WrongCall
    from seeworthy.targets import slate
    from seeworthy.targets import target as find_target

    if not (payload or lines):
        return find_target(name)
    if name != "slate":
        raise WrongCall(f"The target '{name}' carries no text.", "Only slate takes --payload.")
    return slate.layout(payload or "seeworthy", lines)


def _slate(
    bench: Path | None, name: str, camera: str, unit: str | None, test: str, role: str
) -> Any:
    """Return the slate that the import of this bench reads."""
    from seeworthy.bench.cameras import get_camera
    from seeworthy.bench.slates import slate_for
    from seeworthy.ground.errors import NotFound, WrongCall

    if name != "slate" or not (camera and test):
        raise WrongCall(
            "A slate needs its camera and its test.", "Write: target slate --camera NAME --test ID."
        )
    with opened(bench) as place:
        units = get_camera(place, camera).units
        found = next((u for u in units if unit in (None, u.serial)), None)
        if found is None:
            raise NotFound(
                f"'{camera}' has no unit '{unit}'.", "'seeworthy camera show' lists them."
            )
        return slate_for(place, found.id, test, role)[1]


def _sheets(text: str) -> tuple[int, int]:
    from seeworthy.ground.errors import WrongCall

    found = re.fullmatch(r"\s*(\d)\s*[x×]\s*(\d)\s*", text.lower())
    if not found:
        raise WrongCall(f"'{text}' is not a number of sheets.", "Write it like --sheets 2x2.")
    return int(found[1]), int(found[2])


def _write(path: Path, data: bytes) -> None:
    from seeworthy.ground.errors import WrongCall
    from seeworthy.publish.write import write_whole

    if path.is_dir():
        raise WrongCall(f"'{path}' is a folder.", "Name a file in it.")
    try:
        write_whole(path, data)
    except FileNotFoundError:
        raise WrongCall(f"There is no folder '{path.parent}'.", "Make it first.") from None
