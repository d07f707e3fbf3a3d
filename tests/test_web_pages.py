"""The pages and the API through the application: what is shown, kept, and refused."""

from __future__ import annotations

import dataclasses
import inspect
import re
import threading
from pathlib import Path

import numpy as np
import pytest

from seeworthy.bench.takes import get_take
from seeworthy.ground.errors import NotFound
from seeworthy.web import (
    context,
    context_card,
    context_judge,
    context_mend,
    context_publish,
    context_take,
)
from seeworthy.web.render import HERE, environment
from seeworthy.web.trust import REPORT_POLICY
from serving import served

MODULES = (context, context_take, context_card, context_judge, context_mend, context_publish)
PAGES = [
    item
    for module in MODULES
    for item in vars(module).values()
    if inspect.isclass(item) and dataclasses.is_dataclass(item) and hasattr(item, "template")
]
RECORDS = [
    item
    for module in MODULES
    for item in vars(module).values()
    if inspect.isclass(item)
    and dataclasses.is_dataclass(item)
    and item.__module__ == module.__name__
]


@pytest.fixture
def client(empty_bench):
    yield from served(empty_bench.folder)


def camera(client, name="Dunlin"):
    answer = client.post("/cameras", data={"name": name, "unit": "1"}, follow_redirects=False)
    assert answer.status_code == 303
    return answer.headers["location"]


def view_take(client, **fields):
    data = {
        "procedure": "view", "camera": "Dunlin\x1f1", "taken": "2026-03-21",
        "reading.width": "73.7 in ± 0.1 in", "reading.distance": "60.0 in ± 0.1 in", **fields,
    }  # fmt: skip
    answer = client.post("/takes", data=data, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    client.site.keeper.wait(60)
    return answer.headers["location"]


# Contexts and templates


@pytest.mark.parametrize("record", RECORDS, ids=lambda r: r.__name__)
def test_contexts_document_their_fields(record):
    head = inspect.cleandoc(record.__doc__).partition("Attributes:\n")[2]
    told = {n.strip() for line in re.findall(r"^    ([a-z][\w, ]*): ", head, re.M)
            for n in line.split(",")}  # fmt: skip
    fields = {f.name for f in dataclasses.fields(record)}
    if head:
        assert fields <= told, f"not documented: {fields - told}"
        assert told <= fields | {"template"}, f"documented, not there: {told - fields}"


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.__name__)
def test_templates_use_what_their_context_has(page):
    text = (HERE / "templates" / page.template).read_text(encoding="utf-8")
    used = set(re.findall(r"\bpage\.(\w+)", text))
    fields = {f.name for f in dataclasses.fields(page)}
    assert used <= fields | {"title", "template"}, f"unknown: {used - fields}"
    assert fields - {"status"} <= used | {"title"}, f"never shown: {fields - used}"


def test_every_template_compiles_and_has_no_inline_script_or_style():
    for path in (HERE / "templates").glob("*.html"):
        environment().get_template(path.name)
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"<script(?![^>]*\bsrc=)|\sstyle=|\son[a-z]+=|https?://", text), (
            path.name
        )


# Story without a browser


def test_no_bench_yet_explains_itself(tmp_path):
    for client in served(tmp_path / "new"):
        page = client.get("/").text
        assert "No bench here yet" in page
        assert "Build the demo" in page
        assert client.get("/compare").status_code == 404
        client.post("/cameras", data={"name": "Dunlin"})
        assert (tmp_path / "new" / "bench.sqlite").is_file()


def test_a_take_of_readings_is_measured_and_shown(client):
    camera(client)
    address = view_take(client)
    page = client.get(address).text
    assert "measured" in page
    assert "63." in page
    assert 'hx-get="/takes/1/figures/0"' in page
    figure = client.get("/takes/1/figures/0").text
    assert "<svg" in figure
    assert " style=" not in figure
    home = client.get("/").text
    assert "Dunlin, view" in home


