"""The data package: identity, round trip, what frictionless says, and what strangers may send."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
import zipfile
from concurrent.futures import ThreadPoolExecutor

import pyarrow.parquet as pq
import pytest

from seeworthy.bench.cameras import add_camera, add_firmware, list_cameras
from seeworthy.bench.claims import set_claim
from seeworthy.bench.identity import read_identity, save_identity
from seeworthy.bench.outcomes import list_results
from seeworthy.bench.running import due_takes, run_bench
from seeworthy.bench.store import create_bench, open_bench
from seeworthy.bench.takes import add_take, list_takes, remove_take
from seeworthy.bench.upkeep import check_bench
from seeworthy.cli import main
from seeworthy.ground.errors import Conflict, SeeworthyError, UnreadableInput
from seeworthy.publish import package as package_module
from seeworthy.publish.export import export_bench
from seeworthy.publish.package import Package, is_uuid
from seeworthy.publish.sheets import arrow_schema, sheets
from seeworthy.publish.taking_in import take_in_package


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench") / "marram"
    bench = create_bench(folder)
    add_camera(bench, "Dunlin", maker="-Saltmarsh", note="=HYPERLINK(1)")
    add_camera(bench, "Knot", note="'quoted' <b onclick=x>bold</b>\n@home\t+1")
    add_firmware(bench, "Dunlin", "1.0")
    set_claim(bench, "Dunlin", "mass", "17 g")
    add_take(bench, "view", "Knot", readings={"width": ["1 m"], "distance": ["1 m"]})
    add_take(
        bench,
        "view",
        "Dunlin",
        readings={"width": ["1.40 m ± 2 mm"], "distance": ["1.47 m ± 2 mm"]},
        conditions={"light": "400 lx", "temperature": "-4 degC"},
        instruments={"width": "steel tape", "distance": "Steel Tape"},
    )
    add_take(bench, "body", "Dunlin", readings={"mass": ["17.2 g ± 0.1 g"]}, note="+1 of it")
    add_take(bench, "body", "Knot", readings={"mass": ["31 g ± 0.1 g"]})
    remove_take(bench, 1)  # numbers have a gap then
    with ThreadPoolExecutor(1) as pool:
        run_bench(bench, executor=pool)
    save_identity(bench, title="Marram Point", licence="CC-BY-4.0", contributors=["A. Tern"])
    bench.close()
    return folder


@pytest.fixture
def bench(folder):
    with open_bench(folder, read_only=True) as opened:
        yield opened


@pytest.fixture
def made(bench, tmp_path):
    return export_bench(bench, tmp_path / "made")


@pytest.fixture
def other(tmp_path):
    with create_bench(tmp_path / "other") as opened:
        yield opened


def rows(path):
    with path.open(newline="", encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


def sealed(folder):
    """Write the hashes anew, as somebody would who changes a table on purpose."""
    path = folder / "datapackage.json"
    found = json.loads(path.read_text())
    for entry in found["resources"]:
        data = (folder / entry["path"]).read_bytes()
        entry["hash"] = f"sha256:{hashlib.sha256(data).hexdigest()}"
    path.write_text(json.dumps(found))


def change(folder, name, old, new):
    path = folder / name
    text = path.read_bytes().decode()
    assert old in text
    path.write_bytes(text.replace(old, new, 1).encode())
    if name != "datapackage.json":
        sealed(folder)


def test_frictionless_finds_the_package_valid(made):
    # The reference implementation of Data Package and Table Schema (Frictionless Data).
    from frictionless import validate

    report = validate(str(made / "datapackage.json"))
    assert report.valid, report.flatten(["path", "message"])
    assert report.stats["tasks"] > 2 * len(sheets())


def test_frictionless_finds_a_wrong_reference(made):
    from frictionless import validate

    take = rows(made / "takes.csv")[0]["id"]
    change(made, "takes.csv", take, "0" * 8 + take[8:])
    assert not validate(str(made / "datapackage.json")).valid


def test_everything_has_an_identity(made, bench):
    package = json.loads((made / "datapackage.json").read_text())
    assert package["id"] == read_identity(bench).id
    assert package["licenses"] == [{"name": "CC-BY-4.0"}]
    assert package["contributors"] == [{"title": "A. Tern", "role": "author"}]
    assert package["created"].endswith("Z")
    assert package["seeworthy"]["methods"] == {
        name: package_version(name) for name in ("body", "view")
    }
    for name in ("cameras", "units", "takes", "results", "instruments"):
        found = rows(made / f"{name}.csv")
        assert found
        assert all(is_uuid(row["id"]) for row in found)
    view = [r for r in rows(made / "readings.csv") if r["instrument"]]
    assert len(view) == 2
    assert len({r["instrument"] for r in view}) == 1, "one tape, however it was typed"


def package_version(procedure):
    from seeworthy.procedures import procedure as find

    return find(procedure).version


def test_conditions_are_columns(made):
    view = next(r for r in rows(made / "results.csv") if r["measurand"] == "hfov")
    assert (float(view["light"]), float(view["temperature"])) == (400, -4)
    assert view["method"] == "tape"
    take = next(r for r in rows(made / "takes.csv") if r["id"] == view["take"])
    assert take["temperature_typed"] == "'-4 degC"


def test_the_parquet_twin_has_the_same_rows_with_types(made):
    for of in sheets():
        twin = pq.read_table(made / "parquet" / f"{of.name}.parquet")
        assert twin.schema.equals(arrow_schema(of)), of.name
        with Package(made) as package:
            assert package.table(of) == [
                {k: ("" if v is None and of_type(of, k) == "string" else v) for k, v in row.items()}
                for row in twin.to_pylist()
            ]


def of_type(of, name):
    return next(c.type for c in of.columns if c.name == name)


def test_the_way_through_an_empty_bench_changes_no_table(made, other, tmp_path):
    came = take_in_package(other, made)
    assert (came.title, came.licence, came.takes) == ("Marram Point", "CC-BY-4.0", 3)
    again = export_bench(other, tmp_path / "again", theirs=True)
    for of in sheets():
        for name in (f"{of.name}.csv", f"parquet/{of.name}.parquet", "details.json"):
            assert (again / name).read_bytes() == (made / name).read_bytes(), name
    said = json.loads((again / "datapackage.json").read_text())
    assert said["sources"][0]["licence"] == "CC-BY-4.0"
    assert check_bench(other) == []


def test_other_groups_cameras_stand_beside_ours_and_are_never_measured(made, other):
    add_camera(other, "dunlin")
    add_take(other, "body", "dunlin", readings={"mass": ["18 g ± 0.1 g"]})
    take_in_package(other, made)
    names = {c.name: c.group for c in list_cameras(other)}
    assert names == {
        "dunlin": "",
        "Dunlin (Marram Point)": "Marram Point",
        "Knot": "Marram Point",
    }
    ours = [t.id for t in list_takes(other, camera="dunlin")]
    assert due_takes(other) == ours
    assert len(list_takes(other)) == 4, "their number 1 to 4 and ours do not collide"
    assert list_results(other, camera="dunlin") == []
    assert [r.result.value for r in list_results(other, measurand="mass")] == [17.2, 31.0]
    with pytest.raises(SeeworthyError, match="no camera of its own"):
        export_bench(create_bench(other.folder.parent / "third"))


def test_the_same_package_twice_is_refused_and_a_newer_one_replaces(made, folder, other, tmp_path):
    take_in_package(other, made)
    with pytest.raises(Conflict, match="here already"):
        take_in_package(other, made)
    change(made, "datapackage.json", '"created": "2', '"created": "3')
    take_in_package(other, made)
    assert len(list_takes(other)) == 3
    with open_bench(folder) as own, pytest.raises(Conflict, match="this very bench"):
        take_in_package(own, made)


def test_evidence_goes_along_by_its_hash(tmp_path, other):
    log = tmp_path / "volts.csv"
    log.write_text("seconds,volts\n" + "".join(f"{i},{4.2 - i / 900:.4f}\n" for i in range(600)))
    with create_bench(tmp_path / "sent") as bench:
        add_camera(bench, "Dunlin")
        add_take(bench, "battery", "Dunlin", {"": [log]})
        made = export_bench(bench, tmp_path / "sent.zip", with_evidence=True)
    digest = hashlib.sha256(log.read_bytes()).hexdigest()
    take_in_package(other, made)
    (file,) = list_takes(other)[0].files
    assert file.sha256 == digest
    assert file.path.read_bytes() == log.read_bytes()


BAD = {
    "a table is gone": lambda f: (f / "units.csv").unlink(),
    "a table was changed": lambda f: (f / "units.csv").write_text("x"),
    "no descriptor": lambda f: (f / "datapackage.json").unlink(),
    "no JSON": lambda f: (f / "datapackage.json").write_text("{"),
    "a newer form": lambda f: change(f, "datapackage.json", '"format": 2', '"format": 3'),
    "no identity": lambda f: change(f, "datapackage.json", '"format": 2', '"format": 1'),
    "a way out": lambda f: change(f, "datapackage.json", '"units.csv"', '"../units.csv"'),
    "an unknown measurand": lambda f: change(f, "results.csv", ",mass,17.2,", ",tide,17.2,"),
    "another unit": lambda f: change(f, "results.csv", ",17.2,g,", ",17.2,kg,"),
    "a value outside": lambda f: change(f, "results.csv", ",17.2,g,", ",99.0,g,"),
    "not a number": lambda f: change(f, "results.csv", ",17.2,g,", ",NaN,g,"),
    "a word for a number": lambda f: change(f, "results.csv", ",17.2,g,", ",many,g,"),
    "another column": lambda f: change(f, "results.csv", "measurand", "mesurand"),
    "a cell too many": lambda f: change(f, "units.csv", "\r\n", ",\r\n"),
    "a take of nobody": lambda f: change(f, "takes.csv", rows(f / "units.csv")[0]["id"], "x"),
    "a name that is a path": lambda f: change(f, "cameras.csv", ",Knot,", ",../Knot,"),
    "a name that turns around": lambda f: change(f, "cameras.csv", ",Knot,", ",\u202egnp.exe,"),
    "no UUID": lambda f: change(f, "cameras.csv", rows(f / "cameras.csv")[0]["id"], "17"),
    "a link": lambda f: (f / "more").symlink_to("/etc/hostname"),
    "bytes that are no text": lambda f: (
        (f / "units.csv").write_bytes(b"\xff\xfe"),
        sealed(f),
    ),
    "figures that are none": lambda f: (
        (f / "details.json").write_text(
            json.dumps({rows(f / "takes.csv")[0]["id"]: {"figures": [{"name": 1}]}})
        ),
        sealed(f),
    ),
}


@pytest.mark.parametrize("what", BAD)
def test_bad_packages_are_refused_and_nothing_is_half_taken_in(what, made, other):
    BAD[what](made)
    with pytest.raises(UnreadableInput) as found:
        take_in_package(other, made)
    assert found.value.hint
    assert list_cameras(other) == []
    assert list(other.evidence_folder.glob("*/*")) == []


def test_a_zip_that_leads_out_or_swells_is_refused(made, other, tmp_path):
    for name, data in (("../evil.csv", b"x"), ("swell.csv", b"0" * 10_000_000)):
        path = tmp_path / f"{len(data)}.zip"
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            for one in made.rglob("*.csv"):
                archive.write(one, one.name)
            archive.write(made / "datapackage.json", "datapackage.json")
            archive.writestr(name, data)
        with pytest.raises(UnreadableInput, match=r"outside itself|unpacks to more"):
            take_in_package(other, path)
    assert not (tmp_path.parent / "evil.csv").exists()


def test_endless_tables_are_refused_before_they_fill_the_memory(made, other, monkeypatch):
    monkeypatch.setattr(package_module, "MOST_ROWS", 2)
    with pytest.raises(UnreadableInput, match="more than 2 rows"):
        take_in_package(other, made)
    monkeypatch.setattr(package_module, "LARGEST", 100)
    with pytest.raises(UnreadableInput, match="larger than"):
        take_in_package(other, made)


def test_a_title_is_shown_without_what_turns_its_letters(made):
    title = json.loads((made / "datapackage.json").read_text())["title"]
    change(made, "datapackage.json", json.dumps(title), '"Dunes\\u202e\\u0007 of\\n Marram"')
    with Package(made) as package:
        assert package.head.title == "Dunes of Marram"


def test_html_in_notes_stays_words(made, other):
    from seeworthy.publish.assemble import camera_report
    from seeworthy.publish.html import page

    take_in_package(other, made)
    html = page(camera_report(other, "Knot"))
    assert "<b onclick" not in html


def test_the_command_line_takes_in_and_gives_out(folder, tmp_path, capsys):
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    target = tmp_path / "dunes.zip"
    words = ["export", str(target), "--bench", str(copy), "--licence", "CC0-1.0"]
    assert main.run(words) == 0
    assert main.run(["bench", "new", str(tmp_path / "new")]) == 0
    assert main.run(["import", str(target), "--bench", str(tmp_path / "new"), "--json"]) == 0
    out = capsys.readouterr().out
    assert '"licence": "CC0-1.0"' in out
    assert main.run(["import", str(target), "--bench", str(tmp_path / "new")]) == 2


def test_a_package_that_somebody_else_made_is_not_replaced(bench, tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "datapackage.json").write_text('{"name": "wader counts"}')
    with pytest.raises(Conflict):
        export_bench(bench, tmp_path / "mine")
    assert [p.name for p in (tmp_path / "mine").iterdir()] == ["datapackage.json"]
