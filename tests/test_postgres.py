"""The store's own tests once more on PostgreSQL: a real server of ours, started for them.

Skipped where no server is installed; in CI, which installs Debian's, that is a failure.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
# What is about SQLite's own file, its locks or its backup says nothing of a server.
NOT_OF_A_SERVER = "not sqlite and not backup and not database"


def _programs() -> Path | None:
    found = [*Path("/usr/lib/postgresql").glob("*/bin/initdb")]
    on_path = shutil.which("initdb")
    return max(found).parent if found else Path(on_path).parent if on_path else None


def _run(*words: str | Path, **more) -> subprocess.CompletedProcess[str]:
    # A server refuses to be run by root; Debian's package brings a user for it.
    other = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    return subprocess.run(
        [*other, *map(str, words)], check=True, capture_output=True, text=True, **more
    )


@pytest.fixture
def server():
    """Give the folder of the socket of a server that listens nowhere else."""
    programs = _programs() if os.name == "posix" else None
    if programs is None:
        if os.environ.get("CI"):
            pytest.fail("PostgreSQL is not installed; .ci/run installs it")
        pytest.skip("no PostgreSQL server is installed here (Debian: apt install postgresql)")
    pytest.importorskip("psycopg", reason="pip install 'seeworthy[postgres]'")
    # Short: a socket's path has 107 bytes; and open to the server's user.
    folder = Path(_run("mktemp", "-d", "/tmp/seeworthy-pg-XXXXXX", cwd="/").stdout.strip())
    data = folder / "data"
    _run(programs / "initdb", "-D", data, "-A", "trust", "-U", "postgres", "--no-sync", cwd="/")
    options = f"-k {folder} -c listen_addresses='' -c fsync=off"
    control = (programs / "pg_ctl", "-D", data, "-w")
    _run(*control, "-o", options, "-l", folder / "log", "start", cwd="/")
    try:
        yield folder
    finally:
        _run(*control, "-m", "immediate", "stop", cwd="/")
        shutil.rmtree(folder, ignore_errors=True)


@pytest.mark.timeout(900)
@pytest.mark.parametrize(
    ("suite", "least"),
    [
        (("test_bench_lines.py", "test_bench_takes.py"), 50),
        pytest.param(("test_bench_run.py",), 30, marks=pytest.mark.slow),
    ],
)
def test_the_suite_of_the_store_passes_on_postgresql(server, suite, least):
    address = f"postgresql+psycopg://postgres@/postgres?host={server}"
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "-n", "0",
         "-k", NOT_OF_A_SERVER, *(str(HERE / name) for name in suite)],
        env={**os.environ, "SEEWORTHY_TEST_POSTGRES": address}, cwd=HERE.parent,
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-4000:]
    last = done.stdout.strip().splitlines()[-1]
    assert int(last.split()[0]) >= least, last