def test_the_consequence_is_told_while_typing(client):
    camera(client)
    typed = {"reading.width": "73.7 in ± 0.1 in", "reading.distance": "60.0 in ± 0.1 in"}
    said = client.post("/procedures/view/consequence", data=typed).text
    assert re.search(r"62\.\d+° ± 0\.\d+°", said)
    wrong = client.post("/procedures/view/consequence", data={"reading.width": "3 kg"}).text
    assert "not understood" in wrong


def test_two_tabs_lose_nothing_silently(client, empty_bench):
    camera(client)
    address = view_take(client)
    form = {"version": "1", "taken": "2026-03-21", "note": "",
            "reading.width": "73 in", "reading.distance": "60 in"}  # fmt: skip
    first = client.post(address, data={**form, "reading.width": "56 in"}, follow_redirects=False)
    assert first.status_code == 303
    second = client.post(address, data={**form, "reading.width": "57 in"})
    assert second.status_code == 409
    assert "57 in" in second.text
    assert "56 in" in second.text
    assert {r.name: r.text for r in get_take(empty_bench, 1).readings}["width"] == "56 in"
    version = re.search(r'name="version" value="(\d+)"', second.text)[1]
    kept = client.post(
        address, data={**form, "version": version, "reading.width": "57 in"}, follow_redirects=False
    )
    assert kept.status_code == 303
    assert {r.name: r.text for r in get_take(empty_bench, 1).readings}["width"] == "57 in"


def test_a_listing_is_confirmed_before_it_is_entered(client, empty_bench):
    address = camera(client)
    text = "Full HD 1920x1080, 30 fps\nBattery life 90 minutes\nWeight 15 g"
    page = client.post(f"{address}/listing", data={"listing": text, "source": "box"}).text
    assert "90 min" in page
    assert client.get("/api/cameras/Dunlin").json()["claims"] == []
    client.post(f"{address}/claims", data={"take": ["mass"], "text.mass": "16 g", "source": "box"})
    (claim,) = client.get("/api/cameras/Dunlin").json()["claims"]
    assert (claim["subject"], claim["text"], claim["source"]) == ("mass", "16 g", "box")


def test_a_wrong_purpose_names_its_line(client, empty_bench):
    camera(client)
    text = (
        'title = "x"\n\n[[wish]]\nmeasurand = "run_time"\nworst = "3 kg"\n'
        'best = "40 min"\nweight = 1\nwhy = "x"\n'
    )
    answer = client.post("/suit/edit", data={"name": "mine", "text": text})
    assert answer.status_code == 400
    assert "line 5" in answer.text
    assert 'data-line="5"' in answer.text
    assert not (empty_bench.folder / "purposes" / "mine.toml").exists()
    good = text.replace("3 kg", "10 min")
    answer = client.post("/suit/edit", data={"name": "mine", "text": good}, follow_redirects=False)
    assert answer.headers["location"] == "/suit?purpose=mine"
    for name in ("../x", "a/b", ".hidden", "Mine", ""):
        assert client.post("/suit/edit", data={"name": name, "text": good}).status_code == 400


def test_numbers_and_time_follow_the_settings(client):
    camera(client)
    address = view_take(client)
    client.post("/settings", data={"numbers": "comma", "clock": "12", "units": "metric"})
    page = client.get(address).text
    assert re.search(r"<strong>6\d,\d+°</strong>", page)
    assert re.search(r"\d:\d\d [ap]m", page)
    assert client.post("/settings", data={"numbers": "roman"}).status_code == 400


# Trust


def test_reports_run_no_script_and_come_as_pdf(client):
    address = camera(client)
    view_take(client)
    number = address.rpartition("/")[2]
    report = client.get(f"/reports/{number}")
    assert report.headers["content-security-policy"] == REPORT_POLICY
    pdf = client.get(f"/reports/{number}/report.pdf")
    assert pdf.content[:5] == b"%PDF-"
    assert "attachment" in pdf.headers["content-disposition"]


