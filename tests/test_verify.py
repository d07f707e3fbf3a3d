"""A stranger checks a package: what is the same, what was changed, what cannot be computed."""

from __future__ import annotations

import json
import shutil
from concurrent.futures import ThreadPoolExecutor

import pytest

from seeworthy.bench.cameras import add_camera
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import create_bench
from seeworthy.bench.takes import add_take, list_takes
from seeworthy.cli import main
from seeworthy.ground.errors import NotFound, UnreadableInput, WrongCall
from seeworthy.publish.export import export_bench
from seeworthy.publish.verify import verify_package


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Give a package of two takes: one from readings, one from a log."""
    place = tmp_path_factory.mktemp("verify")
    log = place / "runs.csv"
    log.write_text("run,temperature,note\n" + "31 min,20 degC,\n33 min,21 degC,\n" * 4)
    with create_bench(place / "bench") as bench, ThreadPoolExecutor(1) as pool:
        add_camera(bench, "Knot")
        add_take(
            bench,
            "body",
            "Knot",
            readings={"mass": ["17.2 g ± 0.1 g"], "length": ["48.2 mm"]},
            conditions={"temperature": "20 degC"},
        )
        add_take(bench, "battery", "Knot", {"": [log]})
        run_bench(bench, executor=pool)
        assert {t.state for t in list_takes(bench)} == {"measured"}
        return export_bench(bench, place / "whole", with_evidence=True)


@pytest.fixture
def package(made, tmp_path):
    return shutil.copytree(made, tmp_path / "package")


def check(package):
    with ThreadPoolExecutor(1) as pool:
        return verify_package(package, executor=pool)


def change(path, old, new):
    text = path.read_bytes().decode()
    assert old in text
    path.write_bytes(text.replace(old, new, 1).encode())


def test_an_honest_package_is_the_same(package):
    found = check(package)
    assert found.changed == ()
    assert {c.verdict for c in found.checks} == {"same"}
    assert {"mass", "length"} < {c.measurand for c in found.checks}
    assert found.exit_code == 0


def test_a_changed_result_is_named_with_its_en(package):
    # ISO 13528, 9.6: |17.5 - 17.2| / sqrt((2·0.1)² + (2·0.1)²) = 1.0607
    change(package / "results.csv", ",17.2,g,", ",17.3,g,")
    change(package / "results.csv", ",17.3,g,", ",17.35,g,")
    found = check(package)
    (one,) = [c for c in found.checks if c.verdict == "differs"]
    assert (one.measurand, one.camera) == ("mass", "Knot")
    assert one.en == pytest.approx(0.15 / (2 * 0.1 * 2**0.5), rel=1e-6)
    assert any("result Knot mass" in c and "17.35" in c for c in found.changed)
    assert found.exit_code == 1


def test_a_result_changed_together_with_its_twin_and_hashes_is_found_by_computing(package):
    import pyarrow.parquet as pq

    from seeworthy.publish.export import write_table
    from seeworthy.publish.package import Package
    from seeworthy.publish.sheets import sheet

    of = sheet("results")
    with Package(package) as opened:
        rows = opened.table(of)
    for row in rows:
        if row["measurand"] == "mass":
            row["value"] += 0.05
    write_table(package, of, [tuple(row.values()) for row in rows])
    assert pq.read_table(package / "parquet" / "results.parquet").num_rows == len(rows)
    _seal(package)
    found = check(package)
    assert found.changed == ()
    assert [c.measurand for c in found.checks if c.verdict == "differs"] == ["mass"]


def _seal(folder):
    import hashlib

    path = folder / "datapackage.json"
    said = json.loads(path.read_text())
    for entry in said["resources"]:
        data = (folder / entry["path"]).read_bytes()
        entry["hash"] = f"sha256:{hashlib.sha256(data).hexdigest()}"
    path.write_text(json.dumps(said))


def test_a_changed_reading_is_named_and_what_rests_on_it_differs(package):
    change(package / "readings.csv", "17.2 g ± 0.1 g", "17.9 g ± 0.1 g")
    found = check(package)
    assert any(c.startswith("reading 'mass' of take 1 (body) is not what") for c in found.changed)
    assert [c.measurand for c in found.checks if c.verdict == "differs"] == ["mass"]


def test_a_changed_clip_is_named(package):
    (path,) = [p for p in (package / "evidence").glob("*/*") if p.read_bytes().startswith(b"run")]
    change(path, "31 min", "32 min")
    found = check(package)
    assert any("clip 'runs.csv' of take 2 (battery)" in c for c in found.changed)
    assert found.exit_code == 1


def test_missing_evidence_cannot_be_computed_and_is_no_fault(package):
    shutil.rmtree(package / "evidence")
    found = check(package)
    assert found.changed == ()
    assert {c.procedure for c in found.checks if c.verdict == "cannot"} == {"battery"}
    assert {c.procedure for c in found.checks if c.verdict == "same"} == {"body"}
    assert found.exit_code == 3


def test_another_version_of_the_test_is_said(package, tmp_path, capsys, monkeypatch):
    """A newer method cannot be computed here; an older one may differ, and then says so."""
    from dataclasses import replace

    from seeworthy.procedures import all_procedures

    body = all_procedures()["body"]
    older = replace(body, version=body.version - 1)
    monkeypatch.setitem(all_procedures(), "body", older)
    found = check(package)
    (cannot,) = {c.words for c in found.checks if c.procedure == "body"}
    assert f"version {body.version} of the test; here is {body.version - 1}" in cannot
    assert found.exit_code == 3
    assert main.run(["bench", "new", str(tmp_path / "b")]) == 0
    assert main.run(["import", str(package), "--bench", str(tmp_path / "b")]) == 0
    assert "newer versions of body than" in capsys.readouterr().out
    monkeypatch.setitem(all_procedures(), "body", replace(body, version=body.version + 1))
    change(package / "readings.csv", "17.2 g ± 0.1 g", "17.9 g ± 0.1 g")
    (differs,) = [c.words for c in check(package).checks if c.verdict == "differs"]
    assert f"measured with version {body.version} of the test, here is" in differs


def test_the_command_has_exit_codes_for_scripts(package, tmp_path, capsys):
    assert main.run(["verify", str(package), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["differs"] == 0
    change(package / "results.csv", ",17.2,g,", ",17.3,g,")
    assert main.run(["verify", str(package)]) == 1
    assert "differs, E_n" in capsys.readouterr().out
    assert main.run(["verify", str(tmp_path / "nowhere")]) == 2


def test_a_take_is_repeated_from_a_package(made, tmp_path, capsys):
    bench = tmp_path / "mine"
    assert main.run(["bench", "new", str(bench)]) == 0
    assert main.run(["camera", "add", "Ruff", "--bench", str(bench)]) == 0
    capsys.readouterr()
    assert main.run(["take", "add", "--like", f"{made}#1"]) == 0
    sheet = capsys.readouterr().out
    assert "mass = 17.2 g ± 0.1 g" in sheet
    assert "temperature 20 degC" in sheet
    assert "Do this" in sheet
    # A camera alone enters nothing: there is nothing to measure from.
    assert main.run(["take", "add", "--like", f"{made}#1", "Ruff", "--bench", str(bench)]) == 0
    assert "Do this" in capsys.readouterr().out
    assert main.run(["take", "add", "body", "Ruff", "--bench", str(bench)]) == 2
    assert "neither a file nor a reading" in capsys.readouterr().err
    words = ["take", "add", "--like", f"{made}#1", "Ruff", "--reading", "mass=31 g"]
    assert main.run([*words, "--bench", str(bench)]) == 0
    assert "body of Ruff" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("address", "error"),
    [("{}", WrongCall), ("{}#99", NotFound), ("nowhere#1", UnreadableInput)],
)
def test_a_take_that_is_not_there_is_said(made, address, error):
    from seeworthy.publish.repeat import example_of

    with pytest.raises(error):
        example_of(address.format(made))
