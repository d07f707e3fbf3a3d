"""The commands ``report``, ``claims`` and ``demo``."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from seeworthy.bench.cameras import add_camera
from seeworthy.bench.claims import set_claim
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import create_bench
from seeworthy.bench.takes import add_take
from seeworthy.cli.main import run
from seeworthy.demo import bench as demo_bench
from seeworthy.demo.takes import SHELF


@pytest.fixture(scope="module")
def bench(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("cli") / "bench"
    with create_bench(folder) as opened:
        add_camera(opened, "Whimbrel", maker="Tideline")
        set_claim(opened, "Whimbrel", "mass", "15 g", source="box")
        set_claim(opened, "Whimbrel", "hfov", "120 deg")
        add_take(opened, "body", "Whimbrel", readings={"mass": ["17.2 g ± 0.1 g"]})
        add_take(
            opened,
            "view",
            "Whimbrel",
            readings={"width": ["73.7 in ± 0.1 in"], "distance": ["60.0 in ± 0.1 in"]},
        )
        run_bench(opened, workers=1)
    return folder


def said(capsys, *words: str) -> tuple[int, str, str]:
    code = run(list(words))
    out, err = capsys.readouterr()
    return code, out, err


def test_report_writes_one_file_per_camera(bench, capsys):
    code, out, _ = said(capsys, "report", "--bench", str(bench))
    assert code == 0
    path = bench / "exports" / "report-whimbrel.html"
    assert str(path) in out
    text = path.read_text()
    # 2 atan(73.7 / 120) is 63.12 deg; with the entrance pupil 5 mm behind the front, 62.95; a wall
    # 2 deg out of square in root mean square takes off 0.06.
    assert "62.89" in text
    assert "heavier than claimed" in text


def test_report_to_a_file(bench, capsys, tmp_path):
    target = tmp_path / "w.html"
    code, _, _ = said(
        capsys, "report", "whimbrel", "--bench", str(bench), "--out", str(target), "--metric"
    )
    assert code == 0
    assert "\u202foz" not in target.read_text()


@pytest.mark.parametrize(("units", "first"), [((), "oz"), (("--units", "metric"), "g")])
def test_units_that_are_said_stand_before_the_setting(bench, capsys, tmp_path, units, first):
    target = tmp_path / "w.html"
    assert said(capsys, "bench", "units", "us", "--bench", str(bench))[0] == 0
    try:
        code, _, _ = said(
            capsys, *units, "report", "whimbrel", "--bench", str(bench), "--out", str(target)
        )
    finally:
        said(capsys, "bench", "units", "both", "--bench", str(bench))
    assert code == 0
    mass = next(line for line in target.read_text().split("<strong>") if "17.20" in line[:40])
    assert mass.split("</strong>")[0].split("(")[0].strip().endswith(first)


def test_report_json(bench, capsys):
    code, out, _ = said(capsys, "report", "Whimbrel", "--bench", str(bench), "--json")
    found = json.loads(out)
    assert code == 0
    assert found["camera"] == "Whimbrel"
    assert found["verdict"]["failed"] == ["mass", "horizontal angle of view"]
    assert [t["procedure"] for t in found["takes"]] == ["body", "view"]
    code, out, _ = said(capsys, "report", "--bench", str(bench), "--json")
    assert [r["camera"] for r in json.loads(out)] == ["Whimbrel"]


def test_claims_in_words_and_json(bench, capsys):
    code, out, _ = said(capsys, "claims", "--bench", str(bench))
    assert code == 0
    assert "heavier than claimed" in out
    assert "Mass: claimed 15 g, measured 17.20 ± 0.20 g (95 %: 17.00 to 17.40 g)." in out
    code, out, _ = said(capsys, "claims", "Whimbrel", "--bench", str(bench), "--json")
    states = {c["subject"]: c["state"] for c in json.loads(out)["claims"]}
    assert states["mass"] == "more than claimed"
    assert states["hfov"] == "less than claimed"


def test_a_tolerance_changes_the_state(bench, capsys):
    _, out, _ = said(
        capsys, "claims", "Whimbrel", "--bench", str(bench), "--json", "--tolerance", "20 %"
    )
    states = {c["subject"]: c["state"] for c in json.loads(out)["claims"]}
    assert states["mass"] == "confirmed"


@pytest.mark.parametrize(
    ("words", "code", "kind"),
    [
        (("claims", "Knot"), 2, "not-found"),
        (("report", "Knot"), 2, "not-found"),
        (("claims", "Whimbrel", "--tolerance", "-5 %"), 2, "bad-quantity"),
        (("claims", "Whimbrel", "--tolerance", "lots"), 2, "bad-quantity"),
    ],
)
def test_wrong_calls(bench, capsys, words, code, kind):
    found, out, err = said(capsys, *words, "--bench", str(bench), "--json")
    assert found == code
    assert json.loads(out)["error"]["kind"] == kind
    assert err.strip()


def test_no_bench_there(capsys, tmp_path):
    code, out, _ = said(capsys, "report", "--bench", str(tmp_path), "--json")
    assert code == 2
    assert json.loads(out)["error"]["kind"] == "not-found"


def test_demo_says_where_everything_is(capsys, tmp_path, monkeypatch):
    monkeypatch.setattr(demo_bench, "SHELF", {"body": SHELF["body"]})
    place = tmp_path / "demo"
    code, out, _ = said(capsys, "demo", str(place))
    assert code == 0
    for name in ("dunlin", "turnstone", "sanderling"):
        path = place / "exports" / f"report-{name}.html"
        assert path.is_file()
        assert str(path) in out
    assert f"seeworthy serve --bench {place}" in out
    code, out, _ = said(capsys, "demo", str(place), "--json")
    assert code == 0
    assert len(json.loads(out)["reports"]) == 3
