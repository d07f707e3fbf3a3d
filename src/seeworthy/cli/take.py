"""``seeworthy take``: what you filmed and read, one execution of a test at a time."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from seeworthy.cli.opening import (
    AsJson,
    BenchDir,
    NewNote,
    Note,
    UnitName,
    Yes,
    make_sure,
    opened,
    take_row,
)
from seeworthy.cli.tables import next_step, table
from seeworthy.ground.examples import EXAMPLES, as_typed
from seeworthy.ground.plausible import typed_day

if TYPE_CHECKING:
    from seeworthy.bench.records import StoredOutcome, Take
    from seeworthy.publish.repeat import Example

app = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Enter, list and change takes: the clips and readings of one test on one camera.",
)

Number = Annotated[int, typer.Argument(metavar="NUMBER", help="See 'seeworthy take list'.")]
Readings = Annotated[
    list[str] | None,
    typer.Option(
        "--reading", metavar="NAME=VALUE", help=f"A reading: {as_typed('view.distance')}."
    ),
]
Options = Annotated[
    list[str] | None,
    typer.Option("--option", metavar="NAME=VALUE", help="How to evaluate: method=lamp."),
]
Light = Annotated[
    str | None, typer.Option("--light", metavar="VALUE", help='Light on the scene: "400 lx".')
]
Temperature = Annotated[
    str | None,
    typer.Option(
        "--temperature",
        metavar="VALUE",
        help=f'Of the air: "{EXAMPLES["condition.temperature"]}" or "19 degC".',
    ),
]
Day = Annotated[
    str | None,
    typer.Option("--date", metavar="DATE", help="Day of the take, such as 2026-03-21."),
]
Test = Annotated[
    str, typer.Argument(metavar="PROCEDURE", help="Which test: see 'seeworthy procedures'.")
]
CameraName = Annotated[str, typer.Argument(metavar="CAMERA", help="The camera's name.")]
Clips = Annotated[
    list[str] | None,
    typer.Argument(metavar="FILE", help="Clips, stills or logs, in order."),
]
WithRole = Annotated[
    list[str] | None,
    typer.Option("--with", metavar="ROLE=FILE", help="A file with a role: turned=b.mp4."),
]
InPlace = Annotated[
    bool,
    typer.Option(
        "--in-place",
        help="Leave the files where they are; the bench remembers their fingerprint.",
    ),
]
ReadWith = Annotated[
    list[str] | None,
    typer.Option(
        "--instrument",
        metavar="NAME=INSTRUMENT",
        help='What a reading was taken with: distance="steel tape".',
    ),
]
Like = Annotated[
    str,
    typer.Option(
        "--like",
        metavar="PACKAGE#TAKE",
        help="Repeat a take of a data package: alone shows its sheet, with CAMERA FILE enters.",
    ),
]


@app.command()
def add(
    procedure: Test = "",
    camera: CameraName = "",
    files: Clips = None,
    with_: WithRole = None,
    reading: Readings = None,
    option: Options = None,
    unit: UnitName = None,
    light: Light = None,
    temperature: Temperature = None,
    date: Day = None,
    note: Note = "",
    in_place: InPlace = False,
    instrument: ReadWith = None,
    like: Like = "",
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Enter what you filmed and read for one test.

    The files are copied into the bench, so that a figure can be traced back to them;
    'seeworthy run' then measures. With --like the test and its options are those of a take
    of somebody's data package: 'take add --like dunes.zip#12 Knot clip.mp4'.
    """
    from seeworthy.bench.takes import add_take, twins
    from seeworthy.cli import words
    from seeworthy.ground.errors import WrongCall
    from seeworthy.procedures import procedure as find_procedure

    chosen = words.pairs(option or (), "--option", "method=lamp")
    if like:
        example = _example(like)
        files = [camera, *(files or [])] if camera else []
        procedure, camera = example.procedure, procedure
        if not (camera and (files or with_ or reading)):
            _show_example(example, as_json)
            return
        chosen = {**example.options_typed(), **chosen}
    if not (procedure and camera):
        raise WrongCall("A take needs a test and a camera.", "take add PROCEDURE CAMERA FILE…")
    plain, roles = words.files_and_roles(procedure, files or (), with_ or ())
    roles = {"": plain, **roles}
    around = {"light": light, "temperature": temperature}
    took = words.pairs(instrument or (), "--instrument", "distance=steel tape")
    with opened(bench) as place:
        take = add_take(
            place, procedure, camera, roles,
            readings=words.pairs(reading or (), "--reading", as_typed("view.distance")),
            options=chosen,
            conditions={name: text for name, text in around.items() if text is not None},
            unit=unit, taken=typed_day(date, "--date"), note=note, in_place=in_place,
            instruments={name: texts[-1] for name, texts in took.items()},
        )  # fmt: skip
        again = twins(place, take)
    if not as_json:
        words.show_cautions([find_procedure(procedure)])
        for name, numbers in again.items():
            others = ", ".join(f"take {n}" for n in numbers)
            typer.echo(f"  Mind: '{name}' is in {others} too; what comes of it counts once.")
    _print(take, None, as_json, "seeworthy run")


