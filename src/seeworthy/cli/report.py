"""``seeworthy report``: one page per camera that needs nothing from anywhere else."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from seeworthy.cli.opening import AsJson, BenchDir, opened
from seeworthy.cli.tables import next_step
from seeworthy.ground.errors import UnreadableInput, WrongCall

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from seeworthy.bench.store import Bench
    from seeworthy.judge.claims.tolerance import Tolerance
    from seeworthy.publish.html import Units

app = typer.Typer(rich_markup_mode=None)


@app.command()
def report(
    camera: str = typer.Argument(
        None, metavar="CAMERA", help="Which camera; all of the bench if left out."
    ),
    bench: BenchDir = None,
    out: Path = typer.Option(
        None, "--out", metavar="PATH", help="File (.html) or folder to write to."
    ),
    tolerance: str = typer.Option(
        "5 %",
        "--tolerance",
        metavar="PERCENT",
        help="How far off a claim may be and still count as kept.",
    ),
    words_of: Path = typer.Option(
        None,
        "--words",
        metavar="FILE",
        help="Your own words in Markdown: keep them in the bench, and print them.",
    ),
    metric: bool = typer.Option(False, "--metric", help="Leave out US customary units."),
    as_json: AsJson = False,
) -> None:
    """Write the report of a camera as one HTML file.

    Verdict, claims against measured figures, every result with its interval, figures,
    pictures, how each was measured, and where it all comes from. The file loads nothing
    from any other place; copy it, print it, put it on a web page.

    Your own words come from a Markdown file with headings "# Verdict", "# Notes",
    "# Rating kite-picture 4" (purpose, 1 to 5) and "# Test readout"; an empty file takes
    them away.
    """
    from contextlib import ExitStack

    from seeworthy.judge.claims.tolerance import Tolerance
    from seeworthy.publish import drawing

    rule = Tolerance.parse(tolerance)
    with ExitStack() as stack:
        # What draws starts first: it is ready when the bench is read.
        hands = None if as_json else stack.enter_context(drawing.hands())
        place = stack.enter_context(opened(bench))
        if words_of is not None:
            _keep(place, camera, words_of)
        if hands is None:
            _show_json(place, camera, rule)
        else:
            _write(place, camera, out, rule, metric, hands)


def _show_json(place: Bench, camera: str | None, rule: Tolerance) -> None:
    from seeworthy.bench.cameras import list_names
    from seeworthy.cli import words
    from seeworthy.publish.assemble import Around, camera_report

    around = Around(place)
    found = [
        camera_report(
            place, name, tolerance=rule, pictures=False, first_page=True, around=around
        ).to_json()
        for name in ([camera] if camera else list_names(place).values())
    ]
    words.show_json(found[0] if camera else found)


def _write(
    place: Bench, camera: str | None, out: Path | None, rule: Tolerance, metric: bool,
    hands: Executor,
) -> None:  # fmt: skip
    from seeworthy.bench.cameras import get_camera
    from seeworthy.bench.sound_evidence import evidence_troubles
    from seeworthy.publish.write import write_reports

    chosen = get_camera(place, camera).id if camera else None
    units = "metric" if metric else _units(place)
    written = write_reports(place, camera, out=out, tolerance=rule, units=units, hands=hands)
    for path in written:
        typer.echo(f"Report: {path}")
    next_step("open it in a browser; its data for others to check: seeworthy export FOLDER")
    for trouble in evidence_troubles(place, camera=chosen, deep=True):
        typer.echo(f"Mind: {trouble.message} The report says so.", err=True)


def _units(place: Bench) -> Units:
    """What is said on the command line stands before the bench's setting."""
    from seeworthy.bench.settings import read_settings
    from seeworthy.cli import words
    from seeworthy.publish.html import units_of

    setting, first = read_settings(place).units, words.units_first()
    if (setting == "us") != (first == "us"):
        setting = "us" if first == "us" else "both"
    return units_of(setting)


def _keep(place: Bench, camera: str | None, file: Path) -> None:
    from seeworthy.bench.words import MOST, save_words

    if not camera:
        raise WrongCall("Whose words are these?", "Name the camera: seeworthy report CAMERA.")
    try:
        with file.open("rb") as opened_file:
            data = opened_file.read(8 * MOST)
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise UnreadableInput(f"'{file.name}' cannot be read: {error.strerror}.", "") from error
    except UnicodeDecodeError as error:
        raise UnreadableInput(
            f"'{file.name}' is not plain text.", "Save it as Markdown in UTF-8."
        ) from error
    save_words(place, camera, text)
