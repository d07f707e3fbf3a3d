"""``seeworthy groups``: one model, measured by several groups."""

from __future__ import annotations

from typing import Annotated

import typer

from seeworthy.cli.opening import AsJson, BenchDir, opened
from seeworthy.cli.tables import next_step

app = typer.Typer(rich_markup_mode=None)


@app.command()
def groups(
    cameras: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="CAMERA", help="One model that others measured too, or the cameras by name."
        ),
    ] = None,
    measurand: Annotated[
        list[str] | None,
        typer.Option("--measurand", metavar="ID", help="Only this figure (may be repeated)."),
    ] = None,
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Set several groups' results of one model side by side.

    Every pair with its difference and E_n (up to 1 the two agree), and what scatters between
    groups beyond their uncertainties. Groups that used one instrument, or one file, count as one:
    their agreement does not test it. This is the only place where your figures and theirs enter
    one mean.
    """
    from seeworthy.cli import words
    from seeworthy.ground.digits import expanded, number, said_u, with_unit
    from seeworthy.judge.groups import groups_of_bench

    with opened(bench) as place:
        rows = groups_of_bench(place, cameras or (), measurand or ())
    if as_json:
        words.show_json([r.to_json() for r in rows])
        return
    for row in rows:
        b, unit = row.between, row.measurand.unit
        where = f" ({row.like})" if str(row.like) else ""
        typer.echo(f"{row.measurand.title}{where}")
        for v in b.values:
            typer.echo(f"  {v.group}: {said_u(v.value, v.u, unit, v.dof)} (95 %)")
        for p in b.pairs:
            said = "they agree" if p.agree else "they do not agree"
            shared = "; with one instrument or file, which that does not test" if p.shared else ""
            typer.echo(
                f"  {p.second} - {p.first}: {said_u(p.difference, p.u, unit)}, E_n {p.en:+.2f}: "
                f"{said}{shared}"
            )
        typer.echo(
            f"  All: {said_u(b.mean, b.u, unit)}; scatter between groups "
            f"{with_unit(number(b.spread, expanded(b.u)), unit)}"
            f" ({b.n} independent)"
        )
    if rows:
        typer.echo(
            "E_n is a difference over what both uncertainties allow for it: up to 1 in size they "
            "agree."
        )
        next_step(
            "many benches at once: seeworthy pool PACKAGE ... --into CORPUS, then seeworthy ask"
        )
