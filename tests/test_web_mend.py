"""The pages that mend clips: chosen, begun, followed, taken away; without script throughout."""

from __future__ import annotations

import re
import time
from concurrent.futures import ThreadPoolExecutor

import av
import numpy as np
import pytest

from seeworthy.bench.cameras import add_camera
from seeworthy.bench.running import run_bench
from seeworthy.bench.takes import add_take, list_takes
from seeworthy.media.write import ClipWriter
from seeworthy.virtual.optics import Shading, develop
from seeworthy.web import limits
from serving import served
from test_recover import LAYOUTS, write


@pytest.fixture
def mended_bench(empty_bench, tmp_path):
    """A camera with a wall filmed twice: darker to the corners, redder to the left."""
    rng = np.random.default_rng(5)
    field = Shading(1.0, 2.5, red=0.2).gain(320, 180) * 0.4
    for name in ("wall", "other"):
        with ClipWriter(tmp_path / f"{name}.mp4", 320, 180, 30) as writer:
            for _ in range(6):
                writer.write_rgb(develop(field + rng.normal(0, 0.004, field.shape), rng))
    add_camera(empty_bench, "Dunlin")
    add_camera(empty_bench, "Knot")
    for name in ("wall", "other"):
        add_take(empty_bench, "shading", "Dunlin", {"": [tmp_path / f"{name}.mp4"]})
    with ThreadPoolExecutor(1) as pool:
        run_bench(empty_bench, executor=pool)
    return empty_bench


@pytest.fixture
def client(mended_bench):
    yield from served(mended_bench.folder)


def finished(client, address):
    end = time.monotonic() + 120
    while "% done" in (page := client.get(address).text.replace("&nbsp;", " ")):
        assert time.monotonic() < end, "the work does not end"
        time.sleep(0.05)
    return page


