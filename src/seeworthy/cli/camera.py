"""``seeworthy camera``: cameras, their units and firmware, what the seller claims."""

from __future__ import annotations

import re
import shlex
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

from seeworthy.cli.opening import (
    AsJson,
    BenchDir,
    NewNote,
    Note,
    UnitName,
    Yes,
    counted,
    make_sure,
    opened,
)
from seeworthy.cli.tables import next_step, table
from seeworthy.ground.plausible import typed_day

if TYPE_CHECKING:
    from seeworthy.bench.records import Camera, Claim, Unit

app = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Add and list cameras, their specimens, firmware, and what the seller claims.",
)
unit_app = typer.Typer(no_args_is_help=True, help="Specimens: two of a kind are seldom alike.")
firmware_app = typer.Typer(no_args_is_help=True, help="Firmware: an update can change figures.")
app.add_typer(unit_app, name="unit")
app.add_typer(firmware_app, name="firmware")


class _Signed(TyperCommand):
    """A command whose values may be negative: '-5 deg' is no option, no option has a digit."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Write the sign so that the reader of options lets it pass; `parse` knows both."""
        signed = [f"\N{MINUS SIGN}{a[1:]}" if re.match(r"-[.\d]", a) else a for a in args]
        return super().parse_args(ctx, signed)


Name = Annotated[str, typer.Argument(metavar="CAMERA", help="The camera's name.")]
Serial = Annotated[str, typer.Argument(metavar="SERIAL", help="Its serial number or label.")]
FirmwareName = Annotated[str, typer.Argument(metavar="FIRMWARE", help="As the camera names it.")]


@app.command()
def add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What you call the camera.")],
    maker: Annotated[
        str, typer.Option("--maker", metavar="TEXT", help="Who makes or sells it.")
    ] = "",
    note: Note = "",
    unit: Annotated[
        str, typer.Option("--unit", metavar="SERIAL", help="Serial or label of your specimen.")
    ] = "1",
    claim: Annotated[
        list[str] | None,
        typer.Option(
            "--claim",
            metavar="MEASURAND=VALUE",
            help='What the seller says: --claim run_time="90 min". Repeat as needed.',
        ),
    ] = None,
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Add a camera to the bench."""
    from seeworthy.bench.cameras import add_camera
    from seeworthy.cli import words

    typed = words.pairs(claim or (), "--claim", 'run_time="90 min"')
    claims = {subject: texts[-1] for subject, texts in typed.items()}
    with opened(bench) as place:
        camera = add_camera(place, name, maker=maker, note=note, unit=unit, claims=claims)
    _print(camera, as_json, f"'{camera.name}' is on the bench.")
    if not as_json:
        quoted = shlex.quote(camera.name)
        next_step(
            f"what its seller says: seeworthy camera claim {quoted} mass '60 g', "
            f"or seeworthy claims {quoted} --listing FILE",
            f"what to film: seeworthy shoot --camera {quoted}",
        )


@app.command("list")
def list_(bench: BenchDir = None, as_json: AsJson = False) -> None:
    """List the cameras."""
    from seeworthy.bench.cameras import list_cameras
    from seeworthy.cli import words

    with opened(bench) as place:
        cameras = list_cameras(place)
    if as_json:
        words.show_json(cameras)
        return
    if not cameras:
        typer.echo("No camera yet.")
        next_step("seeworthy camera add NAME")
        return
    table(
        [
            (
                c.name,
                c.maker,
                counted(len(c.units), "unit"),
                counted(len(c.claims), "claim"),
                f"theirs: {c.group}" if c.group else "",
            )
            for c in cameras
        ],
        ("Camera", "Maker", "Units", "Claims", "Whose"),
    )
    next_step("seeworthy camera show NAME, or what to test: seeworthy shoot")


@app.command()
def show(name: Name, bench: BenchDir = None, as_json: AsJson = False) -> None:
    """Show one camera with its specimens, firmware and claims."""
    from seeworthy.bench.cameras import get_camera

    with opened(bench) as place:
        camera = get_camera(place, name)
    _print(camera, as_json)
    if not as_json:
        quoted = shlex.quote(camera.name)
        next_step(f"seeworthy shoot --camera {quoted}, seeworthy report {quoted}")


@app.command()
def edit(
    name: Name,
    rename: Annotated[
        str | None, typer.Option("--rename", metavar="NAME", help="The new name.")
    ] = None,
    maker: Annotated[
        str | None, typer.Option("--maker", metavar="TEXT", help="Who makes or sells it.")
    ] = None,
    note: NewNote = None,
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Change what is written about a camera."""
    from seeworthy.bench.cameras import edit_camera

    with opened(bench) as place:
        camera = edit_camera(place, name, rename=rename, maker=maker, note=note)
    _print(camera, as_json)


@app.command()
def remove(
    name: Name,
    with_takes: Annotated[
        bool, typer.Option("--with-takes", help="Its takes and results may go with it.")
    ] = False,
    yes: Yes = False,
    bench: BenchDir = None,
) -> None:
    """Remove a camera from the bench for good."""
    from seeworthy.bench.cameras import get_camera, remove_camera

    with opened(bench) as place:
        found = get_camera(place, name).name
        make_sure(f"'{found}' with its claims" + (" and takes" if with_takes else ""), yes)
        remove_camera(place, name, with_takes=with_takes)
    typer.echo(f"'{name}' is removed.")


