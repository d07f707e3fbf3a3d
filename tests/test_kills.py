"""Killed, out of room, read-only, with a jumping clock, and all at once: nothing is lost.

What is done stands in `tests/faults/kills.py`; here a few kills run, all others with
``make test-all`` (marked slow).
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from faults.make import make

KILLS = Path(__file__).parent / "faults" / "kills.py"
pytestmark = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="forks and /proc")


@pytest.fixture
def open_place():
    """Give a folder that everybody may enter; pytest's own is private."""
    place = Path(tempfile.mkdtemp(prefix="kills-"))
    place.chmod(0o755)
    yield place / "kills"
    for path in place.rglob("*"):
        if path.is_dir():
            path.chmod(0o755)
    shutil.rmtree(place)


def tried(place: Path, *words: str, seconds: float) -> list[dict]:
    """Run it, see that nothing was wrong, and return its lines."""
    one = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, str(KILLS), *words, str(place)],
        capture_output=True,
        text=True,
        timeout=seconds,
        env={**os.environ, **one, "PYTHONPATH": os.pathsep.join(sys.path)},
        check=False,
    )
    lines = [json.loads(x) for x in done.stdout.splitlines() if x.startswith("{")]
    assert [x for x in lines if x.get("wrong")] == []
    assert done.returncode == 0, done.stderr[-2000:]
    return lines


def test_eight_kills(open_place):
    assert len(tried(open_place, "8", "14", seconds=300)) == 9


@pytest.mark.slow
def test_two_hundred_kills(open_place):
    assert len(tried(open_place, "220", "2026", seconds=3600)) == 221


@pytest.mark.slow
def test_broken_files_through_the_pages_of_a_server(tmp_path):
    make(tmp_path, 260, 41)
    done = subprocess.run(
        [sys.executable, str(KILLS.with_name("pages.py")), str(tmp_path), "0", "260"],
        capture_output=True,
        text=True,
        timeout=3600,
        check=False,
    )
    assert json.loads(done.stdout)["bad"] == [], done.stderr
    assert json.loads(done.stdout)["mib"] < 1024


@pytest.mark.slow
@pytest.mark.parametrize("what", ["full", "read-only", "together", "clock"])
def test_without_room_rights_peace_or_time(open_place, what):
    assert tried(open_place, what, "1", seconds=1200)
