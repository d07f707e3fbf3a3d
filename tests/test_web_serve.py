"""``serve`` and ``import`` as commands."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import urllib.request
from pathlib import Path

import numpy as np
import pytest

from seeworthy.bench.cameras import add_camera
from seeworthy.bench.slates import slate_for
from seeworthy.cli.main import run


def begun(*words):
    command = [sys.executable, "-m", "seeworthy.cli.main", "serve", "--no-browser", "--port", "0"]
    return subprocess.Popen([*command, *words], stdout=subprocess.PIPE, text=True)


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
