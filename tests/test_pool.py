"""Many packages in one corpus, and questions to it."""

from __future__ import annotations

import http.server
import json
import shutil
import sys
import threading
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pq
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "benchmarks"))

from seeworthy.cli import main
from seeworthy.ground.errors import CannotMeasure, Conflict, NotFound, UnreadableInput, WrongCall
from seeworthy.publish import pool as pooling
from seeworthy.publish.corpus import QUESTIONS, ask, prior
from seeworthy.publish.export import pack
from seeworthy.publish.pool import corpus_schema, pool


@pytest.fixture(scope="module")
def packages(tmp_path_factory):
    """Give a folder of eight benches of 200 results each, as the benchmark writes them."""
    import pool as bench

    place = tmp_path_factory.mktemp("pool") / "packages"
    bench.write(place, 8)
    return place


@pytest.fixture(scope="module")
def corpus(packages, tmp_path_factory):
    return pool([packages], tmp_path_factory.mktemp("pool") / "corpus").folder


def test_the_corpus_has_the_schema_of_the_sheets(corpus):
    for name in ("results", "claims", "packages"):
        assert pq.read_schema(corpus / f"{name}.parquet").equals(corpus_schema(name)), name
    assert pq.read_metadata(corpus / "results.parquet").num_rows == 1600


def test_the_figures_are_those_of_numpy(corpus):
    found = ask(corpus, "figures")
    rows = [dict(zip(found.heads, r, strict=True)) for r in found.rows]
    one = next(r for r in rows if r["model"] == "dunlin" and r["measurand"] == "mass")
    frame = pq.read_table(corpus / "results.parquet").to_pandas()
    mine = frame[(frame.camera == "Dunlin") & (frame.measurand == "mass")]
    per = mine.groupby("package").value.mean()
    assert one["benches"] == len(per) > 1
    assert one["mean"] == pytest.approx(per.mean())
    assert one["spread_between_benches"] == pytest.approx(per.std(ddof=1))


def test_claims_are_kept_per_statement_and_held_against_the_figures(corpus):
    found = ask(corpus, "claims")
    row = next(r for r in found.rows if r[0] == "Dunlin" and r[1] == "mass")
    said = dict(zip(found.heads, row, strict=True))
    assert said["statement"] == "17 g"
    assert said["benches_that_noted_it"] == said["benches_that_measured"] > 1
    assert 0 <= said["share_in_whose_interval"] <= 1


def test_a_prior_predicts_one_more_unit(corpus):
    found = prior(corpus, "dunlin", "mass")
    low, high = found.interval
    assert low < 17 < high
    assert found.u >= found.spread
    with pytest.raises(NotFound):
        prior(corpus, "Gannet", "mass")
    with pytest.raises(WrongCall):
        prior(corpus, "dunlin", "mass", where=["value=1"])


def test_the_benches_stay_apart_though_numbers_and_names_are_the_same(corpus):
    query = "select count(distinct take), count(distinct camera_id) from results"
    assert ask(corpus, sql=query).rows == ((8 * 40, 16),)


@pytest.mark.parametrize("query", ["selct 1", "select nothing from results", "drop table nowhere"])
def test_a_query_that_is_none_is_said(corpus, query):
    with pytest.raises(WrongCall):
        ask(corpus, sql=query)


def test_bad_packages_are_named_and_left_out_whole(packages, tmp_path):
    place = tmp_path / "some"
    shutil.copytree(packages, place)
    bad = sorted(p.parent for p in place.rglob("datapackage.json"))
    twin = bad[0] / "parquet" / "results.parquet"
    twin.write_bytes(twin.read_bytes()[:-100])
    (bad[1] / "datapackage.json").write_text("{")
    _unit(bad[2])
    (place / "no.zip").write_text("no zip")
    made = pool([place], tmp_path / "corpus")
    assert made.packages == 5
    assert [Path(p).name for p, _ in made.refused] == [b.name for b in bad[:3]] + ["no.zip"]
    assert "Seeworthy keeps it in 'g'" in dict(made.refused)[str(bad[2])]
    assert made.results == 1000


def _unit(folder):
    """Let a package give its masses in another unit, everything else in order."""
    import hashlib

    import pyarrow as pa

    path = folder / "parquet" / "results.parquet"
    table = pq.read_table(path)
    units = ["kg" if u == "g" else u for u in table["unit"].to_pylist()]
    place = table.schema.get_field_index("unit")
    pq.write_table(table.set_column(place, "unit", pa.array(units)), path)
    said = json.loads((folder / "datapackage.json").read_text())
    for entry in said["resources"]:
        if entry["path"] == "parquet/results.parquet":
            entry["hash"] = f"sha256:{hashlib.sha256(path.read_bytes()).hexdigest()}"
    (folder / "datapackage.json").write_text(json.dumps(said))


