"""One uncertainty for all floors: intervals, draws, chances, and every way out of a bench."""

from __future__ import annotations

import csv
import html
import math
import re
import sqlite3
from pathlib import Path

import numpy as np
import pytest
from alembic import command
from scipy import stats
from sqlalchemy import create_engine, select

import seeworthy
from seeworthy.bench import schema
from seeworthy.bench.cameras import add_camera
from seeworthy.bench.models import ResultRow, TakeRow
from seeworthy.bench.outcomes import list_outcomes, list_results, store_answer
from seeworthy.bench.state import inputs_key, version_now
from seeworthy.bench.store import create_bench, open_bench
from seeworthy.bench.takes import add_take
from seeworthy.ground.measurands import measurand
from seeworthy.ground.results import Outcome, result
from seeworthy.ground.uncertainty import (
    FOUR_APART,
    Uncertain,
    coverage_factor,
    dof_from_interval,
    interval,
    lower,
    of_draws,
    two_sided,
    upper,
)
from seeworthy.judge.compare.comparison import compare_bench
from seeworthy.judge.plan.camera import FlownCamera
from seeworthy.judge.purpose.bench_rank import measure_for
from seeworthy.judge.purpose.model import Limit
from seeworthy.publish.assemble import camera_report
from seeworthy.publish.export import export_bench
from seeworthy.publish.judgement_figures import compare_figure
from seeworthy.publish.numbers import interval_text
from seeworthy.publish.views import chapters
from serving import served

SOURCE = Path(seeworthy.__file__).parent
N = 400_000

# JCGM 100:2008, Table G.2 (p = 95 %).
TABLE_G2 = {1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 10: 2.23, 20: 2.09, 50: 2.01, 100: 1.984}


@pytest.mark.parametrize(("dof", "factor"), TABLE_G2.items())
def test_intervals_are_those_of_the_guide(dof, factor):
    low, high = interval(10.0, 0.5, dof)
    assert (high - low) / 2 / 0.5 == pytest.approx(factor, abs=0.006)
    assert (low + high) / 2 == pytest.approx(10.0)


def test_an_interval_ends_where_the_quantity_does():
    assert interval(0.1, 1.0, least=0.0)[0] == 0.0
    low, high = interval(np.array([0.1, 9.0]), np.array([1.0, 1.0]), least=0.0)
    assert low.tolist() == pytest.approx([0.0, 7.04], abs=0.001)
    assert high.tolist() == pytest.approx([2.06, 10.96], abs=0.001)


def test_one_sided_limits_are_scipys():
    assert upper(3, 2, 5) == pytest.approx(3 + 2 * stats.t.ppf(0.95, 5))
    assert lower(3, 2) == pytest.approx(3 - 2 * stats.norm.ppf(0.95))
    assert two_sided(2.0, 7) == pytest.approx(2 * stats.t.sf(2, 7))
    assert two_sided(np.array([2.0, 1.0]), np.array([7, math.inf])).tolist() == pytest.approx(
        [2 * stats.t.sf(2, 7), 2 * stats.norm.sf(1)]
    )


def test_the_range_of_four_draws():
    drawn = np.random.default_rng(1).standard_normal((N, 4))
    assert np.ptp(drawn, axis=1).mean() == pytest.approx(FOUR_APART, abs=0.006)


@pytest.mark.parametrize("dof", [1, 2, 3.7, 11, math.inf])
def test_draws_and_chances_follow_students_t(dof):
    known = Uncertain(20.0, 1.5, dof)
    drawn = known.draws(np.random.default_rng(3), N)
    shape = stats.norm(20, 1.5) if math.isinf(dof) else stats.t(dof, 20, 1.5)
    assert stats.kstest(drawn, shape.cdf).pvalue > 1e-3
    assert known.chance(most := 18.0, 21.0) == pytest.approx(shape.cdf(21) - shape.cdf(most))
    middle, u, ends = of_draws(drawn)
    assert middle == pytest.approx(20, abs=0.02)
    width = known.interval[1] - known.interval[0]
    assert ends == pytest.approx(known.interval, abs=0.02 * width)
    assert u == pytest.approx(1.5 * stats.t.ppf(stats.norm.cdf(1), dof), rel=0.01)


def test_draws_follow_an_interval_that_is_not_symmetric():
    known = Uncertain(5.0, 1.0, math.inf, (4.5, 9.0))
    drawn = known.draws(np.random.default_rng(3), N)
    assert known.shape == "split t"
    assert np.quantile(drawn, (0.025, 0.5, 0.975)) == pytest.approx([4.5, 5.0, 9.0], abs=0.03)
    assert known.chance(high=9.0) == pytest.approx(0.975)
    assert known.chance(low=4.5) == pytest.approx(0.975)


