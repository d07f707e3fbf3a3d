"""`selfcheck --quick`: right here, and wrong where a library is broken; the archives work."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from seeworthy.cli import main
from seeworthy.publish import figures, installation

QUICK = ("Tests", "Figures", "Known truth")


@pytest.fixture
def few(monkeypatch):
    """Only the steps that take no time; the slow test takes all."""
    steps = tuple(s for s in installation._STEPS if s[0] in QUICK)
    monkeypatch.setattr(installation, "_STEPS", steps)


def test_a_right_installation_says_so(few, capsys):
    assert main.run(["selfcheck", "--quick", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["right"] is True
    assert [s["title"] for s in said["steps"]] == list(QUICK)


def test_a_broken_library_is_named_and_the_rest_is_tried(few, capsys, monkeypatch):
    def broken(*args, **more):
        raise OSError("libfontconfig.so.1: cannot open shared object file")

    monkeypatch.setattr(figures, "render", broken)
    assert main.run(["selfcheck", "--quick"]) == 3
    out = capsys.readouterr().out
    assert "WRONG  Figures" in out
    assert "libfontconfig" in out
    assert "right  Known truth" in out


def test_quick_takes_no_study(capsys):
    assert main.run(["selfcheck", "view", "--quick"]) == 2
    assert "runs no study" in capsys.readouterr().err


@pytest.mark.slow
def test_every_step_is_right_here():
    steps = list(installation.check_installation())
    assert [s for s in steps if not s.right] == []
    assert len(steps) == 7


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_wheel_and_sdist_work_outside_the_checkout():
    pytest.importorskip("uv", reason="`make wheel-check` installs uv, which builds the archives")
    script = Path(__file__).with_name("wheel_check.py")
    subprocess.run([sys.executable, str(script), sys.executable], check=True)