def test_of_a_bench_that_comes_twice_the_newest_counts(packages, tmp_path):
    one = sorted(p.parent for p in packages.rglob("datapackage.json"))[0]
    old = shutil.copytree(one, tmp_path / "old")
    path = old / "datapackage.json"
    path.write_text(path.read_text().replace('"created": "2026', '"created": "2025'))
    made = pool([old, one, old], tmp_path / "corpus")
    assert (made.packages, made.older, made.results, made.claims) == (1, 2, 200, 6)
    found = ask(tmp_path / "corpus", sql="select min(created) from packages").rows
    assert found[0][0].year == 2026


def test_a_corpus_is_replaced_and_nothing_else(packages, tmp_path):
    one = next(packages.rglob("datapackage.json")).parent
    pool([one], tmp_path / "corpus")
    pool([one], tmp_path / "corpus")
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "dear.txt").write_text("dear")
    with pytest.raises(Conflict):
        pool([one], tmp_path / "letters")
    with pytest.raises(NotFound):
        pool([tmp_path / "letters"], tmp_path / "new")
    assert not (tmp_path / "new").exists()
    assert not list(tmp_path.glob(".pool-*"))


def test_processes_read_what_threads_read(packages, corpus, tmp_path, monkeypatch):
    own = tmp_path / "own"
    shutil.copytree(packages, own)
    damaged = sorted(own.rglob("results.parquet"))[5]
    damaged.write_bytes(damaged.read_bytes()[:-9])
    threads = pool([own], tmp_path / "threads")
    monkeypatch.setattr(pooling, "_MANY", 2)
    monkeypatch.setattr(pooling, "_SHARE", 3)
    monkeypatch.setattr(pooling, "_AT_ONCE", 6)
    told: list[tuple[int, int]] = []
    processes = pool([own], tmp_path / "processes", tell=lambda n, of: told.append((n, of)))
    assert told == [(6, 8), (8, 8)]
    assert len(processes.refused) == 1
    assert replace(processes, folder=threads.folder) == threads
    for name in ("results", "claims", "packages"):
        one, other = (
            pq.read_table(p.folder / f"{name}.parquet").sort_by("package")
            for p in (threads, processes)
        )
        assert one.num_rows > 0
        assert one.equals(other)
    assert pq.read_metadata(processes.folder / "results.parquet").num_row_groups == 2


def test_a_package_is_fetched_and_checked(packages, tmp_path):
    import hashlib

    place = tmp_path / "served"
    place.mkdir()
    pack(next(packages.rglob("datapackage.json")).parent, place / "dunes.zip")
    digest = hashlib.sha256((place / "dunes.zip").read_bytes()).hexdigest()
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), _Quiet(place)) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        address = f"http://127.0.0.1:{server.server_port}/dunes.zip"
        made = pool([f"{address}#sha256={digest}"], tmp_path / "corpus")
        assert made.packages == 1
        with pytest.raises(UnreadableInput, match="cannot be fetched"):
            pool([f"{address}#sha256={'0' * 64}"], tmp_path / "other")
        with pytest.raises(WrongCall):
            pool([f"{address}#md5=0"], tmp_path / "other")
        server.shutdown()


def _Quiet(place):
    class Handler(http.server.SimpleHTTPRequestHandler):
        def __init__(self, *args):
            super().__init__(*args, directory=str(place))

        def log_message(self, *args):
            """Say nothing."""

    return Handler


def test_one_bench_says_nothing_about_scatter(packages, tmp_path):
    one = next(packages.rglob("datapackage.json")).parent
    pool([one], tmp_path / "corpus")
    camera = ask(tmp_path / "corpus", sql="select min(camera) from results").rows[0][0]
    with pytest.raises(CannotMeasure, match="One bench alone"):
        prior(tmp_path / "corpus", camera, "mass")


def test_the_commands_answer(packages, corpus, tmp_path, capsys):
    assert main.run(["pool", str(packages), "--into", str(tmp_path / "c"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["results"] == 1600
    for question in QUESTIONS:
        assert main.run(["ask", str(corpus), question]) == 0
    assert main.run(["ask", str(corpus), "prior", "Dunlin", "mass"]) == 0
    assert "A new Dunlin: mass" in capsys.readouterr().out
    assert main.run(["ask", str(tmp_path)]) == 2
    assert main.run(["ask", str(corpus), "riddles"]) == 2
