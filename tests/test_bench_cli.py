"""The commands bench, camera, take and run: words, JSON, exit codes."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from seeworthy.cli.main import run as seeworthy


@pytest.fixture
def say(seaside, empty_bench, monkeypatch, capsys):
    """Give a function that runs a command in the bench and returns (code, out, err)."""
    monkeypatch.chdir(empty_bench.folder)

    def call(*words):
        code = seeworthy([str(w) for w in words])
        out, err = capsys.readouterr()
        return code, out, err

    return call


def as_json(answer):
    code, out, _ = answer
    return code, json.loads(out)


@pytest.fixture
def shore(tmp_path):
    path = tmp_path / "shore.csv"
    path.write_text("t,h\n0,1\n")
    return path


def test_a_first_bench_from_nothing(seaside, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert seeworthy(["bench", "new", "dunes"]) == 0
    assert "camera add" in capsys.readouterr().out
    assert seeworthy(["camera", "list", "--bench", "dunes"]) == 0
    assert "No camera yet" in capsys.readouterr().out


def test_without_a_bench_it_says_how_to_get_one(seaside, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("SEEWORTHY_BENCH", raising=False)
    assert seeworthy(["take", "list", "--json"]) == 2
    out, err = capsys.readouterr()
    assert json.loads(out)["error"]["kind"] == "not-found"
    assert "seeworthy bench new" in err


def test_a_camera_is_entered_and_shown(say):
    code, out, _ = say(
        "camera", "add", "Dunlin", "--maker", "Saltmarsh Optics", "--claim", "run_time=1.5 h"
    )
    assert code == 0
    assert "'Dunlin' is on the bench." in out
    assert say("camera", "claim", "Dunlin", "hfov", "120 deg", "--source", "the box")[0] == 0
    assert "says nothing" in say("camera", "claim", "dunlin", "readout_time", "nothing")[1]
    assert say("camera", "unit", "add", "Dunlin", "B7")[0] == 0
    words = ("camera", "firmware", "add", "Dunlin", "1.02", "--unit", "B7", "--since", "2026-01-05")
    assert "1.02 from 2026-01-05" in say(*words)[1]
    code, found = as_json(say("camera", "show", "Dunlin", "--json"))
    assert code == 0
    assert found["maker"] == "Saltmarsh Optics"
    assert [u["serial"] for u in found["units"]] == ["1", "B7"]
    claims = {c["subject"]: c for c in found["claims"]}
    assert claims["run_time"]["value"] == 90.0
    assert claims["readout_time"]["silent"] is True
    assert "the box" in say("camera", "show", "Dunlin")[1]
    assert say("camera", "claim", "Dunlin", "hfov", "remove")[0] == 0
    assert say("camera", "edit", "Dunlin", "--rename", "Dunlin 2")[0] == 0
    assert say("camera", "firmware", "remove", "Dunlin 2", "1.02", "--unit", "B7")[0] == 0
    assert say("camera", "unit", "remove", "Dunlin 2", "B7")[0] == 0
    assert "Dunlin 2" in say("camera", "list")[1]
    assert say("camera", "remove", "Dunlin 2", "--yes")[0] == 0


@pytest.mark.parametrize("flag", [["--with"], []])
def test_a_take_is_entered_measured_and_shown(say, shore, tmp_path, flag):
    say("camera", "add", "Dunlin")
    code, out, _ = say(
        *("take", "add", "tide", "Dunlin", shore, *flag, f"before={shore}"),
        *(
            "--reading",
            "height=5 ft 2 in ± 0.5 in",
            "--light",
            "400 lx",
            "--temperature",
            "59 degF",
        ),
        *("--date", "2026-03-21", "--note", "Windy."),
    )
    assert code == 0
    assert "Take 1: tide of Dunlin" in out
    assert "before=shore.csv" in out
    assert say("take", "add", "tide", "Dunlin", "--option", "do=refuse")[0] == 0
    assert "2 new" in say("bench", "show")[1]
    code, out, _ = say("run", "--workers", "1")
    assert code == 3  # one was refused
    assert "1 measured, 1 refused." in out
    assert "There is no sea in the clip." in out
    assert "up to date" in say("run")[1]
    code, found = as_json(say("take", "show", 1, "--json"))
    assert found["outcome"]["results"][0]["value"] == pytest.approx(62 * 0.0254)
    assert found["outcome"]["readings"]["height"]["u"] == pytest.approx(0.0127)
    assert [f["role"] for f in found["outcome"]["inputs"] if "role" in f] == ["before"]
    out = say("take", "show", 1, "--evidence", tmp_path / "pictures")[1]
    assert "tide mark" in out
    assert "400 lx" in out
    assert (tmp_path / "pictures" / "mark.png").exists()
    code, found = as_json(say("take", "show", 2, "--json"))
    assert found["outcome"]["error"]["kind"] == "cannot-measure"
    assert "Film the sea." in say("take", "show", 2)[1]


def test_a_take_is_edited_and_removed(say):
    say("camera", "add", "Dunlin")
    say("take", "add", "tide", "Dunlin", "--reading", "height=1 m", "--light", "5 lx")
    out = say("take", "edit", 1, "--reading", "height=2 m", "--light", "", "--note", "Calm.")[1]
    assert "height = 2 m" in out
    assert "light" not in out
    _, rows = as_json(say("take", "list", "--json"))
    assert [(r["id"], r["state"], r["version"]) for r in rows] == [(1, "new", 2)]
    assert say("take", "remove", 1, "--yes")[0] == 0
    assert "No take yet" in say("take", "list")[1]


def test_check_leaves_with_2_when_something_is_wrong(say, shore):
    say("camera", "add", "Dunlin")
    say("take", "add", "tide", "Dunlin", shore, "--in-place")
    assert say("bench", "check")[0] == 0
    shore.write_text("t,h\n0,7\n")
    code, out, _ = say("bench", "check")
    assert code == 2
    assert "changed: " in out
    assert "take 1" in out
    code, found = as_json(say("bench", "check", "--tidy", "--json"))
    assert (code, found["ok"], found["troubles"][0]["takes"]) == (2, False, [1])


@pytest.mark.skipif("SEEWORTHY_TEST_POSTGRES" in os.environ, reason="servers back up themselves")
def test_a_backup_is_written_where_asked(say, tmp_path):
    assert say("bench", "backup", tmp_path / "copy.sqlite")[0] == 0
    assert (tmp_path / "copy.sqlite").exists()
    code, _, err = say("bench", "backup", tmp_path / "copy.sqlite")
    assert code == 2
    assert "there already" in err


@pytest.mark.parametrize(
    ("words", "kind", "message"),
    [
        (("bench", "new", "."), "conflict", "holds a bench already"),
        (("camera", "add", "dunlin"), "conflict", "already"),
        (("camera", "show", "Knot"), "not-found", "no camera 'Knot'"),
        (("camera", "claim", "Dunlin", "hfov", "3 kg"), "bad-quantity", "3 kg"),
        (("camera", "add", "Knot", "--claim", "hfov"), "wrong-call", "has no NAME="),
        (("take", "add", "tied", "Dunlin"), "wrong-call", "no procedure 'tied'"),
        (("take", "add", "tide", "Knot", "--option", "do=refuse"), "not-found", "no camera 'Knot'"),
        (("take", "add", "tide", "Dunlin", "x.csv"), "unreadable-input", "no file 'x.csv'"),
        (("take", "add", "tide", "Dunlin", "--date", "21st"), "wrong-call", "not a date"),
        (("take", "show", "7"), "not-found", "no take 7"),
        (("take", "show", "seven"), "wrong-call", "NUMBER"),
        (("run", "--only", "Knot"), "not-found", "'Knot'"),
        (("run", "--time-limit", "3 kg"), "bad-quantity", "3 kg"),
        (("run", "--memory-limit", "lots"), "bad-quantity", "lots"),
        (("camera", "list", "--bench", "nowhere"), "not-found", "no bench"),
    ],
)
def test_what_goes_wrong_is_one_sentence_and_code_2(say, words, kind, message):
    say("camera", "add", "Dunlin")
    code, out, err = say(*words, "--json")
    assert code == 2
    error = json.loads(out)["error"]
    assert error["kind"] == kind
    assert message in error["message"]
    assert error["message"] in err
    assert error["hint"]
    assert "Traceback" not in err


def test_limits_are_typed_as_quantities():
    from seeworthy.cli.run import limit

    assert limit("10 min", "s") == pytest.approx(600)
    assert limit("2 GB", "byte") == pytest.approx(2e9)
    assert limit("none", "s") is None


def test_help_of_a_bench_command_starts_no_database():
    code = (
        "import sys; from seeworthy.cli.main import run\n"
        "for name in ('bench', 'camera', 'take', 'run'): run([name, '--help'])\n"
        "heavy = {'sqlalchemy', 'alembic', 'pebble', 'numpy', 'pint'} & set(sys.modules)\n"
        "sys.exit(f'imported: {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "Measure every take" in done.stdout


def test_a_negative_claim_is_a_value_and_no_option(say):
    assert say("camera", "add", "Whimbrel")[0] == 0
    code, out, _ = say("camera", "claim", "Whimbrel", "audio_rate_error", "-20 ppm", "--json")
    assert code == 0, out
    assert json.loads(out)["value"] == pytest.approx(-20)
    typed = ("camera", "claim", "Whimbrel", "audio_rate_error", "-20 ppm", "--nosuch", "x")
    assert say(*typed)[0] != 0