@app.command("list")
def list_(
    camera: Annotated[
        str | None, typer.Option("--camera", metavar="CAMERA", help="Of this camera only.")
    ] = None,
    procedure: Annotated[
        str | None, typer.Option("--procedure", metavar="PROCEDURE", help="Of this test only.")
    ] = None,
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """List the takes and where each stands."""
    from seeworthy.bench.takes import list_lines, list_takes
    from seeworthy.cli import words

    with opened(bench) as place:
        if as_json:
            words.show_json(list_takes(place, camera=camera, procedure=procedure))
            return
        takes = list_lines(place, camera=camera, procedure=procedure)
    if not takes:
        typer.echo("No take yet.")
        next_step("seeworthy take add PROCEDURE CAMERA FILE, or seeworthy import FOLDER")
    table(
        [take_row(take) for take in takes],
        ("Take", "Test", "Camera", "Day", "State", "Files"),
        states=4,
    )
    if any(take.state in ("new", "stale", "lost") for take in takes):
        next_step("seeworthy run")
    elif takes:
        next_step("seeworthy take show NUMBER")


@app.command()
def show(
    number: Number,
    evidence: Annotated[
        Path | None,
        typer.Option("--evidence", metavar="DIR", help="Save the pictures of what was found."),
    ] = None,
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Show a take: what went in and what came out."""
    from seeworthy.bench.outcomes import get_outcome
    from seeworthy.bench.takes import get_take
    from seeworthy.cli import words

    with opened(bench) as place:
        take = get_take(place, number)
        outcome = get_outcome(place, number)
    if evidence is not None and outcome is not None:
        words.save_pictures(outcome.load_pictures(), evidence)
    _print(take, outcome, as_json)


@app.command()
def edit(
    number: Number,
    reading: Readings = None,
    option: Options = None,
    light: Light = None,
    temperature: Temperature = None,
    date: Day = None,
    note: NewNote = None,
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Change readings, options or conditions of a take; 'seeworthy run' measures it again.

    What you give replaces what has the same name; NAME= with nothing behind removes it.
    """
    from seeworthy.bench.takes import edit_take
    from seeworthy.cli import words

    readings = words.pairs(reading or (), "--reading", as_typed("view.distance"))
    options = words.pairs(option or (), "--option", "method=lamp")
    around = {"light": light, "temperature": temperature}
    with opened(bench) as place:
        take = edit_take(
            place,
            number,
            readings={n: [t for t in texts if t] for n, texts in readings.items()} or None,
            options={n: [t for t in texts if t] for n, texts in options.items()} or None,
            conditions={n: text or None for n, text in around.items() if text is not None},
            taken=typed_day(date, "--date"),
            note=note,
        )
    _print(take, None, as_json, "seeworthy run")


@app.command()
def remove(number: Number, yes: Yes = False, bench: BenchDir = None) -> None:
    """Take a take back for good, with what was measured from it.

    Copied files stay in evidence/ until 'seeworthy bench check --tidy'.
    """
    from seeworthy.bench.takes import get_take, remove_take

    with opened(bench) as place:
        take = get_take(place, number)
        make_sure(f"Take {number}, {take.procedure} of {take.camera}, and what it measured", yes)
        remove_take(place, number)
    typer.echo(f"Take {number} is removed.")


def _print(take: Take, outcome: StoredOutcome | None, as_json: bool, then: str = "") -> None:
    from seeworthy.bench.plain import outcome_plain
    from seeworthy.cli import words

    if as_json:
        found = None if outcome is None else outcome_plain(outcome)
        words.show_json({"take": take, "outcome": found})
        return
    unit = f", unit {take.unit}" if take.unit != "1" else ""
    firmware = f", firmware {take.firmware}" if take.firmware else ""
    typer.echo(
        f"Take {take.id}: {take.procedure} of {take.camera}{unit}{firmware}, {take.taken}, "
        f"{take.state}"
    )
    _print_inputs(take)
    if outcome is None or outcome.error_kind:
        for text in filter(None, (take.message, take.hint)):
            typer.echo(text)
    else:
        if take.state == "stale":
            typer.echo("Out of date; 'seeworthy run' measures it again. It was:")
        words.show_outcome(outcome.outcome, take.procedure)
    if then:
        next_step(then)


def _print_inputs(take: Take) -> None:
    for file in take.files:
        role = f"{file.role}=" if file.role else ""
        where = f", stays at {file.path}" if file.in_place else ""
        typer.echo(f"  {role}{file.name} ({file.size / 1e6:.2f} MB{where})")
    for reading in take.readings:
        with_ = f", with {reading.instrument}" if reading.instrument else ""
        typer.echo(f"  {reading.name} = {reading.text}{with_}")
    for name, value in take.options:
        typer.echo(f"  {name}: {value}")
    for condition in take.conditions:
        typer.echo(f"  {condition.name} {condition.text}")
    if take.note:
        typer.echo(f"  Note: {take.note}")


def _example(address: str) -> Example:
    from seeworthy.publish.repeat import example_of

    return example_of(address)


def _show_example(example: Example, as_json: bool) -> None:
    """Show the sheet of a test, and what the other group did at each place of it."""
    from seeworthy.cli import words
    from seeworthy.cli.procedures import describe, show_sheet
    from seeworthy.procedures import procedure

    chosen = procedure(example.procedure)
    if as_json:
        words.show_json({"like": example, "sheet": describe(chosen)})
        return
    show_sheet(chosen)
    typer.echo(f"\nAs {example.group} did it, with their {example.camera}:")
    if example.version and example.version != chosen.version:
        typer.echo(f"  Mind: version {example.version} of the test; here is {chosen.version}.")
    for role, name in example.files:
        typer.echo(f"  {role + '=' if role else ''}{name}")
    for name, text, instrument in example.readings:
        typer.echo(f"  {name} = {text}{f', with {instrument}' if instrument else ''}")
    for name, value in example.options:
        typer.echo(f"  {name}: {value}")
    for name, text in (("light", example.light), ("temperature", example.temperature)):
        if text:
            typer.echo(f"  {name} {text}")
    for line in example.results:
        typer.echo(f"  It gave {line}")
    typer.echo("Enter yours: the same command with CAMERA and your files and readings.")