def test_a_bound_is_drawn_as_a_bound():
    ceiling = Uncertain(4.0, 4 / math.sqrt(12), math.inf, (0.0, 4.0))  # at most 4 ms
    drawn = ceiling.draws(np.random.default_rng(3), N)
    assert drawn.max() <= 4.0
    assert drawn.std() == pytest.approx(ceiling.u, rel=0.01)  # rectangular, JCGM 100, 4.3.7
    assert ceiling.chance(high=4.0) == 1.0
    assert ceiling.chance(high=1.0) == pytest.approx(0.25)
    least = Uncertain(60.0, 0.5, math.inf, (60.0, math.inf))  # ran 60 min and was stopped
    assert np.all(least.draws(np.random.default_rng(3), 100) == 60.0)
    assert least.chance(low=60.0) == 1.0
    assert least.chance(low=60.1) == 0.0


def test_an_exact_figure_is_drawn_exactly():
    assert np.all(Uncertain(7.0, 0.0).draws(np.random.default_rng(1), 9) == 7.0)
    assert Uncertain(7.0, 0.0).chance(7.0, 7.0) == 1.0


@pytest.mark.parametrize("ends", [(1.0, 4.5), (2.9, 3.1), (3.0, math.inf), (2.0, 4.5)])
def test_an_interval_that_was_stated_has_no_degrees_of_freedom(ends):
    assert math.isinf(dof_from_interval(3.0, 0.5, ends))


# Every way out of a bench shows one interval.


KINDS = [
    result("hfov", 62.0, 0.4, n=2, dof=1),
    result("vfov", 38.0, 0.3, n=3, dof=2),
    result("dfov", 71.0, 0.5, dof=math.inf),
    result("run_time", 42.0, 0.8, n=3, dof=2.2, conditions={"temperature": 21.0}),
    result("exposure_time", 4.0, 4 / math.sqrt(12), interval=(0.0, 4.0)),
    result("decentring", 1.1, 0.1, interval=(1.0, 1.3)),
    result("readout_time", 24.0, 0.4, interval=(23.4, 25.9)),
    result("native_width", 1280.0, 0.0),
    result("dynamic_range", 9.0, 0.1, interval=(9.0, math.inf)),
]


def filled(folder):
    bench = create_bench(folder)
    for name in ("Dunlin", "Knot"):
        add_camera(bench, name)
        add_take(bench, "body", name, readings={"mass": ["17.4 g ± 0.1 g"]})
        with bench.changing() as session:
            row = session.scalars(select(TakeRow).order_by(TakeRow.id.desc())).first()
            version = version_now("body")
            store_answer(
                bench, session, row, Outcome(tuple(KINDS)), [], key=inputs_key(row, version),
                version=version,
            )  # fmt: skip
    return bench


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    with filled(tmp_path_factory.mktemp("one") / "bench") as made:
        yield made


def by_name(results):
    return {r.measurand: r for r in results}


def test_a_stored_result_is_the_one_that_was_measured(bench):
    kept = by_name(s.result for s in list_results(bench, camera="Dunlin"))
    for one in KINDS:
        assert kept[one.measurand].interval == one.interval
        assert kept[one.measurand].dof == one.dof


def test_json_has_the_interval_and_its_degrees_of_freedom():
    said = {r.measurand: r.to_json() for r in KINDS}
    assert said["hfov"]["dof"] == 1
    assert said["dfov"]["dof"] is None  # infinite: JSON has no word for it
    assert said["vfov"]["interval"] == pytest.approx(
        [38 - 0.3 * stats.t.ppf(0.975, 2), 38 + 0.3 * stats.t.ppf(0.975, 2)]
    )
    assert said["dynamic_range"]["interval"] == [9.0, None]


def test_report_and_page_print_that_interval(bench):
    words = {r.measurand: interval_text(*r.interval, r.u, r.unit) for r in KINDS}
    report = camera_report(bench, "Dunlin")
    rows = [row for chapter in chapters(report) for take in chapter.takes for row in take.rows]
    assert [row.interval for row in rows] == list(words.values())
    assert [by_name(report.takes[0].outcome.results)[r.measurand].dof for r in KINDS] == [
        r.dof for r in KINDS
    ]
    for client in served(bench.folder):
        page = plain(client.get("/takes/1").text)
        compared = plain(client.get("/compare?by=camera&camera=Dunlin&camera=Knot").text)
    for text in words.values():
        assert text in page
        assert text in compared


def plain(page):
    return html.unescape(re.sub(r"<[^>]+>", "", page)).replace("\u00a0", " ")


def test_the_table_of_the_export_holds_that_interval(bench, tmp_path):
    target = export_bench(bench, tmp_path / "data")
    with (target / "results.csv").open(newline="", encoding="utf-8") as handle:
        rows = {r["measurand"]: r for r in csv.DictReader(handle) if r["camera"] == "Dunlin"}
    for one in KINDS:
        row = rows[one.measurand]
        assert (float(row["low"]), float(row["high"])) == one.interval
        assert float(row["dof"]) == one.dof


