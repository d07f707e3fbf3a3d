"""What is read as columns is what is read as objects, and fewer of it where less is asked for."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest

from seeworthy.bench.cameras import add_camera, add_unit, takes_per_camera
from seeworthy.bench.outcomes import list_results
from seeworthy.bench.running import run_bench
from seeworthy.bench.takes import add_take, edit_take, list_lines, list_takes
from seeworthy.ground.errors import NotFound
from seeworthy.judge.glance import air
from seeworthy.judge.purpose.library import shipped
from seeworthy.judge.purpose.rank import DRAWS, draws_for, rank


@pytest.fixture
def bench(empty_bench, tmp_path):
    add_camera(empty_bench, "Dunlin")
    add_unit(empty_bench, "Dunlin", "B")
    add_camera(empty_bench, "Turnstone")
    mass = {"mass": ["17.2 g ± 0.1 g"], "length": ["48 mm ± 0.5 mm"]}
    wide = {"width": ["1.40 m ± 2 mm"], "distance": ["1.47 m ± 2 mm"]}
    add_take(empty_bench, "body", "Dunlin", unit="1", readings=mass)
    add_take(empty_bench, "view", "Dunlin", unit="B", readings=wide)
    add_take(empty_bench, "body", "Turnstone", readings=mass)
    with ThreadPoolExecutor(1) as pool:
        run_bench(empty_bench, executor=pool)
    edit_take(empty_bench, 3, readings={"mass": ["71 g ± 0.5 g"]})
    add_take(empty_bench, "body", "Turnstone", readings=mass)
    return empty_bench


def told(takes):
    return [(t.id, t.procedure, t.camera, t.unit, t.taken, t.state) for t in takes]


def test_lines_say_what_takes_say(bench):
    takes, lines = list_takes(bench), list_lines(bench)
    assert [t.state for t in takes] == ["measured", "measured", "stale", "new"]
    assert told(takes) == told(lines)
    assert [tuple(f.name for f in t.files) for t in takes] == [line.files for line in lines]
    for chosen in ({"camera": "turnstone"}, {"procedure": "body"}, {"camera": "Dunlin"}):
        assert told(list_lines(bench, **chosen)) == told(list_takes(bench, **chosen))
    assert [t.id for t in list_takes(bench, numbers=[4, 2])] == [2, 4]
    with pytest.raises(NotFound):
        list_lines(bench, camera="Knot")


def test_files_of_a_line_keep_their_order(bench, tmp_path):
    for name in ("b.csv", "a.csv"):
        (tmp_path / name).write_text("t,h\n0,1\n")
    clips = {"": [tmp_path / "b.csv"]}
    number = add_take(bench, "load", "Turnstone", clips).id
    assert list_lines(bench)[-1].files == ("b.csv",)
    assert list_lines(bench)[-1].id == number


def test_results_of_tests_are_all_that_these_tests_gave(bench):
    everything = list_results(bench)
    some = list_results(bench, of_tests_for=["length"])
    assert some == [r for r in everything if r.procedure == "body"]
    assert {r.result.measurand for r in some} == {"mass", "length"}
    assert {r.procedure for r in everything} == {"body", "view"}
    assert list_results(bench, of_tests_for=[]) == []


def test_draws_are_whole_for_a_bench_and_fewer_for_hundreds():
    assert draws_for(1) == draws_for(64) == DRAWS
    assert draws_for(128) == DRAWS // 2
    assert draws_for(5000) == 2000


def test_a_ranking_says_how_many_draws_it_rests_on_where_they_are_fewer():
    purpose = shipped()["kite-picture"]
    some = rank(purpose, {"Dunlin": {}, "Knot": {}}, draws=2000)
    # sqrt(0.5 * 0.5 / 2000) = 1.118 %, times 1.96: by hand, binomial.
    assert "drawn 2,000 times, not 10,000" in some.said[-1]
    assert "within 2.2 points" in some.said[-1]
    assert rank(purpose, {"Dunlin": {}, "Knot": {}}).said == ()


def test_a_camera_is_set_against_those_with_most_takes(bench, monkeypatch):
    add_camera(bench, "Knot")
    assert takes_per_camera(bench) == {"Dunlin": 2, "Turnstone": 2}
    assert air._others(bench, "Dunlin") == ["Knot", "Turnstone"]
    monkeypatch.setattr(air, "_MOST_OTHERS", 1)
    assert air._others(bench, "Dunlin") == ["Turnstone"]
    told = [figure.against for figure in air.air_figures(bench, "Dunlin")]
    assert all(t.startswith("of the 1 other cameras with most takes: ") for t in told)
    monkeypatch.undo()
    assert not any("most takes" in f.against for f in air.air_figures(bench, "Dunlin"))
