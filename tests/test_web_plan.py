"""Plan, preview, change over time and open data on the pages."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import zipfile
from pathlib import Path

import cv2
import numpy as np
import pytest

from seeworthy.bench.cameras import add_camera, add_unit
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import create_bench
from seeworthy.bench.takes import add_take
from seeworthy.cli import main
from seeworthy.ground.errors import WrongCall
from seeworthy.ground.results import result
from seeworthy.judge.plan.bench_plan import flight_of_take, flown
from seeworthy.judge.plan.camera import FlownCamera
from seeworthy.judge.plan.flight import read_flight
from seeworthy.judge.plan.from_log import flight_from_log
from seeworthy.judge.plan.preview import preview_bytes
from serving import one_thread, served

LOG = Path(__file__).parent / "published" / "flightlogs" / "ndrt2020_accel_altitude.csv"


def tape(width):
    return {"width": [f"{width} m ± 2 mm"], "distance": ["1.47 m ± 2 mm"]}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench") / "marram"
    bench = create_bench(folder)
    add_camera(bench, "Dunlin")
    add_unit(bench, "Dunlin", "2")
    add_camera(bench, "Turnstone")
    for day, width in ((1, 1.40), (9, 1.45), (20, 1.50)):
        taken = dt.date(2026, 4, day)
        add_take(bench, "view", "Dunlin", unit="1", taken=taken, readings=tape(width))
    add_take(bench, "view", "Dunlin", unit="2", readings=tape(1.20))
    add_take(bench, "load", "Turnstone", files={"": [LOG]}, taken=dt.date(2026, 4, 2))
    with one_thread() as pool:
        run_bench(bench, executor=pool)
    yield folder, bench
    bench.close()


@pytest.fixture
def client(folder):
    yield from served(folder[0])


def test_the_flight_of_a_take_is_that_of_its_log(folder):
    _, bench = folder
    [(number, words)] = flown(bench)
    assert words == f"take {number}, Turnstone on 2026-04-02"
    of_take, of_log = flight_of_take(bench, number), flight_from_log([LOG])
    assert of_take.legs == of_log.legs
    assert of_take.given == of_log.given
    # Legs lie evenly over the flight, not where the log has most samples.
    times = np.array([leg.time for leg in of_take.legs])
    assert np.ptp(np.diff(times)) < 0.2 * np.diff(times).mean()
    with pytest.raises(WrongCall, match="holds no flight"):
        flight_of_take(bench, 1)


def test_what_was_flown_is_planned_on_the_command_line(folder, capsys):
    place, bench = folder
    [(number, _)] = flown(bench)
    words = ["plan", "--bench", str(place), "--camera", "Dunlin", "--json"]
    assert main.run([*words, "--flown", str(number)]) == 0
    of_take = capsys.readouterr().out
    assert main.run([*words, "--from-log", str(LOG)]) == 0
    found, wanted = json.loads(of_take), json.loads(capsys.readouterr().out)
    assert found[0]["predictions"] == wanted[0]["predictions"]
    assert main.run([*words, "--flown", "1", "--from-log", str(LOG)]) == 2


def test_what_was_flown_is_planned_with_another_camera(client, folder):
    [(number, _)] = flown(folder[1])
    page = client.get("/plan", params={"flown": str(number), "camera": "Dunlin"})
    assert page.status_code == 200
    assert f'<option value="{number}" selected>' in page.text
    assert "ground width at" in page.text
    wrong = client.get("/plan", params={"flown": "1", "camera": "Dunlin"})
    assert "Take 1 holds no flight." in wrong.text
    assert client.get("/plan", params={"flown": "x"}).status_code == 400


def test_a_preview_that_cannot_be_says_what_is_missing(client):
    asked = {"motion.speed": "14 m/s", "camera": "Dunlin"}
    part = client.get("/plan/preview", params=asked)
    assert part.status_code == 200
    assert "Measure view (or lens), stream and readout first." in part.text
    assert client.get("/plan/preview.png", params=asked).status_code == 422
    two = {"motion.speed": "14 m/s", "camera": ["Dunlin", "Turnstone"]}
    assert client.get("/plan/preview", params=two).status_code == 400


def test_a_preview_is_a_picture(tmp_path):
    figures = {
        "hfov": [result("hfov", 60.0, 0.2)],
        "readout_time": [result("readout_time", 20, 0.1)],
    }
    camera = FlownCamera("Dunlin", figures, (320, 180), draws=500)
    flight = read_flight('[motion]\nspeed = "14 m/s"\ndistance = "60 m"\n', "kite")
    data, said = preview_bytes(flight, camera, "png")
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert picture.shape[1] / picture.shape[0] == pytest.approx(16 / 9, rel=0.01)
    assert picture.std() > 10
    assert any("exposure time" in text for text in said)


def test_change_over_time_and_between_units(client):
    page = client.get("/compare/time").text
    assert "Dunlin 1" in page
    # 4 cm more at 1.47 m within 19 days: far beyond 2 mm.
    assert "changes" in page
    assert "units differ" in page
    assert client.get("/compare/time", params={"camera": "Knot"}).status_code == 404


def test_open_data_is_taken_from_a_page(client):
    answer = client.get("/reports/data.zip")
    assert answer.headers["content-type"] == "application/zip"
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        described = json.loads(archive.read("datapackage.json"))
        assert {r["path"] for r in described["resources"]} < set(archive.namelist())
        [path] = [r["path"] for r in described["resources"] if r["name"] == "results"]
        rows = list(csv.DictReader(io.StringIO(archive.read(path).decode("utf-8-sig"))))
    assert {r["measurand"] for r in rows} >= {"hfov", "apogee"}
