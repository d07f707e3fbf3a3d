"""``seeworthy plan``: what a planned flight will look like."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from seeworthy.cli.opening import AsJson, BenchDir, opened

if TYPE_CHECKING:
    from seeworthy.judge.plan.bench_plan import Plan

app = typer.Typer(rich_markup_mode=None)


@app.command()
def plan(
    flight: str = typer.Argument("", metavar="FLIGHT.toml", help="The planned flight."),
    from_log: list[str] = typer.Option(
        None, "--from-log", metavar="LOG", help="Plan what a log shows was flown (repeatable)."
    ),
    flown: int = typer.Option(
        0, "--flown", metavar="TAKE", help="The same, from a take of 'load' on the bench."
    ),
    from_clip: Path | None = typer.Option(
        None, "--from-clip", metavar="CLIP", help="Swing, spin and vibration as a clip shows them."
    ),
    clip_view: str = typer.Option(
        "", "--clip-hfov", metavar="ANGLE", help="Angle of view across of the camera of that clip."
    ),
    clip_readout: str = typer.Option(
        "", "--clip-readout", metavar="TIME", help="Its read-out time, for fast vibration."
    ),
    camera: list[str] = typer.Option(None, "--camera", help="Only this camera (repeatable)."),
    preview: Path | None = typer.Option(
        None, "--preview", metavar="FILE.mp4", help="Render what it would look like (one camera)."
    ),
    template: bool = typer.Option(
        False, "--template", help="Print a plan with every key, to start your own from."
    ),
    out: Path | None = typer.Option(None, "--out", metavar="FILE.html", help="Write a page."),
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Foresee what a flight will look like through your cameras.

    Lean, wobble, blur, ground width, and whether card, battery and files will last, each
    with its interval and a plain verdict; then what to change so that it will do.
    """
    from seeworthy.cli import words
    from seeworthy.ground.errors import Conflict, WrongCall
    from seeworthy.judge.plan.bench_plan import flight_of_take, load_flight, plan_flight

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
        from seeworthy.judge.plan.from_log import flight_from_log

        wanted = flight_from_log(from_log, wanted)
    if from_clip is not None:
        from seeworthy.judge.plan.from_clip import flight_from_clip

        wanted = flight_from_clip(from_clip, clip_view, clip_readout, wanted)
    with opened(bench) as place:
        if flown:
            wanted = flight_of_take(place, flown, wanted)
        assert wanted is not None
        found = plan_flight(place, wanted, camera or ())
        if preview is not None:
            from seeworthy.judge.plan.bench_plan import camera_of
            from seeworthy.judge.plan.preview import preview as render

            if preview.exists():
                raise Conflict(f"'{preview}' is there already.", "Name a new file.")
            if len(found) != 1:
                raise WrongCall("A preview shows one camera.", "Add --camera NAME.")
            for text in render(wanted, camera_of(place, found[0].camera), preview):
                typer.echo(f"Mind: {text}", err=True)
            if not as_json:
                typer.echo(f"Preview: {preview}")
    if as_json:
        words.show_json([p.to_json() for p in found])
        return
    if out is not None:
        from seeworthy.publish.judgement import plan_page

        words.write_page(out, plan_page(found))
        return
    typer.echo(wanted.title)
    for text in found[0].cautions:
        typer.echo(f"  Caution: {text}")
    for one in found:
        _show(one)


def _show(one: Plan) -> None:
    typer.echo(f"\n{one.camera}: {one.verdict}")
    width = max((len(p.title) for p in one.predictions), default=0)
    for p in one.predictions:
        if p.value is None or p.interval is None:
            typer.echo(f"  {p.title:<{width}}  not known. {p.missing}")
            continue
        low, high = p.interval
        limit = f", asked {p.limit}" if p.limit else ""
        verdict = "" if p.verdict == "told" else f"  {p.verdict}{limit}"
        value = f"{p.value:.3g} {p.unit}".strip()
        if p.verdict == "not known":
            verdict = f"  not known. {p.missing}"
        typer.echo(f"  {p.title:<{width}}  {value} (95 %: {low:.3g} to {high:.3g}){verdict}")
    for advice in one.advice[:4]:
        spoils = f" (but then: {', '.join(advice.spoils)})" if advice.spoils else ""
        typer.echo(f"  Try: {advice.text} Mends {', '.join(advice.mends)}{spoils}.")
