"""Cards, the data package and other benches' packages through the pages, without script."""

from __future__ import annotations

import io
import json
import time
import zipfile

import pytest
from PIL import Image

from seeworthy.bench.cameras import add_camera, list_cameras
from seeworthy.bench.claims import set_claim
from seeworthy.bench.identity import read_identity, save_identity
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import create_bench
from seeworthy.bench.takes import add_take
from seeworthy.publish.export import export_bench
from seeworthy.publish.package import Package
from serving import served
from test_web_mend import finished


def fill(bench, name, mass):
    add_camera(bench, name)
    set_claim(bench, name, "mass", "15 g")
    add_take(bench, "body", name, readings={"mass": [mass]})
    add_take(
        bench, "view", name,
        readings={"width": ["1.40 m ± 2 mm"], "distance": ["1.47 m ± 2 mm"]},
    )  # fmt: skip
    run_bench(bench)
    return bench


@pytest.fixture
def client(empty_bench):
    fill(empty_bench, "Dunlin", "17.2 g ± 0.1 g")
    yield from served(empty_bench.folder)


@pytest.fixture
def theirs(tmp_path):
    with create_bench(tmp_path / "theirs") as other:
        fill(other, "Knot", "31 g ± 0.1 g")
        save_identity(other, title="Harrow Mere", licence="CC-BY-4.0")
        return export_bench(other, tmp_path / "harrow.zip").read_bytes()


def test_every_card_is_shown_and_given_away_in_its_size(client):
    assert 'href="/reports/1/cards"' in client.get("/reports").text
    page = client.get("/reports/1/cards").text
    assert page.count("<figure id=") >= 4
    assert "claimed: 15" in page.replace("&#160;", " ").replace("\xa0", " ").replace("\u202f", " ")
    for size, pixels in (("wide", (1920, 1080)), ("tall", (1080, 1920)), ("square", (1080, 1080))):
        png = client.get(f"/reports/1/cards/claim-mass.png?size={size}")
        assert Image.open(io.BytesIO(png.content)).size == pixels
    clear = client.get("/reports/1/cards/claim-mass.png?size=square&alpha=true")
    assert Image.open(io.BytesIO(clear.content)).convert("RGBA").getpixel((2, 2))[3] == 0
    for wrong in ("claim-mass.gif", "nothing.png", "claim-mass.png?size=huge"):
        assert client.get(f"/reports/1/cards/{wrong}").status_code == 404


def test_all_cards_come_as_one_file(client):
    data = {"size": ["square"], "kind": ["claim", "result"]}
    answer = client.post("/reports/1/cards", data=data, follow_redirects=False)
    address = answer.headers["location"]
    shown = finished(client, address)
    assert "Take dunlin-cards.zip away" in shown
    file = client.get(f"{address}/files/dunlin-cards.zip")
    names = zipfile.ZipFile(io.BytesIO(file.content)).namelist()
    assert "claim-mass-square.png" in names
    assert "claim-mass.txt" in names
    assert "chapters.txt" in names
    assert not any(n.startswith("figure") or "wide" in n for n in names)
    assert client.post("/reports/1/cards", data={"size": "square"}).status_code == 400


def test_the_package_says_what_was_typed_once(client, empty_bench, tmp_path):
    typed = {"title": "Marram Point", "licence": "CC-BY-4.0", "contributors": "A. Tern\n\nB. Ruff"}
    client.post("/reports/data", data={**typed, "do": "keep"})
    assert read_identity(empty_bench).contributors == ("A. Tern", "B. Ruff")
    page = client.get("/reports/data").text
    assert 'value="CC-BY-4.0" checked' in page
    answer = client.post("/reports/data", data={**typed, "do": "package"})
    (tmp_path / "got.zip").write_bytes(answer.content)
    with Package(tmp_path / "got.zip") as package:
        assert package.head.licence == "CC-BY-4.0"
        assert len(package.tables()["cameras"]) == 1
    # The file was made for this answer only.
    end = time.monotonic() + 10
    while list((empty_bench.folder / "exports").rglob("data.zip")):
        assert time.monotonic() < end
        time.sleep(0.05)
    wrong = client.post("/reports/data", data={**typed, "title": "x" * 400, "do": "keep"})
    assert wrong.status_code == 400
    assert "A. Tern" in wrong.text


def test_another_bench_s_package_is_seen_before_it_is_taken_in(client, empty_bench, theirs):
    files = {"plain.package": ("harrow.zip", theirs)}
    page = client.post("/reports/package", files=files).text
    assert "Harrow Mere" in page
    assert "Knot" in page
    assert [c.name for c in list_cameras(empty_bench)] == ["Dunlin"]
    ticket = page.split('name="file.package" value="')[1].split('"')[0]
    done = client.post("/reports/package", data={"file.package": ticket, "sure": "yes"}).text
    assert "Taken in" in done
    assert "measured by Harrow Mere" in client.get("/").text
    assert {c.name: c.group for c in list_cameras(empty_bench)}["Knot"] == "Harrow Mere"


def test_what_is_no_package_is_refused_and_nothing_comes_in(client, empty_bench, theirs):
    bad = bytearray(theirs)
    bad[len(bad) // 2] ^= 0xFF
    # Wherever a byte of the file was flipped on its way (hash, compressed data, ZIP's own tables).
    for name, data in (("x.zip", b"no zip"), ("harrow.zip", bytes(bad))):
        answer = client.post("/reports/package", files={"plain.package": (name, data)})
        assert answer.status_code in (400, 422), answer.text
    assert client.post("/reports/package", data={}).status_code == 400
    assert len(list_cameras(empty_bench)) == 1
    assert json.loads(client.get("/api/cameras").text)
