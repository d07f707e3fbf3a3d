"""Broken files end with 0, 2 or 3 and words, in their time, and leave nothing behind.

200 files here; all 2,000 with ``make test-all`` (marked slow). The files are made by
`tests/faults/make.py`; each goes through what a person would do with it (look, measure,
recover, import, correct, plan, suit, restore) in processes of their own.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from faults.fuzz import quiet, readers
from faults.make import make

DRIVE = Path(__file__).parent / "faults" / "drive.py"
SECONDS = 60.0
"""For one command on a file of some kB; twenty times the slowest of the run in docs/trust.md,
for the machine may be busy."""
MIB = 1024
_BATCH = 50


def lines_of(folder: Path, first: int, last: int) -> list[dict]:
    done = subprocess.run(
        [sys.executable, str(DRIVE), str(folder), str(first), str(last)],
        capture_output=True,
        text=True,
        timeout=_BATCH * SECONDS,
        env={**os.environ, "SEEWORTHY_TRACE": ""},
        check=False,
    )
    found = [line for line in done.stdout.splitlines() if line.startswith("{")]
    tail = found[-1] if found else done.stdout[-300:]
    assert done.returncode == 0, f"died after {tail}\n{done.stderr[-2000:]}"
    return [json.loads(line) for line in found]


def troubles(count: int, seed: int, folder: Path) -> list[str]:
    place = folder / "broken"
    place.mkdir()
    make(place, count, seed)
    found, ran = [], 0
    for first in range(0, count, _BATCH):
        for one in lines_of(place, first, first + _BATCH):
            ran += 1
            what = f"{' '.join(one['words'])}: {one['code']}, {one['said'][-200:]!r}"
            if one["code"] not in (0, 2, 3) or "itself failed" in one["said"]:
                found.append(f"code, {what}")
            if not one["said"].strip():
                found.append(f"no words, {what}")
            if one["seconds"] > SECONDS or one["mib"] > MIB:
                found.append(f"{one['seconds']} s and {one['mib']} MiB, {what}")
            if one["left"] or one["touched"]:
                found.append(f"left {one['left']}, touched {one['touched']}, {what}")
    assert ran >= count
    return found


def test_two_hundred_broken_files_end_in_words(tmp_path):
    assert troubles(200, 14, tmp_path) == []


@pytest.mark.slow
def test_two_thousand_broken_files_end_in_words(tmp_path):
    assert troubles(2000, 2026, tmp_path) == []


READERS = readers()
_PIECES = st.sampled_from(
    ["1", "9" * 40, "1e999", "± ", " m", " in", "°", "x", "\n", ",", ";", '"', "[", "= ", "{", "٣",
     "\0", "60fps ", "1:42", "ﬁ", "(k=2)", "%", "title", "'", "\t", "𝟙", "−", "/", ".", "e"]
)  # fmt: skip


@pytest.mark.parametrize("name", list(READERS))
@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    data=st.one_of(
        st.binary(max_size=300),
        st.lists(_PIECES, max_size=40).map(
            lambda parts: "".join(parts).encode("utf-8", "surrogatepass")
        ),
    )
)
def test_our_readers_answer_or_refuse(name, data):
    quiet(READERS[name])(data)
