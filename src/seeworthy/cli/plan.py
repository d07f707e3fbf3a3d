"""``seeworthy plan``: what a planned flight will look like."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from seeworthy.cli.opening import AsJson, BenchDir, opened
from seeworthy.cli.tables import next_step, table

if TYPE_CHECKING:
    from seeworthy.bench.store import Bench
    from seeworthy.judge.plan.bench_plan import Plan

app = typer.Typer(rich_markup_mode=None)

Toml = Annotated[str, typer.Argument(metavar="FLIGHT.toml", help="The planned flight.")]
FromLog = Annotated[
    list[str] | None,
    typer.Option("--from-log", metavar="LOG", help="Plan what a log shows was flown (repeatable)."),
]
FlownTake = Annotated[
    int,
    typer.Option("--flown", metavar="TAKE", help="The same, from a take of 'load' on the bench."),
]
FromClip = Annotated[
    Path | None,
    typer.Option(
        "--from-clip", metavar="CLIP", help="Swing, spin and vibration as a clip shows them."
    ),
]
ClipView = Annotated[
    str,
    typer.Option(
        "--clip-hfov", metavar="ANGLE", help="Angle of view across of the camera of that clip."
    ),
]
ClipReadout = Annotated[
    str,
    typer.Option("--clip-readout", metavar="TIME", help="Its read-out time, for fast vibration."),
]
OnlyCamera = Annotated[
    list[str] | None, typer.Option("--camera", help="Only this camera (repeatable).")
]
PreviewFile = Annotated[
    Path | None,
    typer.Option(
        "--preview", metavar="FILE.mp4", help="Render what it would look like (one camera)."
    ),
]
Template = Annotated[
    bool, typer.Option("--template", help="Print a plan with every key, to start your own from.")
]
PageFile = Annotated[Path | None, typer.Option("--out", metavar="FILE.html", help="Write a page.")]


@app.command()
def plan(
    flight: Toml = "",
    from_log: FromLog = None,
    flown: FlownTake = 0,
    from_clip: FromClip = None,
    clip_view: ClipView = "",
    clip_readout: ClipReadout = "",
    camera: OnlyCamera = None,
    preview: PreviewFile = None,
    template: Template = False,
    out: PageFile = None,
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Foresee what a flight will look like through your cameras.

    Lean, wobble, blur, ground width, and whether card, battery and files will last, each
    with its interval and a plain verdict; then what to change so that it will do.
    """
    from seeworthy.cli import words
    from seeworthy.ground.errors import WrongCall
    from seeworthy.judge.plan.bench_plan import flight_of_take, load_flight, plan_flight
    from seeworthy.judge.plan.from_clip import flight_from_clip
    from seeworthy.judge.plan.from_log import flight_from_log

    if template:
        from seeworthy.judge.plan.flight import template as plan_template

        typer.echo(plan_template(), nl=False)
        return
    if not flight and not from_log and not flown and from_clip is None:
        raise WrongCall(
            "No flight is named.",
            "Name a FLIGHT.toml (`seeworthy plan --template` prints one), or --from-log LOG.",
        )
    if from_log and flown:
        raise WrongCall("Two flights are named.", "Give either --from-log or --flown.")
    wanted = load_flight(flight) if flight else None
    if from_log:
        wanted = flight_from_log(from_log, wanted)
    if from_clip is not None:
        wanted = flight_from_clip(from_clip, clip_view, clip_readout, wanted)
    with opened(bench) as place:
        if flown:
            wanted = flight_of_take(place, flown, wanted)
        assert wanted is not None
        found = plan_flight(place, wanted, camera or ())
        if preview is not None:
            _preview(place, found, preview)
            if not as_json:
                typer.echo(f"Preview: {preview}")
    if as_json:
        words.show_json([p.to_json() for p in found])
        return
    if out is not None:
        from seeworthy.publish.judgement import plan_page

        words.write_page(out, plan_page(found))
        return
    _show_all(found)


def _preview(bench: Bench, plans: Sequence[Plan], path: Path) -> None:
    from seeworthy.ground.errors import Conflict, WrongCall
    from seeworthy.judge.plan.bench_plan import camera_of
    from seeworthy.judge.plan.preview import preview

    if path.exists():
        raise Conflict(f"'{path}' is there already.", "Name a new file.")
    if len(plans) != 1:
        raise WrongCall("A preview shows one camera.", "Add --camera NAME.")
    for text in preview(plans[0].flight, camera_of(bench, plans[0].camera), path):
        typer.echo(f"Mind: {text}", err=True)


def _show_all(plans: Sequence[Plan]) -> None:
    typer.echo(plans[0].flight.title)
    for text in plans[0].cautions:
        typer.echo(f"  Caution: {text}")
    for one in plans:
        _show(one)
    if any(p.value is None for one in plans for p in one.predictions):
        next_step("the sheet of a test that is missing: seeworthy shoot TEST")
    which = "" if len(plans) == 1 else "--camera NAME "
    next_step(f"see it as a film: the same with {which}--preview flight.mp4")


def _show(one: Plan) -> None:
    from seeworthy.ground.digits import interval_text, said

    typer.echo(f"\n{one.camera}: {one.verdict}")
    rows = []
    for p in one.predictions:
        value = ""
        if p.value is not None and p.interval is not None:
            ends = interval_text(*p.interval, 0.0, p.unit)
            value = f"{said(p.value, *p.interval, p.unit)} (95 %: {ends})"
        limit = f", asked {p.limit}" if p.limit and value else ""
        verdict = "" if p.verdict == "told" else f"{p.verdict}{limit}"
        if not value or p.verdict == "not known":
            verdict = f"not known. {p.missing}"
        rows.append((p.title, value, verdict))
    table(rows, states=2)
    for advice in one.advice[:4]:
        spoils = f" (but then: {', '.join(advice.spoils)})" if advice.spoils else ""
        typer.echo(f"  Try: {advice.text} Mends {', '.join(advice.mends)}{spoils}.")
