"""``seeworthy run``: measure what is new or out of date."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from seeworthy.cli.opening import AsJson, BenchDir, counted, opened

if TYPE_CHECKING:
    from seeworthy.bench.running import Event, RunReport

app = typer.Typer(rich_markup_mode=None)

Only = Annotated[
    list[str] | None,
    typer.Option(
        "--only", metavar="WHAT", help="Only this take number, test or camera. Repeat as needed."
    ),
]


@app.command()
def run(
    only: Only = None,
    workers: Annotated[
        int | None,
        typer.Option(
            "--workers", min=1, metavar="N", help="How many at a time; default: your cores."
        ),
    ] = None,
    time_limit: Annotated[
        str,
        typer.Option(
            "--time-limit", metavar="TIME", help="Give up on a clip after this long; or 'none'."
        ),
    ] = "60 min",
    memory_limit: Annotated[
        str,
        typer.Option(
            "--memory-limit", metavar="SIZE", help="Give up on a clip past this; or 'none'."
        ),
    ] = "2 GB",
    executor: Annotated[
        str | None,
        typer.Option(
            "--executor",
            metavar="dask://HOST:PORT",
            help="Measure by the workers of this scheduler ('seeworthy worker'), which have "
            "limits of their own.",
        ),
    ] = None,
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Measure every take that is new or out of date, and nothing else.

    You may stop it at any time: what is measured stays, and the next run goes on. Several
    runs may work on one bench. Leaves with 2 when a take failed or its file is missing or
    changed, with 3 when one was refused.
    """
    from seeworthy.bench.running import run_bench
    from seeworthy.cli import words
    from seeworthy.engine.cluster import cluster

    seconds, size = limit(time_limit, "s"), limit(memory_limit, "byte")
    with opened(bench) as place, cluster(executor) as far, _told(as_json) as tell:
        report = run_bench(
            place,
            only=only or (),
            executor=far,
            workers=workers,
            time_limit=seconds,
            memory_limit=None if size is None else int(size),
            tell=tell,
        )
    if as_json:
        words.show_json(report)
    else:
        _summary(report)
    if code := _code(report):
        raise typer.Exit(code)


def _code(report: RunReport) -> int:
    """Return 2 where a take failed or its evidence is gone, 3 where one was refused, else 0."""
    if report.count("failed") or report.count("lost") or report.troubles:
        return 2
    return 3 if report.count("refused") else 0


def limit(text: str, unit: str) -> float | None:
    """Read a limit as typed; None for ``none``."""
    from seeworthy.ground.quantities import parse

    if text.strip().casefold() == "none":
        return None
    return parse(text, unit, positive=True, bare=False).value


@contextmanager
def _told(quiet: bool) -> Iterator[Callable[[Event], None]]:
    """Give a function that shows events: a bar on a terminal, lines elsewhere."""
    if quiet:
        yield lambda event: None
    elif not sys.stderr.isatty():
        yield _line
    else:
        from rich.console import Console
        from rich.progress import (
            BarColumn,
            MofNCompleteColumn,
            Progress,
            TextColumn,
            TimeElapsedColumn,
        )

        columns = (
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
        )
        with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task("Measuring", total=None)

            def tell(event: Event) -> None:
                label = f"{event.procedure} of {event.camera}" if event.take else "Measuring"
                if event.kind == "going":
                    label += f", {100 * event.share:.0f} %"
                bar.update(task, description=label, completed=event.done, total=event.total)
                if event.kind in ("done", "skipped"):
                    bar.console.print(line(event), markup=False, highlight=False, soft_wrap=True)

            yield tell


def _line(event: Event) -> None:
    if event.kind in ("done", "skipped"):
        typer.echo(line(event))


def line(event: Event) -> str:
    """Return an event in words."""
    state = event.state or event.kind
    why = f": {event.message}" if event.message else ""
    return f"Take {event.take}, {event.procedure} of {event.camera}, {state}{why}"


def _summary(report: RunReport) -> None:
    for trouble in report.troubles:
        typer.echo(f"Mind: {trouble.message} 'seeworthy bench check' says where it was.", err=True)
    if not (report.done or report.skipped or report.unknown):
        typer.echo(
            "Everything is measured that can be."
            if report.troubles
            else "Everything is up to date."
        )
        return
    states = ("measured", "refused", "failed", "lost")
    counts = [f"{report.count(state)} {state}" for state in states if report.count(state)]
    if report.skipped:
        counts.append(f"{len(report.skipped)} left to another run")
    if counts:
        typer.echo(", ".join(counts) + ".")
    if report.count("measured"):
        typer.echo("Next: 'seeworthy claims' holds it against the sellers, 'seeworthy compare'.")
    if report.count("refused") or report.count("failed"):
        typer.echo("'seeworthy take show NUMBER' says what is missing and what to do.")
    if report.count("lost"):
        typer.echo("What was lost is tried again by the next run.")
    if report.unknown:
        numbers = ", ".join(map(str, report.unknown))
        takes = counted(len(report.unknown), "take")
        typer.echo(f"{takes} of a test that is not installed here: {numbers}.")