def begun(client, address, data, **files):
    answer = client.post(address, data=data, files=files or None, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


def test_a_clip_of_the_bench_is_mended_and_the_other_one_proves_it(client):
    page = client.get("/mend?camera=Dunlin").text
    assert "Take 2" in page  # the newest one of a kind, as on the command line
    assert "wall.mp4 (take 1, shading)" in page
    data = {"camera": "Dunlin", "kind": "shading", "clip": "1.0", "prove": "shading|1.0"}
    address = begun(client, "/mend", data)
    shown = finished(client, address)
    assert "Take wall-corrected.mp4 away" in shown
    assert "take 2 of Dunlin" in shown  # where the correction comes from
    # Before and after on a clip that it was not fitted to: the corner's fall-off goes.
    cells = re.findall(r"<strong>([−\d.]+)(?: ± [\d.]+)? stop", shown)
    before, after = (float(c.replace("−", "-")) for c in cells[:2])
    assert abs(after) < 0.2 * abs(before)
    assert "on wall.mp4" in shown
    assert "fitted to this very clip" not in shown
    file = client.get(f"{address}/files/wall-corrected.mp4")
    assert "attachment" in file.headers["content-disposition"]
    for name in ("before.jpg", "after.jpg"):
        assert client.get(f"{address}/files/{name}").content.startswith(b"\xff\xd8\xff")
    assert client.get(f"{address}/files/work.json").status_code == 404
    client.post(f"{address}/remove", data={"sure": "yes"})
    assert client.get(address).status_code == 404


def test_a_clip_comes_along_with_the_form(client, tmp_path):
    clip = (tmp_path / "other.mp4").read_bytes()
    data = {"camera": "Dunlin", "kind": "shading", "clip": ""}
    address = begun(client, "/mend", data, **{"plain.clip": ("KNO 7.mp4", clip)})
    assert "Take KNO 7-corrected.mp4 away" in finished(client, address)
    assert list((client.site.folder / "uploads").glob("*.json")) == []  # used up


def test_what_is_wrong_comes_back_as_typed_with_the_clip(client):
    sent = {"plain.clip": ("KNO7.mp4", b"no clip, but kept")}
    answer = client.post("/mend", data={"camera": "Dunlin", "keep_all": "yes"}, files=sent)
    assert answer.status_code == 400
    assert "No correction is chosen" in answer.text
    assert 'name="file.clip"' in answer.text
    assert re.search(r'name="keep_all" value="yes" checked', answer.text)
    none = client.post("/mend", data={"camera": "Dunlin", "kind": "shading"})
    assert "No clip is chosen" in none.text
    assert "No test of Knot gives a correction yet" in client.get("/mend?camera=Knot").text
    for clip in ("9.0", "1.7", "x", "1.0.0"):
        wrong = client.post("/mend", data={"camera": "Dunlin", "kind": "shading", "clip": clip})
        assert wrong.status_code in (400, 404), clip


def test_work_that_fails_says_why_and_leaves_no_file(client):
    sent = {"plain.clip": ("KNO7.mp4", b"\x00\x00\x00\x18ftypmp42" + b"\x07" * 400)}
    address = begun(client, "/mend", {"camera": "Dunlin", "kind": "shading"}, **sent)
    page = finished(client, address)
    assert "No new file" in page
    assert "KNO7" in page


def test_a_broken_clip_is_brought_back(client, tmp_path):
    layout = LAYOUTS[0]
    write(tmp_path / "good.mp4", layout, 30, seed=1)
    write(tmp_path / "whole.mp4", layout, 60, seed=2)
    data = (tmp_path / "whole.mp4").read_bytes()
    index = data.index(b"moov")
    assert index > data.index(b"mdat"), "the index comes last, as a camera writes it"
    sent = {
        "plain.broken": ("SAN 9.mp4", data[: index - 4]),
        "plain.good": ("SAN 8.mp4", (tmp_path / "good.mp4").read_bytes()),
    }
    address = begun(client, "/mend/recover", {}, **sent)
    page = finished(client, address)
    assert "60 pictures came back" in page
    back = tmp_path / "back.mp4"
    back.write_bytes(client.get(f"{address}/files/SAN 9-recovered.mp4").content)
    with av.open(str(back)) as container:
        assert sum(1 for _ in container.decode(video=0)) == 60
    assert "SAN 9-recovered.mp4" in client.get("/mend/recover").text
    whole = {"plain.broken": ("whole.mp4", data), "plain.good": sent["plain.good"]}
    fine = finished(client, begun(client, "/mend/recover", {}, **whole))
    assert "has its index; it needs no recovery" in fine
    none = client.post("/mend/recover", data={}, files={"plain.good": sent["plain.good"]})
    assert "The broken clip is missing" in none.text
    assert 'name="file.good"' in none.text


def test_a_take_brings_its_clip_without_script(client, mended_bench, tmp_path):
    clip = (tmp_path / "wall.mp4").read_bytes()
    data = {"procedure": "stream", "camera": "Dunlin\x1f1", "taken": "2026-03-21"}
    begun(client, "/takes", data, **{"plain.role_": ("KNO1.mp4", clip + b"\0")})
    client.site.keeper.wait(60)
    take = list_takes(mended_bench)[-1]
    assert (take.procedure, take.files[0].name) == ("stream", "KNO1.mp4")


def test_a_form_with_a_file_may_be_large_only_where_files_belong(client, monkeypatch):
    monkeypatch.setattr(limits, "LARGEST_FORM", 1000)
    sent = {"plain.clip": ("KNO7.mp4", b"x" * 5000)}
    assert client.post("/mend", data={"camera": "Dunlin"}, files=sent).status_code == 400
    assert client.post("/cameras", data={"name": "x"}, files=sent).status_code == 413
    monkeypatch.setattr(limits, "LARGEST_WITH_FILE", 3000)
    assert client.post("/mend", data={"camera": "Dunlin"}, files=sent).status_code == 413
