"""Ask a corpus: by SQL, or one of the ready questions."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

from seeworthy.ground.errors import CannotMeasure, NotFound, WrongCall
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.judge.groups import GroupValue, consensus

MEMORY = "600MB"
"""Of DuckDB, so that a corpus is asked on a machine with 1 GB."""

# Like with like: the conditions that stand in words are the same, and the light is within a
# factor of two of its neighbours (the step in which `compare` sorts light).
_STEP = "round(log2(nullif(light, 0)))"
_LIKE = f"""
    lower(trim(camera)) as model, measurand, unit, coalesce(method, '') as method,
    coalesce(position, '') as position, coalesce(orientation, '') as orientation,
    coalesce(channel, '') as channel, coalesce(phase, '') as phase,
    {_STEP} as light_step
"""
_KEYS = "model, measurand, unit, method, position, orientation, channel, phase, light_step"

QUESTIONS = {
    "figures": f"""
        with per_bench as (
            select {_LIKE}, package, avg(value) as value, count(*) as results,
                   count(distinct unit_id) as units,
                   sqrt(avg(u * u)) as u
            from results where not stale group by all)
        select {_KEYS}, count(*) as benches, sum(results)::bigint as results,
               sum(units)::bigint as units, avg(value) as mean,
               stddev_samp(value) as spread_between_benches, sqrt(avg(u * u)) as u_typical,
               min(value) as lowest, max(value) as highest
        from per_bench group by all order by measurand, model, benches desc
    """,
    "claims": """
        with measured as (
            select lower(trim(camera)) as model, measurand, package, avg(value) as value,
                   min(low) as low, max(high) as high
            from results where not stale group by all)
        select c.camera, c.subject, c.statement, c.claimed, c.unit, c.benches_that_noted_it,
               count(m.package) as benches_that_measured, avg(m.value) as mean,
               avg((c.claimed between m.low and m.high)::int) as share_in_whose_interval
        from (select min(camera_name) as camera, lower(trim(camera_name)) as model, subject,
                     trim(text) as statement, value as claimed, unit,
                     count(distinct package) as benches_that_noted_it
              from claims where not silent
              group by lower(trim(camera_name)), subject, trim(text), value, unit) c
        left join measured m on m.model = c.model and m.measurand = c.subject
        group by all
        order by c.camera, c.subject, c.statement
    """,
    "benches": """
        select p.title, p.licence, p.created, count(r.id) as results,
               count(distinct r.camera_id) as cameras, p.package
        from packages p left join results r using (package) group by all order by results desc
    """,
}
"""The ready questions that are one query."""


@dataclass(frozen=True, slots=True)
class CorpusTable:
    """An answer: heads and rows."""

    heads: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]


@contextmanager
def connect(folder: Path | None = None, *, temp: Path | None = None) -> Iterator[Any]:
    """Open DuckDB with the tables of a corpus as views, within our memory."""
    import duckdb

    options: dict[str, Any] = {"memory_limit": MEMORY, "threads": 2}
    if temp is not None:
        options["temp_directory"] = str(temp)
    db = duckdb.connect(":memory:", config=options)
    try:
        if folder is not None:
            for name in ("results", "claims", "packages"):
                place = str(folder / f"{name}.parquet").replace("'", "''")
                db.execute(f"create view {name} as select * from read_parquet('{place}')")
        yield db
    finally:
        db.close()


def ask(folder: str | Path, question: str = "", *, sql: str = "") -> CorpusTable:
    """Ask a corpus.

    Args:
        folder: Of `seeworthy.publish.pool.pool`.
        question: One of `QUESTIONS`.
        sql: Instead: a query over ``results``, ``claims`` and ``packages``.

    Raises:
        NotFound: No corpus there.
        WrongCall: No such question, or the query is none.
    """
    place = corpus_in(folder)
    if not sql and question not in QUESTIONS:
        raise WrongCall(
            f"There is no question '{question}'.", f"There are: {', '.join(QUESTIONS)}, prior."
        )
    import duckdb

    with connect(place) as db:
        try:
            found = db.execute(sql or QUESTIONS[question])
            heads = tuple(d[0] for d in found.description or ())
            return CorpusTable(heads, tuple(found.fetchall()))
        except duckdb.Error as error:
            raise WrongCall(
                f"The query cannot be answered: {str(error).splitlines()[0][:200]}",
                "The tables are results, claims and packages; DESCRIBE results lists columns.",
            ) from None


def corpus_in(folder: str | Path) -> Path:
    """Return the folder of a corpus.

    Raises:
        NotFound
    """
    place = Path(folder)
    if not (place / "results.parquet").is_file():
        raise NotFound(f"'{folder}' is no corpus.", "Make one: 'seeworthy pool SOURCE --into DIR'.")
    return place


@dataclass(frozen=True, slots=True)
class Prior:
    """What to expect of a new unit of a known model, before it is measured.

    Attributes:
        value, u: Centre, and standard deviation of one more unit's true value.
        interval: 95 %, Student's t with the number of benches less one.
        spread: Between benches (units and methods together), beyond their uncertainties.
    """

    camera: str
    measurand: str
    unit: str
    value: float
    u: float
    interval: tuple[float, float]
    benches: int
    units: int
    results: int
    spread: float


def prior(folder: str | Path, camera: str, measurand: str, *, where: Sequence[str] = ()) -> Prior:
    """Say what to expect of a new unit of a model, from all benches that measured one.

    The scatter between benches holds that between units: a bench has mostly one. A new unit
    scatters by it around a mean that is itself uncertain (a prediction, not a confidence).

    Args:
        camera, measurand: Name of the model, upper and lower case alike; id of the quantity.
        where: Conditions that must hold, ``position=centre``.

    Raises:
        NotFound: Nobody measured it.
        CannotMeasure: One bench alone says nothing about scatter; or the results are under several
            conditions.
    """
    place = corpus_in(folder)
    more, values = "", [camera.strip().casefold(), measurand]
    for text in where:
        name, mark, value = text.partition("=")
        if not mark or name not in ("method", "position", "orientation", "channel", "phase"):
            raise WrongCall(f"'{text}' is no condition.", "Write position=centre or the like.")
        more += f" and coalesce({name}, '') = ?"
        values.append(value)
    with connect(place) as db:
        rows = db.execute(
            _PER_BENCH.format(more=f"and lower(trim(camera)) = ? and measurand = ?{more}"), values
        ).fetchall()
    if not rows:
        raise NotFound(f"No bench of the corpus has '{measurand}' of '{camera}'.", "Ask figures.")
    like = sorted({r[:_ALIKE] for r in rows}, key=str)
    if len(like) > 1:
        said = "; ".join(_conditions(one) for one in like[:6])
        raise CannotMeasure(
            f"'{measurand}' of '{camera}' was measured under several conditions: {said}.",
            "Choose with --where position=centre and the like.",
        )
    return _expected(camera, rows)


_PER_BENCH = f"""
    select {_LIKE}, package, avg(value) as value, sqrt(avg(u * u)) as u, count(*) as results,
           count(distinct unit_id) as units, string_agg(distinct instruments, ' ') as instruments
    from results where not stale and u > 0 {{more}}
    group by all order by {_KEYS}, package
