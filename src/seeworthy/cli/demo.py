"""``seeworthy demo``: build the bench of Marram Point, measure it, write it up."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from seeworthy.cli.opening import AsJson

app = typer.Typer(rich_markup_mode=None)


@app.command()
def demo(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="DIR", help="New folder; marram-point-dune-watch if left out."),
    ] = None,
    seed: Annotated[
        int, typer.Option("--seed", metavar="N", help="Another seed, other clips.")
    ] = 1,
    as_json: AsJson = False,
) -> None:
    """Build a bench with three invented cameras, measure everything, and write the reports.

    The clips are rendered on this machine with known truth, so you can see what Seeworthy
    finds before you film anything. It takes a few minutes.
    """
    from seeworthy.bench.running import run_bench
    from seeworthy.cli import words
    from seeworthy.demo.bench import CARD, build
    from seeworthy.demo.cameras import BENCH
    from seeworthy.publish.write import write_reports

    place = folder or Path(BENCH)
    with _bar("Filming", as_json) as film:
        bench = build(place, seed=seed, tell=film)
    with bench:
        with _bar("Measuring", as_json) as measure:
            run_bench(bench, tell=_of_run(measure))
        reports = write_reports(bench)
    if as_json:
        words.show_json({"bench": str(place), "reports": [str(p) for p in reports]})
        return
    typer.echo(f"The bench of Marram Point is in {place}")
    for path in reports:
        typer.echo(f"  Report: {path}")
    typer.echo("Open a report in your browser, or go on:")
    clips = sorted((place / CARD).glob("*.MOV"))
    if clips:
        typer.echo(f"  seeworthy look {clips[0]}")
    typer.echo(f"  seeworthy claims --bench {place}")
    typer.echo(f"  seeworthy serve --bench {place}")


Step = Callable[[str, int, int], None]


@contextmanager
def _bar(label: str, quiet: bool) -> Iterator[Step]:
    """Show a bar on a terminal, one line per stage elsewhere."""
    if quiet:
        yield lambda text, done, total: None
    elif not sys.stderr.isatty():
        typer.echo(f"{label} …", err=True)
        yield lambda text, done, total: None
    else:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

        columns = (TextColumn("{task.description}", markup=False), BarColumn())
        with Progress(*columns, MofNCompleteColumn(), console=Console(stderr=True)) as bar:
            task = bar.add_task(label, total=None)

            def step(text: str, done: int, total: int) -> None:
                bar.update(task, description=f"{label} {text}", completed=done, total=total)

            yield step


def _of_run(step: Step) -> Callable[[Any], None]:
    def tell(event: Any) -> None:
        text = f"{event.procedure} of {event.camera}" if event.take else ""
        step(text, event.done, event.total)

    return tell
