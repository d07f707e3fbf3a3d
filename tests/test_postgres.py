"""The store's own tests once more on PostgreSQL: a real server of ours, started for them.

Skipped where no server is installed; in CI, which installs Debian's, that is a failure.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.pool import NullPool

from seeworthy.bench.cameras import add_camera, get_camera
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import create_bench, open_bench
from seeworthy.bench.takes import list_takes

HERE = Path(__file__).parent
# What is about SQLite's own file, its locks or its backup says nothing of a server.
NOT_OF_A_SERVER = "not sqlite and not backup and not database"


_PERSON = """
import sys
from concurrent.futures import ThreadPoolExecutor
from seeworthy.bench.claims import set_claim
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import open_bench
from seeworthy.bench.takes import add_take
folder, number, each = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
with open_bench(folder) as bench:
    set_claim(bench, "Dunlin", ("mass", "length")[number], ("15 g", "4 cm")[number])
    for k in range(each):
        mass = f"{10 + number * each + k} g"
        add_take(bench, "body", "Dunlin", readings={"mass": [mass]})
        if k % 4 == 3:
            run_bench(bench, executor=ThreadPoolExecutor(1))
    run_bench(bench, executor=ThreadPoolExecutor(1))
"""


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
    # The server itself says that it was used: a suite that fell back to files would pass, too.
    with create_engine(address, poolclass=NullPool).connect() as connection:
        asked = "SELECT xact_commit FROM pg_stat_database WHERE datname = 'postgres'"
        assert connection.execute(text(asked)).scalar_one() > 5 * least
        assert connection.execute(text("SELECT count(*) FROM take")).scalar_one() >= 0


PEOPLE = 2
EACH = 12


def test_two_people_on_one_bench_lose_nothing(server, tmp_path):
    """Two processes enter takes, edit one camera and measure, at the same time."""
    address = f"postgresql+psycopg://postgres@/postgres?host={server}"
    with create_bench(tmp_path / "dunes", database=address) as bench:
        add_camera(bench, "Dunlin")
    own = {**os.environ, "PYTHONPATH": os.pathsep.join([*sys.path, str(HERE)])}
    people = [
        subprocess.Popen(
            [sys.executable, "-c", _PERSON, str(tmp_path / "dunes"), str(number), str(EACH)],
            env=own, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for number in range(PEOPLE)
    ]  # fmt: skip
    said = [person.communicate(timeout=400) for person in people]
    assert [person.returncode for person in people] == [0] * PEOPLE, said
    with open_bench(tmp_path / "dunes") as bench:
        takes = list_takes(bench)
        claims = {c.subject for c in get_camera(bench, "Dunlin").claims}
        assert run_bench(bench, executor=ThreadPoolExecutor(1)).done == ()
    assert len(takes) == PEOPLE * EACH
    assert {t.state for t in takes} == {"measured"}
    entered = sorted(float(t.readings[0].text.split()[0]) for t in takes)
    assert entered == [10.0 + k for k in range(PEOPLE * EACH)]
    assert claims == {"mass", "length"}
