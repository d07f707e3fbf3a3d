"""Put deliberate faults into a copy of the project, one by one, and see the named tests fail.

    python tests/mutants/run.py [ID ...]

Prints a row per fault: killed, SURVIVED (no named test fails), or NO LONGER APPLIES (the text is
not in the file exactly once). Exit 1 unless every fault is killed.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from faults import FAULTS, Fault

ROOT = Path(__file__).parents[2]
COPIED = ("src", "tests", "docs", "pyproject.toml", "README.md", "CHANGELOG.md")


def told(line: str) -> None:
    """Print a line at once."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def copied(to: Path) -> None:
    """Copy what the tests read."""
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            ignored = shutil.ignore_patterns("__pycache__", "_build", "corpus")
            shutil.copytree(source, to / name, ignore=ignored)
        else:
            shutil.copy(source, to / name)


def tested(copy: Path, tests: tuple[str, ...]) -> int:
    """Return pytest's exit code for the named tests: 0 all pass, 1 some fail."""
    paths = os.pathsep.join((str(copy / "src"), str(copy / "tests")))
    settings = {**os.environ, "PYTHONPATH": paths, "PYTHONDONTWRITEBYTECODE": "1"}
    words = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests]
    return subprocess.run(words, cwd=copy, env=settings, capture_output=True).returncode


def judged(copy: Path, fault: Fault) -> str:
    """Put one fault in, test, and take it out again."""
    path = copy / "src" / "seeworthy" / fault.file
    text = path.read_text(encoding="utf-8")
    if text.count(fault.old) != 1:
        return "NO LONGER APPLIES"
    path.write_text(text.replace(fault.old, fault.new), encoding="utf-8")
    try:
        code = tested(copy, fault.tests)
    finally:
        path.write_text(text, encoding="utf-8")
    return {0: "SURVIVED", 1: "killed"}.get(code, f"pytest ended with {code}")


def main(wanted: list[str]) -> int:
    """Judge the faults that were named, or all."""
    chosen = [f for f in FAULTS if not wanted or f.id in wanted]
    alive = 0
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        copied(copy)
        every = tuple(dict.fromkeys(test for f in chosen for test in f.tests))
        if code := tested(copy, every):
            told(f"The tests do not pass without a fault (pytest ended with {code}).")
            return 1
        told("| fault | what | passed all tests once | now | s |")
        told("| --- | --- | --- | --- | --- |")
        for fault in chosen:
            begun = time.monotonic()
            said = judged(copy, fault)
            alive += said != "killed"
            once = "yes" if fault.passed_once else ""
            took = time.monotonic() - begun
            told(f"| {fault.id} | {fault.words} | {once} | {said} | {took:.0f} |")
    told(f"\n{len(chosen) - alive} of {len(chosen)} faults killed.")
    return int(alive > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
