"""Judgement on a real bench: compare, suit, plan and export through store and command line."""

from __future__ import annotations

import csv
import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from seeworthy.bench.cameras import add_camera
from seeworthy.bench.claims import set_claim
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import create_bench, open_bench
from seeworthy.bench.takes import add_take
from seeworthy.cli import main
from seeworthy.ground.errors import CannotMeasure, Conflict, NotFound
from seeworthy.judge.compare.comparison import compare_bench
from seeworthy.judge.plan.bench_plan import load_flight, plan_flight
from seeworthy.judge.purpose.bench_rank import suit
from seeworthy.publish.export import export_bench


def tape(width, distance):
    return {"width": [f"{width} m ± 2 mm"], "distance": [f"{distance} m ± 2 mm"]}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench") / "marram"
    bench = create_bench(folder)
    add_camera(bench, "Dunlin")
    add_camera(bench, "Turnstone", note="=HYPERLINK(1)")
    set_claim(bench, "Dunlin", "hfov", "120 deg")
    add_take(bench, "view", "Dunlin", readings=tape(1.40, 1.47))
    add_take(bench, "view", "Turnstone", readings=tape(1.00, 1.47))
    add_take(bench, "body", "Dunlin", readings={"mass": ["17.2 g ± 0.1 g"]})
    add_take(bench, "body", "Turnstone", readings={"mass": ["71 g ± 0.5 g"]})
    with ThreadPoolExecutor(1) as pool:
        run_bench(bench, executor=pool)
    bench.close()
    return folder


@pytest.fixture
def bench(folder):
    with open_bench(folder, read_only=True) as opened:
        yield opened


def run(capsys, *words):
    code = main.run(list(words))
    out, err = capsys.readouterr()
    return code, out, err


def test_cameras_of_a_bench_are_compared(bench):
    found = compare_bench(bench)
    rows = {r.measurand.id: r for r in found.rows}
    assert rows["mass"].best == ("Dunlin",)
    assert [v.subject for v in rows["hfov"].values] == ["Turnstone", "Dunlin"]
    assert rows["hfov"].pairs[0].apart


def test_one_camera_alone_is_no_comparison(bench):
    with pytest.raises(CannotMeasure, match="needs two"):
        compare_bench(bench, cameras=["Dunlin"])
    with pytest.raises(NotFound):
        compare_bench(bench, cameras=["Whimbrel"])


def test_a_broken_limit_puts_a_camera_last(bench):
    found = suit(bench, "bungee-glider")  # at most 60 g
    assert [c.camera for c in found.cameras] == ["Dunlin", "Turnstone"]
    assert found.cameras[1].grade == "does not fit"
    assert found.cameras[0].grade == "not known"  # nobody tested its running time
    assert found.next_tests


def test_a_plan_uses_the_measured_angle(bench, tmp_path):
    path = tmp_path / "flight.toml"
    path.write_text('[motion]\ndistance = "60 m ± 0 m"\n[recording]\nduration = "20 min"\n')
    plans = {p.camera: p for p in plan_flight(bench, load_flight(path))}
    width = {p.name: p for p in plans["Dunlin"].predictions}["ground_width"]
    # The rays meet 5 mm behind the front of the lens, where the tape starts.
    assert width.value == pytest.approx(60 * 1.40 / 1.475, rel=2e-3)
    assert plans["Dunlin"].verdict == "not known"
    assert any("safety" in c for c in plans["Dunlin"].cautions)


