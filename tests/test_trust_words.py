"""What a person or a machine does wrong ends in words, and leaves nothing behind."""

from __future__ import annotations

import html
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from faults.fuzz import CURVE
from faults.make import make
from seeworthy.bench import evidence
from seeworthy.bench.cameras import add_camera
from seeworthy.bench.models import EvidenceRow
from seeworthy.bench.running import run_bench
from seeworthy.bench.sound_evidence import evidence_troubles
from seeworthy.bench.takes import add_take
from seeworthy.cli.main import run as command
from seeworthy.ground.errors import BadQuantity, SeeworthyError, UnreadableInput, WrongCall
from seeworthy.ground.leftovers import beside, mark, sweep
from seeworthy.ground.toml_text import TomlText
from seeworthy.judge.correct.data import read_file
from seeworthy.media.glimpse import frame_jpeg
from seeworthy.media.source import Source
from seeworthy.media.tables import split
from seeworthy.media.tone_curve import read_curve
from seeworthy.publish.assemble import camera_report
from seeworthy.publish.html import page
from seeworthy.publish.write import write_reports
from seeworthy.web.app import create_app
from seeworthy.web.uploads import Uploads


@pytest.fixture
def client(empty_bench):
    with TestClient(
        create_app(empty_bench.folder),
        base_url="http://127.0.0.1",
        headers={"origin": "http://127.0.0.1"},
        client=("127.0.0.1", 50000),
    ) as found:
        yield found


# 500 with a traceback.


@pytest.mark.parametrize(
    ("method", "address", "status"),
    [
        ("GET", "/static/x/%00", 404),
        ("GET", "/takes/9223372036854775808", 404),
        ("GET", "/takes/99999999999999999999", 404),
        ("GET", "/api/takes/99999999999999999999999", 404),
        ("GET", "/slate?unit=99999999999999999999&test=readout", 404),
        ("GET", "/cameras/99999999999999999999", 404),
        ("HEAD", "/", 200),
        ("HEAD", "/takes", 200),
        ("GET", "/?key=%C3%A9", 200),
    ],
)
def test_addresses_that_ended_in_a_traceback(client, method, address, status):
    answer = client.request(method, address)
    assert answer.status_code == status
    assert method != "HEAD" or not answer.content


def test_deep_toml_is_refused_in_words(client):
    deep = "a = " + "[" * 2000 + "]" * 2000
    answer = client.post("/api/plan", json={"flight": deep, "toml": deep, "text": deep})
    assert answer.status_code in (400, 422)
    with pytest.raises(WrongCall, match="nested deeper"):
        TomlText(deep, "Flight")
    # 20,000 parts took two minutes of a busy machine, for every page.
    for key in (".".join(["a"] * 20_000), '"a" . ' * 20_000 + "b"):
        with pytest.raises(WrongCall, match="line 2: nested deeper"):
            TomlText(f'title = "x"\n{key} = 1\n', "Flight")
    start = time.process_time()
    TomlText(f'title = "{"a" * 100_000}"\nabout = "{"a. b " * 10}"', "Flight")
    assert time.process_time() - start < 2


def test_the_demo_is_never_built_beside_a_bench(client, empty_bench):
    before = sorted(empty_bench.folder.parent.iterdir())
    assert client.post("/demo", follow_redirects=False).status_code == 303
    assert client.app.state.site.demo is None
    assert sorted(empty_bench.folder.parent.iterdir()) == before


def test_a_form_that_is_too_long_gets_its_page(client):
    answer = client.post("/cameras", data={"name": "x" * 5_000_000})
    assert answer.status_code == 413
    assert "more than this page takes" in answer.text
    # Also when its length was not announced.
    answer = client.post(
        "/cameras",
        content=(b"x" * 100_000 for _ in range(50)),
        headers={"content-type": "application/x-www-form-urlencoded"},
    )
    assert answer.status_code == 413


def test_uploads_have_a_total(tmp_path, monkeypatch):
    from seeworthy.web import uploads

    monkeypatch.setattr(uploads, "_LARGEST_TOTAL", 5000)
    place = Uploads(tmp_path)
    place.begin("a.mp4", 3000)
    with pytest.raises(WrongCall, match="on its way"):
        place.begin("b.mp4", 3000)
    free = 4000 + uploads.SPARE
    monkeypatch.setattr(uploads.shutil, "disk_usage", lambda p: type("D", (), {"free": free}))
    with pytest.raises(SeeworthyError, match="no room"):  # the first still needs its 3000
        place.begin("c.mp4", 1500)


# Exit 1, 'Seeworthy itself failed'.


def test_a_cell_without_end_is_refused():
    with pytest.raises(UnreadableInput, match="longer than any"):
        split("1," + "9" * 140_000, ",")