def test_forged_headers_are_refused(client):
    assert client.get("/", headers={"host": "evil.example"}).status_code == 421
    answer = client.post("/cameras", data={"name": "X"}, headers={"origin": "http://evil.example"})
    assert answer.status_code == 403
    assert client.get("/api/cameras").json() == []


@pytest.mark.parametrize(
    "path",
    ["/static/x/../app.py", "/static/x/..%2fapp.py", "/static/x/%2e%2e/%2e%2e/errors.py",
     "/static/x//etc/passwd", "/reports/..%2f1", "/import/..%2f..%2fbench.sqlite"],
)  # fmt: skip
def test_paths_lead_nowhere_else(client, path):
    assert client.get(path).status_code in (404, 400)


def test_static_files_may_be_kept_for_ever_and_pages_may_not(client):
    page = client.get("/")
    assert "cache-control" not in page.headers
    address = re.search(r'href="(/static/[0-9a-f]{12}/notebook\.css)"', page.text)[1]
    assert "immutable" in client.get(address).headers["cache-control"]
    assert client.get("/static/notebook.css").headers["cache-control"] == "no-cache"
    assert client.get("/static/app.py").status_code == 404


def test_a_form_that_is_too_long_is_refused(client):
    assert client.post("/cameras", data={"name": "x" * (5 * 1024**2)}).status_code == 413


def test_errors_have_one_shape_each(client):
    answer = client.get("/api/cameras/Nobody")
    assert answer.status_code == 404
    assert set(answer.json()["error"]) == {"kind", "message", "hint"}
    page = client.get("/takes/99")
    assert page.status_code == 404
    assert "<html" in page.text
    part = client.get("/takes/99", headers={"hx-request": "true"})
    assert "<html" not in part.text
    assert client.get("/takes/abc").status_code == 400
    bad = client.post("/api/takes", json={"procedure": "view"})
    assert bad.json()["error"]["kind"] == "wrong-call"


def test_the_back_address_of_a_run_stays_here(client):
    camera(client)
    for back in ("//evil.example", "http://evil.example", "/\\evil.example"):
        answer = client.post("/run", data={"back": back}, follow_redirects=False)
        client.site.keeper.wait(30)
        assert not answer.headers["location"].startswith(("//", "http", "/\\"))


def upload(client, name, data):
    ticket = client.post("/uploads", json={"name": name, "size": len(data)}).json()["ticket"]
    half = len(data) // 2
    client.patch(f"/uploads/{ticket}?offset=0", content=data[:half])
    again = client.patch(f"/uploads/{ticket}?offset=0", content=data)
    assert again.status_code == 409
    have = client.get(f"/uploads/{ticket}").json()["have"]
    assert client.patch(f"/uploads/{ticket}?offset={have}", content=data[have:]).status_code == 200
    return ticket


def test_text_named_mov_is_refused_with_what_to_do(client):
    camera(client)
    ticket = upload(client, "../../clip.mov", b"this is no clip\n" * 20)
    data = {"procedure": "timing", "camera": "Dunlin\x1f1", "file.role_": ticket}
    answer = client.post("/takes", data=data, follow_redirects=False)
    assert answer.status_code == 303
    client.site.keeper.wait(60)
    page = client.get(answer.headers["location"]).text
    assert "Not measured." in page
    assert "What to do:" in page
    assert "How to film it again" in page


def test_a_listener_that_goes_away_does_not_stop_the_run(client):
    import asyncio

    camera(client)

    async def hear_a_little():
        listening = client.site.keeper.listen()
        first = await anext(listening)
        await listening.aclose()  # the browser is closed
        return first

    assert asyncio.run(hear_a_little()).kind == "idle"
    assert "measured" in client.get(view_take(client)).text
    assert client.site.keeper.busy is False


