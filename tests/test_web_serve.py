"""``serve`` and ``import`` as commands."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import numpy as np
import pytest

from seeworthy.bench.cameras import add_camera
from seeworthy.bench.slates import slate_for
from seeworthy.bench.takes import add_take, get_take
from seeworthy.cli.main import run


def begun(*words, **pipes):
    command = [sys.executable, "-m", "seeworthy.cli.main", "serve", "--no-browser", "--port", "0"]
    return subprocess.Popen([*command, *words], stdout=subprocess.PIPE, text=True, **pipes)


def lines_until(server, pattern):
    text = ""
    for line in server.stdout:
        text += line
        if re.search(pattern, text):
            return text
    raise AssertionError(text)


@pytest.mark.parametrize("share", [False, True])
def test_the_bench_is_served_on_loopback(tmp_path, share):
    server = begun("--bench", str(tmp_path / "dunes"), *(["--share"] if share else []))
    try:
        text = lines_until(server, "Ctrl-C")
        address = re.search(r"http://127\.0\.0\.1:\d+/", text)[0]
        with urllib.request.urlopen(address, timeout=20) as answer:
            assert b"No bench here yet" in answer.read()
        assert bool(re.search(r"/\?key=[\w-]{32}", text)) == share
        assert ("▄" in text or "█" in text) == share
    finally:
        server.terminate()
        server.wait(20)
        server.stdout.close()


def test_a_server_that_is_ended_while_it_measures_puts_everything_away(
    empty_bench, tmp_path, monkeypatch
):
    """SIGTERM, as a service manager sends it: exit 0 in peace, nothing leaked, the take waits."""
    monkeypatch.syspath_prepend(str(Path(__file__).parent))
    from cards import clip

    monkeypatch.setenv("TMPDIR", str(tmp_path))
    add_camera(empty_bench, "Dunlin")
    clip(tmp_path / "a.mov", np.random.default_rng(1))
    take = add_take(empty_bench, "timing", "Dunlin", {"": [tmp_path / "a.mov"]})
    server = begun("--bench", str(empty_bench.folder), stderr=subprocess.PIPE)
    try:
        address = re.search(r"http://[\d.]+:\d+", lines_until(server, "Ctrl-C"))[0]
        headers = {"origin": address, "content-type": "application/json"}
        asked = urllib.request.Request(f"{address}/api/run", b"null", headers)
        with urllib.request.urlopen(asked, timeout=30) as answer:
            assert json.load(answer) == {"started": True}
        end = time.monotonic() + 60
        while not list(tmp_path.glob("seeworthy-scratch-*")):  # the workers have begun
            assert time.monotonic() < end
            time.sleep(0.02)
    finally:
        server.terminate()
        _, said = server.communicate(timeout=60)
    assert server.returncode == 0
    assert said == ""
    assert list(tmp_path.glob("seeworthy-*")) == []
    assert get_take(empty_bench, take.id).state == "new"
    assert run(["run", "--bench", str(empty_bench.folder)]) == 0


def test_a_file_is_no_bench_folder(tmp_path, capsys):
    (tmp_path / "x").write_text("x")
    assert run(["serve", "--bench", str(tmp_path / "x"), "--no-browser"]) == 2
    assert "not a folder" in capsys.readouterr().err


def test_import_takes_in_what_is_sure_and_lists_the_rest(
    empty_bench, tmp_path, capsys, monkeypatch
):
    monkeypatch.syspath_prepend(str(Path(__file__).parent))
    from cards import clip

    unit = add_camera(empty_bench, "Dunlin").units[0].id
    card = tmp_path / "card"
    card.mkdir()
    clip(card / "A.MOV", np.random.default_rng(1), slate_for(empty_bench, unit, "timing")[1])
    (card / "notes.txt").write_text("tide at six\n")
    words = ["import", str(card), "--bench", str(empty_bench.folder), "--json"]
    assert run([*words, "--dry-run"]) == 0
    assert json.loads(capsys.readouterr().out)["taken_in"] is None
    assert run(words) == 0
    said = json.loads(capsys.readouterr().out)
    assert [t["procedure"] for t in said["taken_in"]["takes"]] == ["timing"]
    assert run(words) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["taken_in"]["takes"] == []
    assert said["guesses"][0]["take"] == 1
    assert run(["import", str(tmp_path / "none"), "--bench", str(empty_bench.folder)]) == 2