def test_the_data_package_says_what_every_column_is(bench, tmp_path):
    target = export_bench(bench, tmp_path / "data")
    package = json.loads((target / "datapackage.json").read_text())
    assert package["profile"] == "data-package"
    tables = [r for r in package["resources"] if r.get("type") != "file"]
    assert len(tables) == 13
    for resource in tables:
        # Table Schema (Frictionless, Data Package v1): every field has name and type.
        with (target / resource["path"]).open(newline="", encoding="utf-8") as handle:
            rows = list(csv.reader(handle))
        fields = resource["schema"]["fields"]
        assert rows[0] == [f["name"] for f in fields]
        assert all(f["type"] and f["description"] for f in fields)
        assert all(len(row) == len(fields) for row in rows)
    with (target / "results.csv").open(newline="", encoding="utf-8") as handle:
        found = {(r["camera"], r["measurand"]): r for r in csv.DictReader(handle)}
    mass = found["Dunlin", "mass"]
    assert float(mass["value"]) == pytest.approx(17.2)
    assert float(mass["u"]) == pytest.approx(0.1)
    assert float(mass["low"]) < 17.2 < float(mass["high"])


def test_a_spreadsheet_does_not_run_what_somebody_typed(bench, tmp_path):
    target = export_bench(bench, tmp_path / "data")
    text = (target / "cameras.csv").read_text(encoding="utf-8")
    assert "'=HYPERLINK" in text


def test_an_export_does_not_overwrite_other_things(bench, tmp_path):
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "dear.txt").write_text("dear")
    with pytest.raises(Conflict, match="something else"):
        export_bench(bench, tmp_path / "letters")
    again = export_bench(bench, tmp_path / "data")
    assert export_bench(bench, again) == again


@pytest.mark.parametrize(
    "words",
    [
        ("compare", "--json"),
        ("suit", "kite-picture", "--json"),
        ("compare",),
        ("suit", "kite-picture"),
    ],
)
def test_commands_answer(capsys, folder, words):
    code, out, err = run(capsys, *words, "--bench", str(folder))
    assert code == 0, err
    assert "Dunlin" in out
    if "--json" in words:
        assert json.loads(out)


def test_plan_command(capsys, folder, tmp_path):
    path = tmp_path / "flight.toml"
    path.write_text('title = "North dunes"\n[motion]\ndistance = "60 m"\n')
    code, out, _ = run(capsys, "plan", str(path), "--bench", str(folder))
    assert code == 0
    assert "North dunes" in out
    assert "never about the safety" in out
    code, out, _ = run(capsys, "plan", str(path), "--bench", str(folder), "--json")
    assert {p["camera"] for p in json.loads(out)} == {"Dunlin", "Turnstone"}


def test_commands_refuse_in_words(capsys, folder, tmp_path):
    assert run(capsys, "suit", "submarine", "--bench", str(folder))[0] == 2
    assert run(capsys, "compare", "--by", "colour", "--bench", str(folder))[0] == 2
    assert run(capsys, "plan", str(tmp_path / "no.toml"), "--bench", str(folder))[0] == 2
    code, _, err = run(capsys, "compare", "Dunlin", "--bench", str(folder))
    assert code == 3
    assert "needs two" in err


def test_purposes_are_listed_and_shown(capsys):
    code, out, _ = run(capsys, "suit")
    assert code == 0
    assert "kite-picture" in out
    code, out, _ = run(capsys, "suit", "kite-picture", "--show")
    assert code == 0
    assert "[[wish]]" in out


def test_a_log_is_a_plan(capsys, folder):
    log = Path(__file__).parent / "published" / "flightlogs" / "ndrt2020_accel_altitude.csv"
    code, out, err = run(
        capsys,
        "plan",
        "--from-log",
        str(log),
        "--bench",
        str(folder),
        "--camera",
        "Dunlin",
        "--json",
    )
    assert code == 0, err
    (plan,) = json.loads(out)
    found = {p["name"]: p for p in plan["predictions"]}
    widths = {n: p["value"] for n, p in found.items() if n.startswith("ground_width@")}
    # NDRT 2020 log (RocketPy repository, MIT): apogee about 1317 m; 1.40 m wide at 1.47 m.
    assert max(widths.values()) == pytest.approx(1317 * 1.40 / 1.47, rel=0.1)
    assert len(widths) >= 4
    assert found["load_margin"]["missing"]
    assert run(capsys, "plan", "--bench", str(folder))[0] == 2