"""
"""Each bench's mean of each figure under like conditions."""
_ALIKE = _KEYS.count(",") + 1  # columns of `_KEYS`, which stand first


def _conditions(like: Sequence[Any]) -> str:
    _model, _measurand, _unit, *words, step = like
    light = "" if step is None else f"{2**step:.3g} lx"
    return " ".join(x for x in (*words, light) if x)


def _expected(camera: str, rows: Sequence[Sequence[Any]]) -> Prior:
    """Predict one more unit from the benches' means of one figure under like conditions."""
    if len(rows) < 2:
        raise CannotMeasure("One bench alone says nothing about scatter.", "Pool another.")
    benches = [r[_ALIKE:] for r in rows]  # package, value, u, results, units, instruments
    mean, u_mean, spread, count = consensus(
        [GroupValue(b[0], b[1], b[2], math.inf, frozenset((b[5] or "").split())) for b in benches]
    )
    if count < 2:
        raise CannotMeasure(
            "All benches used one instrument; they count as one.", "Pool another bench."
        )
    u = math.hypot(spread, u_mean)
    half = coverage_factor(count - 1) * u
    return Prior(
        camera, rows[0][1], rows[0][2], mean, u, (mean - half, mean + half),
        len(rows), sum(b[4] for b in benches), sum(b[3] for b in benches), spread,
    )  # fmt: skip


def priors(folder: str | Path) -> list[dict[str, Any]]:
    """Say what to expect of a new unit of every model, figure by figure, in rows.

    What one bench alone measured is left out.
    """
    with connect(corpus_in(folder)) as db:
        rows = db.execute(_PER_BENCH.format(more="")).fetchall()
    found = []
    for key, group in groupby(rows, key=lambda r: r[:_ALIKE]):
        try:
            one = _expected(key[0], list(group))
        except CannotMeasure:
            continue
        low, high = one.interval
        found.append({
            "model": one.camera, "measurand": one.measurand, "unit": one.unit,
            "conditions": _conditions(key), "value": one.value, "u": one.u, "low": low,
            "high": high, "spread_between_benches": one.spread, "benches": one.benches,
            "units": one.units, "results": one.results,
        })  # fmt: skip
    return found