@pytest.mark.parametrize(
    "text",
    [
        "[" * 100_000,
        json.dumps({"kind": "shading", "size": [1e308, 1e308], "grid": [4, 4], "gain": []}),
        '{"kind": "shading", "size": [1e999, 2], "grid": [4, 4], "gain": []}',
        '{"kind": "shading", "size": [64, 64], "grid": [1e999, 4], "gain": []}',
        '{"kind": "colour", "matrix": [[1,0,0],[0,1,0],[0,0,1]], "exposure": 1e999}',
        '{"kind": "colour", "matrix": [[%s,0,0],[0,1,0],[0,0,1]]}' % ("9" * 400),
        '{"kind": "shading", "size": [%s, 4], "grid": [4,4], "gain": []}' % ("9" * 400),
        '{"kind": "lens", "model": "pinhole", "size": []}',
        '{"kind": "lens", "model": ["pinhole"], "size": [2, 2]}',
    ],
)
def test_corrections_out_of_bounds_are_refused(tmp_path, text):
    path = tmp_path / "c.json"
    path.write_text(text)
    for kind in ("lens", "shading", "colour"):
        with pytest.raises((UnreadableInput, WrongCall)):
            read_file(path, kind)


@pytest.mark.parametrize("size", ["[1e999, 96]", f"[{'9' * 400}, 96]", "[]", "[128, 1e999]"])
def test_tone_curves_out_of_bounds_are_refused(tmp_path, size):
    good = json.dumps(CURVE)
    path = tmp_path / "curve.json"
    path.write_text(good)
    assert read_curve(Source.of(path)).mode.width == 128
    path.write_text(good.replace("[128, 96]", size))
    with pytest.raises(UnreadableInput):
        read_curve(Source.of(path))


def test_a_bad_proof_leaves_no_clip(capsys, tmp_path, monkeypatch):
    from seeworthy.cli import correct

    (tmp_path / "colour.json").write_text(
        '{"kind": "colour", "matrix": [[1,0,0],[0,1,0],[0,0,1]], "exposure": 1}'
    )
    (tmp_path / "bad.mp4").write_bytes(b"\0" * 100)
    mended = []
    monkeypatch.setattr(correct, "_mend", lambda *a: mended.append(a))
    words = [
        "correct", str(tmp_path / "a.mp4"), "--colour", str(tmp_path / "colour.json"),
        "--prove", f"colour={tmp_path / 'bad.mp4'}",
    ]  # fmt: skip
    assert command(words) == 2
    assert mended == []


@pytest.mark.parametrize(
    "words",
    [
        ["look", "x.mp4", "--evidence", "/proc/x"],
        ["target", "board", "-o", "/proc/nope/x.pdf"],
        ["target", "board", "-o", "."],
    ],
)
def test_places_that_cannot_be_made_are_said(capsys, words):
    assert command(words) == 2
    said = capsys.readouterr().err
    assert "itself failed" not in said


def test_bench_new_takes_an_empty_folder_only(capsys, tmp_path):
    full = tmp_path / "Harrow Mere"
    full.mkdir()
    (full / "clip.mp4").write_bytes(b"x")
    assert command(["bench", "new", str(full)]) == 2
    assert sorted(p.name for p in full.iterdir()) == ["clip.mp4"]
    (full / "clip.mp4").unlink()
    assert command(["bench", "new", str(full)]) == 0
    assert f"cd '{full}'" in capsys.readouterr().out


def test_a_whole_backup_comes_back(capsys, tmp_path, empty_bench):
    add_camera(empty_bench, "Dunlin")
    kept = evidence.keep_bytes(empty_bench, b"picture", "a.png")
    with empty_bench.changing() as session:
        evidence.record(empty_bench, session, kept)
    where = ["--bench", str(empty_bench.folder)]
    assert command(["bench", "backup", str(tmp_path / "b.zip"), *where]) == 0
    assert command(["bench", "restore", str(tmp_path / "b.zip"), str(tmp_path / "again")]) == 0
    assert (tmp_path / "again" / kept.kept).read_bytes() == b"picture"
    assert command(["bench", "restore", str(tmp_path / "b.zip"), str(tmp_path / "again")]) == 2
    assert command(["bench", "backup", str(tmp_path / "no" / "b.zip"), *where]) == 2


def test_nothing_is_removed_unasked(capsys, empty_bench):
    add_camera(empty_bench, "Dunlin")
    where = ["--bench", str(empty_bench.folder)]
    assert command(["camera", "remove", "Dunlin", *where]) == 2
    assert "--yes" in capsys.readouterr().err
    assert command(["camera", "remove", "Dunlin", "--yes", *where]) == 0


def test_ctrl_c_says_what_is_kept(capsys, monkeypatch):
    import seeworthy.cli.main as main

    class Stopped:
        def main(self, **options):
            return 130

    monkeypatch.setattr(main.typer.main, "get_command", lambda app: Stopped())
    assert main.run(["run"]) == 130
    said = capsys.readouterr().err
    assert "What was measured is kept" in said


# Names.


@pytest.mark.parametrize("name", ["a\0b", "a\ab", "photo\u202egnp.exe", "a/b", "a\\b", "a\u2066b"])
def test_names_that_cannot_be_seen_or_addressed_are_refused(empty_bench, name):
    with pytest.raises(WrongCall):
        add_camera(empty_bench, name)


def test_names_of_all_scripts_are_taken(empty_bench):
    for name in ("Дюнник 2", "滨鹬", "Großer Brachvogel", "Dunlin (mk 2), 1080p"):
        assert add_camera(empty_bench, name).name == name