def test_the_api_is_described(client):
    described = client.get("/api/openapi.json").json()
    assert "/api/takes/{number}" in described["paths"]
    assert all(path.startswith("/api/") for path in described["paths"])


def test_a_picture_of_a_billion_pixels_is_not_opened(client, tmp_path):
    import struct
    import zlib

    def chunk(kind, body):
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = struct.pack(">IIBBBBB", 40_000, 25_000, 8, 2, 0, 0, 0)
    data = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 999))
    path = tmp_path / "big.png"
    path.write_bytes(data + chunk(b"IEND", b""))
    from seeworthy.bench.card_scan import scan_file

    found = scan_file(str(path), "big.png")
    assert "megapixels" in found.trouble


def test_a_disk_that_is_full_is_said(client, monkeypatch):
    import shutil

    camera(client)
    usage = shutil.disk_usage(Path.cwd())
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=10))
    answer = client.post("/uploads", json={"name": "a.mov", "size": 10**6})
    assert answer.status_code == 507
    assert answer.json()["error"]["kind"] == "no-space"


def test_a_bench_of_many_takes_is_paged(client, empty_bench):
    from seeworthy.bench.models import TakeRow

    camera(client)
    with empty_bench.changing() as session:
        import datetime as dt

        session.add_all(
            TakeRow(unit_id=1, procedure="view", taken=dt.date(2026, 3, 21)) for _ in range(95)
        )
    page = client.get("/takes").text
    assert page.count('<th scope="row"') == 40
    assert "leaf 1 of 3" in page
    assert "leaf 3 of 3" in client.get("/takes?page=99").text


def test_a_mark_in_a_frame_is_added_to_those_that_are_there(client, empty_bench, tmp_path):
    from cards import clip
    from seeworthy.bench.takes import add_take
    from seeworthy.procedures import all_procedures

    camera(client)

    if "sharpness" not in all_procedures():
        pytest.skip("no test with several regions is installed")
    path = clip(tmp_path / "a.mov", np.random.default_rng(1), seconds=0.6)
    regions = {"region": ["10,10,80,80", "200,100,80,80"]}
    add_take(empty_bench, "sharpness", "Dunlin", {"": [path]}, options=regions)
    page = client.get("/takes/1/frames/0").text
    assert "Add it as another region" in page
    fields = re.findall(r'name="option\.region" value="([^"]*)"', page)
    assert sorted(fields) == ["", *regions["region"]]
    data = {"version": "1", "note": "", "measure": "no", "option.region": [*fields, "1,2,30,40"]}
    client.post("/takes/1", data=data)
    found = [value for name, value in get_take(empty_bench, 1).options if name == "region"]
    assert found == [*regions["region"], "1,2,30,40"]
    picture = client.get("/takes/1/frames/0/3.jpg?width=320")
    assert picture.content[:3] == b"\xff\xd8\xff"
    assert client.get("/takes/1/frames/9").status_code == 404


def test_a_reader_is_told_that_the_report_is_being_made(client, monkeypatch):
    from seeworthy.web.pages import reports

    camera(client)
    go_on = threading.Event()
    real = reports.html.page
    made = []

    def slowly(report, **how):
        made.append(report.camera)
        go_on.wait(30)
        return real(report, **how)

    monkeypatch.setattr(reports.html, "page", slowly)
    monkeypatch.setattr(reports, "_PATIENCE", 0.05)
    reads = {"accept": "text/html"}
    for _ in range(2):
        page = client.get("/reports/1", headers=reads)
        assert "Being put together from 0 takes" in page.text
        assert "data-reload" in page.text
    go_on.set()
    for _ in range(100):
        page = client.get("/reports/1", headers=reads)
        if "Being put together" not in page.text:
            break
    assert page.headers["content-security-policy"] == REPORT_POLICY
    assert made == ["Dunlin"]  # once, however often it was asked for


