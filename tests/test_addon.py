"""One folder of a third party brings everything: no other file of ours knows of it."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pytest

from seeworthy.cli.main import run as seeworthy
from seeworthy.ground.measurands import measurand
from seeworthy.ground.results import result
from seeworthy.judge.compare.like import sort_alike
from seeworthy.procedures import all_procedures, finding, forget, left_out
from seeworthy.procedures.studies import find_studies
from serving import served

PLACE = Path(__file__).parent / "addon_wading"
PURPOSE = """
title = "Tidal pool watch"
about = "A camera on a rod among the rocks."

[[limit]]
measurand = "wade_depth"
least = "10 cm"
why = "The pool is that deep."
"""


@pytest.fixture
def wading(monkeypatch):
    path = os.pathsep.join(filter(None, [str(PLACE), os.environ.get("PYTHONPATH", "")]))
    monkeypatch.setenv("PYTHONPATH", path)
    monkeypatch.syspath_prepend(str(PLACE))
    forget()
    yield all_procedures()["wading"]
    forget()
    for name in [m for m in sys.modules if m.partition(".")[0] == "wading"]:
        del sys.modules[name]


@pytest.fixture
def bench(wading, empty_bench, monkeypatch):
    monkeypatch.chdir(empty_bench.folder)
    for name, first in (("Dunlin", 14), ("Knot", 22)):
        assert seeworthy(["camera", "add", name]) == 0
        dips = [f"depth={first + step / 10} cm" for step in (0, 2, 3)]
        readings = [word for dip in dips for word in ("--reading", dip)]
        words = ["take", "add", "wading", name, *readings, "--reading", "splashes=6"]
        assert seeworthy(words) == 0
    assert seeworthy(["run"]) == 0
    return empty_bench


def said(capsys, *words):
    capsys.readouterr()
    code = seeworthy(list(words))
    out, err = capsys.readouterr()
    return code, out, err


def test_it_stands_where_it_asks_to(wading):
    order = list(all_procedures())
    assert order[order.index("native") + 1] == "wading"
    assert measurand("wade_depth").procedure == "wading"


def test_what_raises_is_named_and_stops_nothing(wading, capsys):
    lost = {one.name: one.why for one in left_out()}
    assert "RuntimeError" in lost["sunken"]
    assert "boom at import" in lost["sunken"]
    assert "SystemExit" in lost["drifted"]
    assert "not a procedure" in lost["stray"]
    code, out, err = said(capsys, "procedures")
    assert code == 0
    assert "How deep may the camera stand" in out
    assert "'sunken' (wading.sunken:PROCEDURE) is left out" in err


def test_its_claim_is_entered_and_judged(bench, capsys):
    assert said(capsys, "camera", "claim", "Dunlin", "wade_depth", "8 in")[0] == 0
    code, out, _ = said(capsys, "claims", "Dunlin", "--json")
    assert code == 0
    assert "wade_depth" in out
    assert "Less than claimed" in out
    assert said(capsys, "camera", "claim", "Dunlin", "sealed", "yes")[0] == 0
    code, _, err = said(capsys, "camera", "claim", "Dunlin", "paddle", "8 in")
    assert code == 2
    assert "wade_depth" in err


def test_an_own_purpose_names_it(bench, capsys):
    folder = Path("purposes")
    folder.mkdir(exist_ok=True)
    (folder / "tidal.toml").write_text(PURPOSE, encoding="utf-8")
    code, out, err = said(capsys, "suit", "tidal", "--json")
    assert code == 0, err
    assert [c["camera"] for c in json.loads(out)["cameras"]]


def test_it_is_compared(bench, capsys):
    code, out, err = said(capsys, "compare", "--measurand", "wade_depth", "--json")
    assert code == 0, err
    assert "wade_depth" in out
    assert "frame_rate" not in out


def test_the_commands_come_first_in_their_process(bench, tmp_path):
    """Nothing may have to be imported before: each command in a new interpreter."""
    import subprocess

    for words in (["camera", "claim", "Knot", "wade_depth", "9 in"],
                  ["compare", "--measurand", "wade_depth"],
                  ["procedures", "--measurands"]):  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-m", "seeworthy.cli.main", *words], capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        assert "'drifted'" in done.stderr


def test_its_study_runs(wading, capsys):
    assert "wading" in find_studies()[0]
    code, out, _ = said(capsys, "selfcheck", "wading", "--repeats", "8", "--json")
    assert code == 0
    assert json.loads(out)["wading"]["summary"][0]["answered"] == 8


def test_its_finding_has_a_unit_and_its_figure_is_reported(bench, capsys, tmp_path):
    assert finding("splash_rate_per_min").unit == "per min"
    page = tmp_path / "out"
    code, _, err = said(capsys, "report", "Dunlin", "--out", str(page))
    assert code == 0, err
    text = next(page.rglob("*.html") if page.is_dir() else iter([page])).read_text("utf-8")
    assert "splash rate (per min)" in text
    assert "lid taped" in text
    assert "Depth dip by dip" in text
    assert "wading depth" in text.casefold()


def test_its_pages_show_its_drawing(bench, capsys):
    for client in served(bench.folder):
        for address in ("/procedures", "/procedures/wading"):
            assert "A rod in a rock pool" in client.get(address).text
        assert "boom at import" in client.get("/procedures").text
        assert "splash rate (per min)" in client.get("/takes/1").text


def test_it_feels_what_it_says(wading):
    warm, cold = (
        result("wade_depth", 9, 1, conditions={"temperature": t, "light": 10.0 * t})
        for t in (20.0, 4.0)
    )
    assert len(sort_alike([warm, cold])) == 2
    alike = (
        result("wade_depth", 9, 1, conditions={"temperature": 20.0, "light": lx})
        for lx in (10.0, 5000.0)
    )
    assert len(sort_alike(alike)) == 1


def test_the_reference_lists_it(wading):
    sys.path.insert(0, str(Path(__file__).parents[1] / "docs"))
    try:
        from make_reference import procedures_page
    finally:
        sys.path.pop(0)
    text = procedures_page()
    assert text.index("## Wading depth") > text.index("(`native`)")
    assert "| splash_rate_per_min | per min (finding) |" in text