def test_compare_and_its_figure_show_that_interval(bench):
    found = compare_bench(bench)
    told = {row["measurand"]: row["values"][0] for row in found.to_json()["rows"]}
    drawn = {row.measurand.id: compare_figure(row).columns for row in found.rows}
    for one in KINDS:
        ends = tuple(math.inf if end is None else end for end in told[one.measurand]["interval"])
        assert ends == one.interval
        assert (drawn[one.measurand]["low"][0], drawn[one.measurand]["high"][0]) == one.interval


def test_plan_and_suit_draw_from_that_interval(bench):
    kept = [s.result for s in list_results(bench, camera="Dunlin")]
    camera = FlownCamera("Dunlin", {r.measurand: [r] for r in kept}, draws=N)
    for one in kept:
        if one.uncertain.shape == "rectangular" or math.isinf(one.interval[1]):
            continue
        room = 0.03 * (one.interval[1] - one.interval[0]) + 1e-12
        ends = np.quantile(camera.draw(one), (0.025, 0.975))
        assert ends == pytest.approx(one.interval, abs=room), one.measurand
        limit = Limit(measurand(one.measurand), 0.0, None, "")
        found = measure_for(limit, kept)
        assert found.interval == one.interval
        assert np.quantile(
            found.draws(np.random.default_rng(5), N), (0.025, 0.975)
        ) == pytest.approx(one.interval, abs=room)


def test_the_page_of_outcomes_keeps_degrees_of_freedom(bench):
    assert by_name(list_outcomes(bench)[0].results)["hfov"].dof == 1


def as_of_revision_2(database):
    """Give a bench the form that revision 0002 wrote, with all of its rows."""
    newer = database.with_suffix(".newer")
    database.rename(newer)
    engine = create_engine(f"sqlite:///{database}")
    with engine.begin() as connection:
        config = schema._config()
        config.attributes["connection"] = connection
        command.upgrade(config, "0002")
    engine.dispose()
    with sqlite3.connect(database) as old:
        old.execute("ATTACH ? AS newer", (str(newer),))
        query = "SELECT name FROM main.sqlite_master WHERE type = 'table' AND name != ?"
        for (table,) in old.execute(query, ("alembic_version",)).fetchall():
            columns = old.execute(f"PRAGMA main.table_info('{table}')").fetchall()
            names = ", ".join(f'"{c[1]}"' for c in columns)
            old.execute(f"INSERT INTO main.{table} ({names}) SELECT {names} FROM newer.{table}")
        old.execute("DELETE FROM main.about WHERE name = 'id'")  # came with a later revision
    old.close()
    newer.unlink()


def test_a_bench_of_the_version_before_opens_with_a_backup_and_the_same_values(tmp_path):
    folder = tmp_path / "old"
    bench = filled(folder)
    before = [(s.result.measurand, s.result.value, s.result.u, s.result.interval)
              for s in list_results(bench)]  # fmt: skip
    bench.close()
    as_of_revision_2(folder / "bench.sqlite")
    with open_bench(folder) as again:
        found = list_results(again)
        assert [
            (s.result.measurand, s.result.value, s.result.u, s.result.interval) for s in found
        ] == before
        for one, was in zip(found, KINDS * 2, strict=True):
            assert one.result.dof == pytest.approx(was.dof, rel=1e-6), one.result.measurand
    assert list(folder.glob("bench.sqlite.0002-*"))


def test_a_column_of_the_store_cannot_be_empty():
    assert not ResultRow.__table__.c.dof.nullable


# What must not come back.

_BY_HAND = re.compile(
    r"(?<![\d.])(1\.9[56]\d*|2\.06|1\.64[45]\d*|2\.576)(?![\d])"
    r"|\bndtri\b|\bstdtrit\b|norm\.(ppf|isf)|\bt\.(ppf|isf)|NormalDist|inv_cdf"
)


def quantiles_in(text):
    code = [re.sub(r"(^|\s)#.*", "", line) for line in text.splitlines()]
    return [line.strip() for line in code if _BY_HAND.search(line)]


def test_no_quantile_outside_the_ground():
    found = {
        str(path.relative_to(SOURCE)): hits
        for path in SOURCE.rglob("*.py")
        if path.relative_to(SOURCE).parts[0] != "ground"
        for hits in [quantiles_in(path.read_text(encoding="utf-8"))]
        if hits
    }
    assert found == {}


def test_the_rule_sees_a_quantile():
    assert quantiles_in("half = 1.96 * u")
    assert quantiles_in("x = special.stdtrit(dof, 0.975)")
    assert not quantiles_in("version 11.96, 0.1960")
    assert coverage_factor() == pytest.approx(1.96, abs=1e-4)