@pytest.mark.parametrize("works", [True, False])
def test_judging_many_cameras_says_that_it_is_being_worked_out(client, monkeypatch, works):
    """A reader is answered at once; what fails is said, and not awaited for ever."""
    from seeworthy.web.pages import judge

    camera(client)
    camera(client, "Knot")
    go_on, real = threading.Event(), judge.suit

    def slowly(*given):
        go_on.wait(30)
        if not works:
            raise NotFound("It cannot be ranked.")
        return real(*given)

    monkeypatch.setattr(judge, "suit", slowly)
    monkeypatch.setattr(judge, "_MANY", 1)
    monkeypatch.setattr(judge, "_PATIENCE", 0.05)
    reads = {"accept": "text/html"}
    page = client.get("/suit?purpose=kite-picture", headers=reads).text
    assert "is ranked for this purpose" in page
    assert "data-reload" in page
    go_on.set()
    for _ in range(100):
        page = client.get("/suit?purpose=kite-picture", headers=reads).text
        if "is ranked for this purpose" not in page:
            break
    assert "data-reload" not in page
    assert ("It cannot be ranked." in page) != works


def test_the_first_page_says_what_a_camera_is_good_for(client):
    """The purpose that was looked at last is the one that it speaks of."""
    camera(client)
    camera(client, "Knot")
    for name, mass in (("Dunlin", "17 g ± 0.1 g"), ("Knot", "400 g ± 1 g")):
        form = {"procedure": "body", "camera": name, "reading.mass": mass}
        assert client.post("/takes", data=form, follow_redirects=False).status_code == 303
    client.site.keeper.wait(60)
    page = client.get("/").text
    assert "Not for</strong>" in page  # 400 g break every limit of mass
    client.get("/suit?purpose=kite-picture")
    page = client.get("/").text
    assert "For kite aerial picture:</strong> does not fit, number 2 of 2" in page
    assert "Best of the bench in</strong> mass" in page


def test_what_nobody_asks_for_is_folded_in_a_comparison(client):
    camera(client)
    camera(client, "Knot")
    for name, mass, length in (("Dunlin", "17 g", "40 mm"), ("Knot", "40 g", "50 mm")):
        form = {"procedure": "body", "camera": name, "reading.mass": mass,
                "reading.length": length}  # fmt: skip
        client.post("/takes", data=form)
    client.site.keeper.wait(60)
    page = client.get("/compare").text
    at_once, _, folded = page.partition("which no purpose and no claim asks for")
    assert ">Mass</a>" in at_once
    assert ">Length</a>" not in at_once
    assert ">Length</a>" in folded
    chosen = client.get("/compare?by=camera&camera=Dunlin&camera=Knot").text
    assert (
        'href="/compare?by=camera&amp;camera=Dunlin&amp;camera=Knot&amp;measurand=length' in chosen
    )
    alone = client.get("/compare?by=camera&measurand=length").text
    assert "no purpose" not in alone
    assert ">Length</a>" in alone


@pytest.mark.parametrize(
    ("test", "way", "asked", "hidden"),
    [
        ("load", "hand", "boost_height", "site_pressure"),
        ("load", "height", "site_pressure", "sensor_bandwidth"),
        ("load", "acceleration", "sensor_bandwidth", "boost_height"),
        ("endurance", "clip", "card", "bit_rate"),
        ("endurance", "rate", "bit_rate", ""),
        ("motion", "swing", "hfov", "readout_time"),
        ("motion", "shake", "readout_time", ""),
    ],
)
def test_a_way_asks_only_what_it_uses(client, test, way, asked, hidden):
    camera(client)
    page = client.get(f"/procedures/{test}?way={way}").text
    assert f'name="reading.{asked}"' in page
    if hidden:
        assert f'name="reading.{hidden}"' not in page
        assert f'name="reading.{hidden}"' in client.get(f"/procedures/{test}").text
