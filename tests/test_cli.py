"""The command line as a user types it: exit codes, JSON shapes, no traceback, quick help."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from seeworthy.cli import main
from seeworthy.cli.words import harmless, pairs, result_line
from seeworthy.ground.errors import WrongCall
from seeworthy.ground.plain import plain
from seeworthy.ground.results import result
from seeworthy.media.write import ClipWriter
from seeworthy.publish.numbers import interval_text


def run(capsys, *words):
    code = main.run(list(words))
    out, err = capsys.readouterr()
    return code, out, err


def test_help_names_every_command_with_its_line(capsys):
    code, out, _ = run(capsys, "--help")
    assert code == 0
    for name in ("look", "measure", "procedures", "selfcheck"):
        assert f"  {name} " in out
        assert main.COMMANDS[name].help in out


@pytest.mark.parametrize(
    ("typed", "meant"), [("lok", "look"), ("claim", "camera claim"), ("zzzz", "")]
)
def test_a_mistyped_command_is_met_with_the_nearest(capsys, typed, meant):
    code, _, err = run(capsys, typed)
    assert code == 2
    assert (f"Meant: {meant}" in err) if meant else ("Meant" not in err)


def test_every_listed_command_loads_and_explains_itself():
    for name in main.LazyGroup().list_commands(None):
        command = main.load(name)
        assert (command.help or "").strip(), name


@pytest.mark.parametrize("heavy", ["numpy", "av", "pint", "cv2", "scipy", "sqlalchemy", "rich"])
def test_help_starts_without_heavy_imports(heavy):
    code = (
        "import sys\nfrom seeworthy.cli.main import run\nrun(['--help'])\n"
        f"sys.exit(3 if {heavy!r} in sys.modules else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()


@pytest.mark.parametrize("heavy", ["numpy", "av", "cv2", "scipy"])
def test_procedures_lists_without_heavy_imports(heavy):
    code = (
        "import sys\nfrom seeworthy.cli.main import run\nrun(['procedures'])\n"
        f"sys.exit(3 if {heavy!r} in sys.modules else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()


def test_an_unknown_procedure_is_a_wrong_call(capsys):
    code, out, err = run(capsys, "measure", "readuot", "--json")
    assert code == 2
    error = json.loads(out)["error"]
    assert error["kind"] == "wrong-call"
    assert "readuot" in error["message"]
    assert "readout" in error["hint"]
    assert error["message"] in err


def test_an_unknown_command_and_a_missing_argument_are_wrong_calls(capsys):
    assert run(capsys, "measrue")[0] == 2
    code, out, err = run(capsys, "measure", "--json")
    assert code == 2
    assert json.loads(out)["error"]["hint"]
    assert "Traceback" not in err


def test_a_file_that_is_not_there(capsys):
    code, out, _ = run(capsys, "measure", "stream", "nowhere.mov", "--json")
    assert code == 2
    assert json.loads(out)["error"]["kind"] == "unreadable-input"


def test_a_reading_without_a_name(capsys):
    code, _, err = run(capsys, "measure", "view", "--reading", "73 in")
    assert code == 2
    assert "NAME=" in err


def test_measure_view_gives_the_json_contract(capsys):
    code, out, _ = run(
        capsys, "measure", "view", "--reading", "width=73.7 in ± 0.1 in",
        "--reading", "distance=60.0 in ± 0.1 in", "--json",
    )  # fmt: skip
    assert code == 0
    found = json.loads(out)
    assert set(found) >= {
        "procedure", "method", "seeworthy", "inputs", "readings", "results", "findings", "warnings",
    }  # fmt: skip
    assert found["readings"]["width"]["value"] == pytest.approx(1.87198)
    hfov = next(r for r in found["results"] if r["measurand"] == "hfov")
    # By arithmetic, with the pupil 5 mm (0 to 10) behind the front of the lens, where
    # the tape starts: 2 atan(73.7 / 2 / (60 + 5 / 25.4)) is 62.946 deg. A wall turned by s is seen
    # wider by s² (1 / cos² h - 1/2); with s of 2 deg in root mean square that takes off 0.054.
    assert hfov["value"] == pytest.approx(62.892, abs=0.01)
    assert set(hfov) == {
        "measurand", "value", "unit", "u", "dof", "interval", "coverage", "n", "conditions",
            "evidence", "budget",
    }  # fmt: skip
    assert hfov["interval"][0] < hfov["value"] < hfov["interval"][1]


def test_measure_view_in_words(capsys):
    code, out, _ = run(
        capsys, "measure", "view", "--reading", "width=73 in", "--reading", "distance=60 in"
    )
    assert code == 0
    assert "±" in out
    assert "° ± " in out


def test_a_reading_of_the_wrong_dimension(capsys):
    code, out, _ = run(
        capsys,
        "measure",
        "view",
        "--reading",
        "width=73 in",
        "--reading",
        "distance=3 kg",
        "--json",
    )
    assert code == 2
    assert json.loads(out)["error"]["kind"] == "bad-quantity"


@pytest.mark.parametrize("distance", ["-60 in", "0 in"])
def test_a_distance_that_cannot_be(capsys, distance):
    code, _, err = run(
        capsys, "measure", "view", "--reading", "width=73 in", "--reading", f"distance={distance}"
    )
    assert code == 2
    assert "above zero" in err


def test_pairs_collects_repeats_and_keeps_later_equal_signs():
    assert pairs(["a=1", "a=2", "b=x=y"], "--option", "a=1") == {"a": ["1", "2"], "b": ["x=y"]}
    with pytest.raises(WrongCall, match="NAME="):
        pairs(["a"], "--option", "a=1")


def test_a_result_line_rounds_both_ends_by_the_uncertainty():
    name, value, rest = result_line(result("duration", 2.0, 0.00003, n=4))
    assert name == "duration"
    assert value.startswith("2.000000")
    assert "1.999941 to 2.000059" in rest
    assert "n = 4" in rest


def test_json_never_holds_nan():
    assert plain({"a": [float("nan"), 1.0, {"b": float("inf")}]}) == {"a": [None, 1.0, {"b": None}]}


@pytest.fixture
def one_picture(tmp_path):
    with ClipWriter(tmp_path / "one.mp4", 64, 48, Fraction(30)) as clip:
        clip.write_luma(np.full((48, 64), 90, np.uint8))
    return tmp_path / "one.mp4"


def test_look_at_a_clip_that_tells_nothing_ends_with_3(capsys, one_picture):
    code, out, _ = run(capsys, "look", str(one_picture))
    assert code == 3
    assert "too few pictures to show a motion (1)" in out
    assert "Nothing moves" not in out


def test_look_goes_on_after_a_file_that_is_no_clip(capsys, one_picture, tmp_path):
    text = tmp_path / "text.mov"
    text.write_text("no clip\n" * 40)
    code, out, _ = run(capsys, "look", str(text), str(one_picture), "--json")
    first, second = json.loads(out)
    assert code == 2
    assert first["error"]["kind"] == "unreadable-input"
    assert "one.mp4" in json.dumps(second)


def test_a_read_only_place_is_a_wrong_call():
    error = main._translate(OSError(30, "Read-only file system", "x/exports"))
    assert error.exit_code == 2
    assert "read-only" in error.message


@pytest.mark.parametrize("name", ["demo", "selfcheck", "target", "report", "export"])
def test_every_option_of_a_help_page_names_what_it_wants(capsys, name):
    _, out, _ = run(capsys, name, "--help")
    options = [line for line in out.splitlines() if line.lstrip().startswith("-")]
    assert options
    assert not [line for line in options if "<" in line.split("  ")[1]], options


def test_an_interval_narrower_than_the_usual_digits_shows_two_ends():
    assert interval_text(29.99997, 30.00003, 1.5e-5, "Hz").startswith("29.999970 to 30.000030")


def test_look_says_little_first_and_everything_when_asked(capsys, tmp_path):
    path = tmp_path / "posts.mp4"
    with ClipWriter(path, 64, 48, Fraction(30)) as clip:
        for k in range(40):
            clip.write_luma(np.full((48, 64), 60 + 3 * k, np.uint8))
    _, brief, _ = run(capsys, "look", str(path))
    _, full, _ = run(capsys, "look", str(path), "--all")
    assert "Film next: " in brief
    assert "30.000 pictures a second" in brief
    assert f"seeworthy look --all {path}" in brief
    assert len(brief.splitlines()) < 20 < len(full.splitlines())
    assert "pixel format: " in full
    assert "pixel format: " not in brief
    assert not [line for line in (brief + full).splitlines() if line.endswith(": –")]


def test_us_customary_first_when_asked(capsys):
    words = ["measure", "body", "--reading", "mass=0.8 oz ± 0.02 oz"]
    _, metric, _ = run(capsys, *words)
    code, us, _ = run(capsys, "--units", "us", *words)
    assert code == 0
    # The avoirdupois ounce is 28.349523125 g (NIST Handbook 44, Appendix C, from memory).
    assert "22.7 ± 1.1 g" in metric
    assert re.search(r"mass +0\.80\d* ± 0\.039 oz", us.replace("\u202f", " "))
    assert "22.7 ± 1.1 g" in us
    assert run(capsys, "--units", "stone", *words)[0] == 2
    assert (
        json.loads(run(capsys, "--units", "us", *words, "--json")[1])["results"][0]["unit"] == "g"
    )


def test_the_units_of_a_bench_hold_until_a_command_says_another(capsys, empty_bench):
    at = ["--bench", str(empty_bench.folder)]
    assert run(capsys, "bench", "units", *at)[1].startswith("Units: metric, and US")
    run(capsys, "camera", "add", "Dunlin", *at)
    run(capsys, "take", "add", "body", "Dunlin", "--reading", "mass=17.0 g ± 0.5 g", *at)
    run(capsys, "run", *at)
    assert "oz" not in run(capsys, "take", "show", "1", *at)[1]
    assert run(capsys, "bench", "units", "us", *at)[0] == 0
    assert re.search(r"0\.59\d* ± 0\.03\d* oz", run(capsys, "take", "show", "1", *at)[1])
    assert "oz" not in run(capsys, "--units", "metric", "take", "show", "1", *at)[1]
    assert run(capsys, "bench", "units", "stone", *at)[0] == 2


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        (
            "\x1b]0;title\x07 \x1b[2J\x1b]52;c;eA==\x07",
            "\ufffd]0;title\ufffd \ufffd[2J\ufffd]52;c;eA==\ufffd",
        ),
        ("photo\u202egnp.exe \x9b2J", "photo\ufffdgnp.exe \ufffd2J"),
        ("\x1b[1;32mwide\x1b[0m\tangle\n", "\x1b[1;32mwide\x1b[0m\tangle\n"),
        ("Großer Brachvogel 滨鹬 ±", "Großer Brachvogel 滨鹬 ±"),
    ],
)
def test_names_of_strangers_give_a_terminal_no_orders(said, shown):
    """ECMA-48: OSC, CSI and C1 sequences; only colours (SGR) pass."""
    assert harmless(said, terminal=True) == shown
    assert harmless(said, terminal=False) == said


def test_a_name_that_is_no_text_is_printed(tmp_path):
    path = os.fsencode(tmp_path) + b"/\xff.csv"
    Path(os.fsdecode(path)).write_bytes(b"no log")
    done = subprocess.run(
        [sys.executable, "-m", "seeworthy", "measure", "load", path],
        capture_output=True,
        check=False,
    )
    assert done.returncode == 2
    assert b"itself failed" not in done.stderr
    assert "\ufffd.csv" in done.stderr.decode()
