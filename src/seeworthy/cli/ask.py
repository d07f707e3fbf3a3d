"""``seeworthy ask``: questions to a corpus of many benches."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from seeworthy.cli.opening import AsJson
from seeworthy.cli.tables import next_step, table

app = typer.Typer(rich_markup_mode=None)


@app.command()
def ask(
    corpus: Annotated[Path, typer.Argument(metavar="CORPUS", help="Folder of 'seeworthy pool'.")],
    question: Annotated[
        str, typer.Argument(metavar="QUESTION", help="figures, claims, benches or prior.")
    ] = "figures",
    camera: Annotated[
        str, typer.Argument(metavar="CAMERA", help="For prior: name of the model.")
    ] = "",
    measurand: Annotated[
        str, typer.Argument(metavar="ID", help="For prior: id of the figure.")
    ] = "",
    where: Annotated[
        list[str] | None,
        typer.Option("--where", metavar="NAME=VALUE", help="For prior: position=centre."),
    ] = None,
    sql: Annotated[
        str,
        typer.Option("--sql", metavar="QUERY", help="Instead: SQL on results, claims, packages."),
    ] = "",
    page: Annotated[
        Path | None,
        typer.Option("--page", metavar="FILE", help="Instead: the corpus as one HTML page."),
    ] = None,
    most: Annotated[int, typer.Option("--most", help="Rows to print; --json prints all.")] = 40,
    as_json: AsJson = False,
) -> None:
    """Ask a corpus: every camera's figure, the sellers' claims, what to expect of a new unit.

    'figures' gives the mean of every model with the spread between benches; 'claims' keeps each
    statement of a seller apart and says in how many benches' intervals it lies; 'prior' says
    what to expect of a unit of a known model before you measure it. --page writes a file that
    answers the same, and SQL, in a browser without any server.
    """
    from seeworthy.cli import words
    from seeworthy.publish.corpus import ask as ask_corpus

    if page is not None:
        from seeworthy.publish.corpus_page import corpus_page

        made = corpus_page(corpus, page)
        typer.echo(f"{made}: {made.stat().st_size / 1e6:.0f} MB.")
        next_step("open it in a browser, or put it on a web page; it loads nothing else")
        return
    if question == "prior" and not sql:
        _expect(corpus, camera, measurand, where or (), as_json)
        return
    found = ask_corpus(corpus, question, sql=sql)
    if as_json:
        rows = [dict(zip(found.heads, list(r), strict=True)) for r in found.rows]
        words.show_json(rows)
        return
    table([tuple(map(_cell, row)) for row in found.rows[:most]], found.heads)
    if len(found.rows) > most:
        typer.echo(f"  … and {len(found.rows) - most} more rows (--most, --json).")
    asked = "figures" if sql else question
    next_step(_NEXT.get(asked, _NEXT["figures"]))


def _expect(corpus: Path, camera: str, measurand: str, where: Sequence[str], as_json: bool) -> None:
    from seeworthy.cli import words
    from seeworthy.ground.digits import interval_text, said
    from seeworthy.publish.corpus import prior

    known = prior(corpus, camera, measurand, where=where)
    if as_json:
        words.show_json(known)
        return
    low, high = known.interval
    typer.echo(
        f"A new {known.camera}: {known.measurand} {said(known.value, low, high, known.unit)}, "
        f"95 %: {interval_text(low, high, 0.0, known.unit)} ({known.benches} benches, "
        f"{known.units} units; spread between benches {known.spread:.2g})."
    )
    next_step("measure your own: seeworthy take add PROCEDURE CAMERA, then seeworthy run")


_NEXT = {
    "figures": "what to expect of a new unit: seeworthy ask CORPUS prior CAMERA ID",
    "claims": "the figures behind them: seeworthy ask CORPUS figures",
    "benches": "their figures: seeworthy ask CORPUS figures",
}


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:.5g}" if isinstance(value, float) else str(value)
