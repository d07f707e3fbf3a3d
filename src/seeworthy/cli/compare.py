"""``seeworthy compare``: cameras, units or firmware side by side."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from seeworthy.cli.opening import AsJson, BenchDir, opened, say_stale
from seeworthy.cli.tables import next_step, table

if TYPE_CHECKING:
    from seeworthy.judge.compare.comparison import Comparison, Row

app = typer.Typer(rich_markup_mode=None)

_MOST_NOTES = 20  # a screen of them
_MOST_COLUMNS = 4  # what fits beside a figure on a terminal of usual width


@app.command()
def compare(
    cameras: list[str] = typer.Argument(
        None, metavar="CAMERA", help="Which cameras; all when none is named."
    ),
    by: str = typer.Option("camera", "--by", help="camera, unit, firmware, mount or card."),
    measurand: list[str] = typer.Option(
        None, "--measurand", metavar="ID", help="Only this figure (may be repeated)."
    ),
    over_time: bool = typer.Option(
        False, "--over-time", help="Trend of every unit, and spread between units of a camera."
    ),
    everything: bool = typer.Option(
        False, "--all", help="Print all of many cameras, not the ones that matter most."
    ),
    out: Path | None = typer.Option(None, "--out", metavar="FILE.html", help="Write a page."),
    bench: BenchDir = None,
    as_json: AsJson = False,
) -> None:
    """Set cameras side by side, like with like.

    Only figures taken under like conditions are compared; differences carry their 95 %
    interval, and many comparisons at once are corrected for (Holm). Cameras that the bench
    cannot tell apart are said so: that is not the same as being equal. Of more than twelve
    cameras those are printed that are most often among the best; name others to see them.
    """
    from seeworthy.cli import words
    from seeworthy.ground.errors import WrongCall
    from seeworthy.judge.compare.comparison import BYS, compare_bench, what_matters
    from seeworthy.judge.purpose.own import asked_for

    if by not in BYS:
        raise WrongCall(f"--by cannot be '{by}'.", f"It is one of {', '.join(BYS)}.")
    if over_time:
        _over_time(cameras or (), bench, as_json)
        return
    chosen: Any = by
    with opened(bench) as place:
        say_stale(place)
        found = compare_bench(place, by=chosen, cameras=cameras or (), measurands=measurand or ())
        asked = asked_for(place) if not measurand else set(measurand)
    if as_json:
        words.show_json(found.to_json())
        return
    if out is not None:
        from seeworthy.publish.judgement import compare_page

        words.write_page(out, compare_page(found if everything else what_matters(found)))
        return
    shown = found if everything else what_matters(found, asked=asked)
    first = [r for r in shown.rows if r.measurand.id in asked] if not everything else []
    _show(shown, first or list(shown.rows))
    rest = len(shown.rows) - len(first or shown.rows)
    if rest:
        typer.echo(f"{rest} more figures, which no purpose and no claim asks for: --all.")
    if len(shown.subjects) < len(found.subjects):
        typer.echo("Name the cameras to see others, or see everything: --all (or --json).")
    next_step("which one for a flight: seeworthy suit kite-picture ('seeworthy suit' lists them)")


def _show(found: Comparison, rows: Sequence[Row]) -> None:
    if len(found.subjects) <= _MOST_COLUMNS:
        table([_cells(row, found.subjects) for row in rows], ("Figure", *found.subjects, "Best"))
    else:
        for row in rows:
            _show_row(row)
    for note in found.apart[:_MOST_NOTES]:
        typer.echo(f"Mind: {note}")
    if len(found.apart) > _MOST_NOTES:
        typer.echo(f"Mind: {len(found.apart) - _MOST_NOTES} more notes (see --json).")


def _cells(row: Row, subjects: Sequence[str]) -> tuple[str, ...]:
    """Return a row of the table: what, a value for each subject, and who is best."""
    from seeworthy.ground.digits import said

    unit = row.measurand.unit
    shown = {v.subject: said(v.value, *v.interval, unit, v.u) for v in row.values}
    best = ", ".join(row.best)
    if len(row.best) in (0, len(row.values)):
        best = "" if row.measurand.better == "none" else "cannot be told apart"
    where = f" ({row.like})" if str(row.like) else ""
    cells = (shown.get(name, "not tested") for name in subjects)
    return (f"{row.measurand.title}{where}", *cells, best)


def _show_row(row: Row) -> None:
    from seeworthy.ground.digits import interval_text, said

    where = f" ({row.like})" if str(row.like) else ""
    typer.echo(f"{row.measurand.title}{where}")
    width = max(len(v.subject) for v in row.values)
    for value, takes in zip(row.values, row.takes, strict=True):
        mark = "best" if value.subject in row.best and len(row.best) == 1 else ""
        count = f"{takes} take{'s' if takes > 1 else ''}"
        unit = row.measurand.unit
        shown = said(value.value, *value.interval, unit, value.u)
        ends = interval_text(*value.interval, value.u, unit)
        typer.echo(f"  {value.subject:<{width}}  {shown}  (95 %: {ends}, {count})  {mark}".rstrip())
    for group in row.groups:
        if len(group) > 1:
            typer.echo(f"  cannot be told apart: {', '.join(group)}")


def _over_time(cameras: Sequence[str], bench: BenchDir, as_json: bool) -> None:
    from seeworthy.cli import words
    from seeworthy.ground.digits import expanded, interval_text, number, said, with_unit
    from seeworthy.ground.measurands import measurand
    from seeworthy.judge.compare.history import lasting

    with opened(bench) as place:
        found = lasting(place, cameras)
    if as_json:
        words.show_json(found.to_json())
        return
    for unit, name, like, t in found.trends:
        entry = measurand(name)
        where = f" ({like})" if like else ""
        typer.echo(
            f"{unit}, {entry.title}{where}: {said(t.slope, *t.interval, entry.unit, t.u)} a year "
            f"(95 %: {interval_text(*t.interval, t.u, entry.unit)}, {t.takes} takes over "
            f"{t.days} days), {t.word}"
        )
    for camera, name, like, s in found.spreads:
        entry = measurand(name)
        where = f" ({like})" if like else ""
        between = with_unit(number(s.between, expanded(s.u)), entry.unit)
        told = f"{between} between units" if s.differ else "units agree"
        typer.echo(
            f"{camera}, {entry.title}{where}: {told} "
            f"({s.units} units, p = {s.p_corrected:.2g} by Holm)"
        )
    if not found.trends and not found.spreads:
        typer.echo("A trend needs three takes of a unit on different days, a spread two units.")