def test_reports_of_like_names_stay_apart(empty_bench):
    for name in ("Wisp 2", "Wisp-2", "wisp_2", "Wisp+2"):
        add_camera(empty_bench, name)
    paths = write_reports(empty_bench)
    assert len(set(paths)) == 4
    for path, name in zip(sorted(paths), ("",) * 4, strict=True):
        assert path.stat().st_size > 1000, name
    # The first one keeps its name, and one alone gets the same name as among all.
    assert write_reports(empty_bench, "Wisp-2")[0] in paths
    assert write_reports(empty_bench, "Wisp 2")[0].name == "report-wisp-2.html"


# What the dead leave behind.


def test_what_a_killed_export_left_is_swept(tmp_path):
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    for number in (dead.pid, os.getpid()):
        (tmp_path / f"{mark('.export-', number)}abc").mkdir()
        (tmp_path / f"{mark('.export-', number)}abc" / "takes.csv").write_text("x")
    elsewhere = mark(".export-", dead.pid).replace(f"{dead.pid}-", f"{dead.pid}-0", 1)
    (tmp_path / elsewhere).mkdir()  # another machine's, in a shared folder
    assert sweep(tmp_path, ".export-") == 1
    left = sorted([elsewhere, f"{mark('.export-')}abc"])
    assert sorted(p.name for p in tmp_path.iterdir()) == left


def test_a_folder_takes_the_place_of_the_one_that_somebody_stands_in(tmp_path, monkeypatch):
    (tmp_path / "data").mkdir()
    number = (tmp_path / "data").stat().st_ino
    monkeypatch.chdir(tmp_path / "data")
    with beside(Path(), "export", folder=True) as part:
        (part / "a.csv").write_text("first")
    assert Path("a.csv").read_text() == "first"
    assert Path().stat().st_ino == number
    assert list(tmp_path.iterdir()) == [tmp_path / "data"]


def test_a_folder_takes_its_place_whole_or_not_at_all(tmp_path):
    target = tmp_path / "data"
    for text in ("first", "second"):
        with beside(target, "export", folder=True) as part:
            (part / "a.csv").write_text(text)
        assert (target / "a.csv").read_text() == text

    def fails(part):
        (part / "a.csv").write_text("third")
        raise OSError("full")

    with pytest.raises(OSError, match="full"), beside(target, "export", folder=True) as part:
        fails(part)
    assert (target / "a.csv").read_text() == "second"
    assert list(tmp_path.iterdir()) == [target]
    with (
        pytest.raises(OSError, match=r"nowhere'$"),
        beside(tmp_path / "nowhere" / "a.csv", "export"),
    ):
        pass


# Evidence that is not what it was.


@pytest.fixture
def with_take(empty_bench, tmp_path):
    log = tmp_path / "log.csv"
    log.write_text("Time (s),Altitude (m)\n" + "".join(f"{i / 10},{i % 7}\n" for i in range(200)))
    add_camera(empty_bench, "Turnstone")
    take = add_take(empty_bench, "load", "Turnstone", {"": [log]})
    with empty_bench.reading() as session:
        row = session.query(EvidenceRow).one()
        return empty_bench, take.id, empty_bench.folder / row.kept


def altered(path, data):
    path.chmod(0o644)
    path.write_bytes(data)


def test_run_and_report_say_that_evidence_changed(with_take):
    bench, number, path = with_take
    assert run_bench(bench).troubles == ()
    assert camera_report(bench, "Turnstone").troubles == ()
    same_size = path.read_bytes()[::-1]
    altered(path, same_size)
    assert evidence_troubles(bench, deep=False) == []
    (said,) = camera_report(bench, "Turnstone").troubles
    assert f"Take {number}" in said
    assert "not what was entered" in said
    assert html.escape(said).replace("&#x27;", "&#39;") in page(camera_report(bench, "Turnstone"))
    altered(path, b"short")
    assert "not what was entered" in run_bench(bench).troubles[0].message
    path.unlink()
    assert "missing" in run_bench(bench).troubles[0].message
    assert "missing" in camera_report(bench, "Turnstone").troubles[0]


def test_run_leaves_with_a_code(with_take, capsys):
    bench, _, path = with_take
    where = ["--bench", str(bench.folder)]
    first = command(["run", "--workers", "1", *where])
    assert first in (0, 3)
    altered(path, b"short")
    assert command(["run", *where]) == 2
    assert "not what was entered" in capsys.readouterr().err


def test_a_bare_bad_quantity_stays_one():
    from seeworthy.ground.quantities import parse

    with pytest.raises(BadQuantity):
        parse("5 ± ± 3 m")


def test_a_frame_of_a_broken_clip_is_refused(tmp_path):
    """A file of `faults.make` on which the page of frames ended in 500."""
    kinds = {path.name: path for path in make(tmp_path, 26, 41)}
    refused = 0
    for path in kinds.values():
        if path.suffix in (".mp4", ".mov", ".avi", ".mkv"):
            try:
                frame_jpeg(str(path), path.name, 0)
            except UnreadableInput:
                refused += 1
    assert refused
