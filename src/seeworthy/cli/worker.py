"""``seeworthy worker``: measure for a bench on another machine."""

from __future__ import annotations

from typing import Annotated

import typer

app = typer.Typer(rich_markup_mode=None)


@app.command()
def worker(
    scheduler: Annotated[str, typer.Argument(metavar="HOST:PORT", help="Of `dask scheduler`.")],
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=1, metavar="N", help="Processes; default: your cores."),
    ] = None,
    memory_limit: Annotated[
        str, typer.Option("--memory-limit", metavar="SIZE", help="Of one process; or 'none'.")
    ] = "2 GB",
    bench: Annotated[
        str,
        typer.Option(
            "--bench-at",
            metavar="PLACE",
            help="Where this machine sees the bench: a folder, or a URL that fsspec reads "
            "(sftp, s3, http …). Not needed where its path is the same.",
        ),
    ] = "",
) -> None:
    """Measure takes for a bench on another machine, until you stop it.

    On one machine: dask scheduler; on each that helps: seeworthy worker HOST:PORT; at the bench:
    seeworthy run --executor dask://HOST:PORT. Whoever reaches the scheduler can run code on all
    of them: use a network of your own. A worker of another version measures nothing.
    """
    from seeworthy.cli.run import limit
    from seeworthy.engine.cluster import work_for
    from seeworthy.engine.workers import default_workers

    size = limit(memory_limit, "byte")
    typer.echo(f"Working for {scheduler}; Ctrl-C ends it.", err=True)
    work_for(
        scheduler,
        workers=workers or default_workers(),
        memory_limit=None if size is None else int(size),
        bench=bench,
    )