@app.command(cls=_Signed)
def claim(
    name: Name,
    measurand: Annotated[
        str, typer.Argument(metavar="MEASURAND", help="Of what: run_time, hfov, width_px …")
    ],
    value: Annotated[
        str,
        typer.Argument(
            metavar="VALUE", help='As the seller says it: "90 min"; or nothing; or remove.'
        ),
    ],
    source: Annotated[
        str, typer.Option("--source", metavar="TEXT", help="Where you read it.")
    ] = "",
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Note what the seller claims, to hold it against the figures later.

    'nothing' notes that the seller says nothing of it; 'remove' deletes the claim.
    """
    from seeworthy.bench.claims import remove_claim, set_claim
    from seeworthy.cli import words

    if value.strip().casefold() == "remove":
        with opened(bench) as place:
            remove_claim(place, name, measurand)
        typer.echo(f"The claim '{measurand}' is removed.")
        return
    with opened(bench) as place:
        entered = set_claim(place, name, measurand, value, source=source)
    if as_json:
        words.show_json(entered)
        return
    typer.echo(f"{entered.camera}: {claim_line(entered)}")
    next_step(f"seeworthy claims {shlex.quote(entered.camera)}")


@unit_app.command("add")
def unit_add(
    name: Name,
    serial: Serial,
    note: Note = "",
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Add another specimen of a camera."""
    from seeworthy.bench.cameras import add_unit

    with opened(bench) as place:
        unit = add_unit(place, name, serial, note=note)
    _print_unit(unit, as_json)


@unit_app.command("remove")
def unit_remove(
    name: Name,
    serial: Serial,
    bench: BenchDir = None,
) -> None:
    """Remove a specimen that has no takes."""
    from seeworthy.bench.cameras import remove_unit

    with opened(bench) as place:
        remove_unit(place, name, serial)
    typer.echo(f"Unit '{serial}' is removed.")


@firmware_app.command("add")
def firmware_add(
    name: Name,
    firmware: FirmwareName,
    unit: UnitName = None,
    since: Annotated[
        str | None,
        typer.Option("--since", metavar="DATE", help="First day with it; today if left out."),
    ] = None,
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Note a firmware and the day from which the camera runs it."""
    from seeworthy.bench.cameras import add_firmware

    with opened(bench) as place:
        changed = add_firmware(place, name, firmware, unit=unit, since=typed_day(since, "--since"))
    _print_unit(changed, as_json)


@firmware_app.command("remove")
def firmware_remove(
    name: Name,
    firmware: FirmwareName,
    unit: UnitName = None,
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Take back a firmware that was noted by mistake."""
    from seeworthy.bench.cameras import remove_firmware

    with opened(bench) as place:
        changed = remove_firmware(place, name, firmware, unit=unit)
    _print_unit(changed, as_json)


def _print(camera: Camera, as_json: bool, first: str = "") -> None:
    from seeworthy.cli import words

    if as_json:
        words.show_json(camera)
        return
    typer.echo(first or camera.name)
    if camera.maker:
        typer.echo(f"  Maker: {camera.maker}")
    if camera.note:
        typer.echo(f"  Note: {camera.note}")
    for unit in camera.units:
        typer.echo(f"  {unit_line(unit)}")
    for one in camera.claims:
        typer.echo(f"  Claim: {claim_line(one)}")


def _print_unit(unit: Unit, as_json: bool) -> None:
    from seeworthy.cli import words

    if as_json:
        words.show_json(unit)
        return
    typer.echo(f"{unit.camera}: {unit_line(unit)}")


def unit_line(unit: Unit) -> str:
    """Return a unit with its firmware in words."""
    firmware = ", ".join(f"{f.name} from {f.since.isoformat()}" for f in unit.firmware)
    return f"Unit {unit.serial}" + (f", firmware {firmware}" if firmware else "")


def claim_line(claim: Claim) -> str:
    """Return a claim in words."""
    said = "the seller says nothing" if claim.silent else claim.text
    return f"{claim.subject} {said}" + (f" ({claim.source})" if claim.source else "")


@app.command()
def flights(
    name: Name, unit: UnitName = None, bench: BenchDir = None, as_json: AsJson = False
) -> None:
    """Show the flight log of a camera: loads, checks, what it survived.

    Flights are takes of 'load', checks are takes of 'survival'. What was survived is not
    rated: it says what happened, not what the next one stands.
    """
    from seeworthy.cli import words
    from seeworthy.judge.flights import flight_log

    with opened(bench) as place:
        log = flight_log(place, name, unit)
    if as_json:
        words.show_json(log.to_json())
        return
    if not log.flights and not log.checks:
        entry = f"seeworthy take add load {shlex.quote(log.camera)} LOG"
        typer.echo(f"'{log.camera}' has no flights yet. Enter one: {entry}")
        return
    table(
        [
            (
                f.day.isoformat(),
                f"take {f.take}",
                f"felt {f.felt:.1f} g" if f.felt is not None else "load not told",
                f"{f.height:.0f} m" if f.height is not None else "",
                f.outcome,
            )
            for f in log.flights
        ]
    )
    for check in log.checks:
        typer.echo(
            f"Check of {check.day.isoformat()} (take {check.take}): survived {check.verdict}, "
            f"{counted(check.flights, 'flight')}"
        )
    if log.bound is not None:
        highest = f", the hardest with {log.highest.felt:.1f} g" if log.highest else ""
        typer.echo(
            f"{counted(log.survived, 'flight')} survived{highest}; failure at most "
            f"{100 * log.bound:.0f} % per flight (95 %). Survived is not rated."
        )
