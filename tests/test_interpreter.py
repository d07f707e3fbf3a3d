"""The interpreter outlives reading a bench, however often its garbage collector runs.

Python 3.11 (3.11.2 and 3.11.7 tried) frees an object's values twice when the collector runs
inside the first writing of a late attribute and a weak-reference callback writes the same
attribute. `seeworthy.bench.store` says how a session came to that, and what keeps it away.
"""

from __future__ import annotations

import gc
import itertools
import os
import re
import signal
import subprocess
import sys
import urllib.request
import weakref
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import event, select

from interpreter_loop import addresses, pages
from seeworthy.bench.cameras import add_camera
from seeworthy.bench.claims import set_claim
from seeworthy.bench.models import CameraRow
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import create_bench
from seeworthy.bench.takes import add_take

LOOP = Path(__file__).with_name("interpreter_loop.py")
SOURCE = Path(__file__).parent.parent / "src"
THRESHOLDS = (1, 7, 50, 300, 700)


@pytest.fixture(scope="module")
def bench_folder(tmp_path_factory):
    """Make a bench of three cameras with taped views and a claim each."""
    folder = tmp_path_factory.mktemp("bench") / "marram"
    with create_bench(folder) as bench:
        for place, name in enumerate(("Dunlin", "Sanderling", "Turnstone")):
            add_camera(bench, name)
            set_claim(bench, name, "hfov", f"{60 + 10 * place} deg")
            for turn in range(8):
                width = f"{1.40 + 0.1 * place + 0.01 * turn:.2f} m ± 2 mm"
                add_take(
                    bench, "view", name, readings={"width": [width], "distance": ["1.47 m ± 2 mm"]}
                )
        with ThreadPoolExecutor(1) as thread:
            run_bench(bench, executor=thread, workers=1)
    return folder


@pytest.fixture(scope="module")
def demo_folder(tmp_path_factory):
    """Make the whole demo bench."""
    folder = tmp_path_factory.mktemp("demo") / "bench"
    subprocess.run([sys.executable, "-m", "seeworthy.cli.main", "demo", folder], check=True)
    return folder


def looped(folder, threshold, rounds, *plain):
    """Run the loop in a process of its own; give how it ended, 0 or minus the signal."""
    found = [str(SOURCE), str(LOOP.parent), os.environ.get("PYTHONPATH", "")]
    done = subprocess.run(
        [sys.executable, LOOP, folder, str(threshold), str(rounds), *plain],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, found))},
        capture_output=True,
        text=True,
    )
    assert done.returncode <= 0, done.stderr
    assert (done.stdout == "whole\n") == (done.returncode == 0)
    return done.returncode


def asked(folder, most, at_once):
    """Serve a bench, ask that many pages, and give the answers that were not 200."""
    cameras, takes = addresses(folder)
    turns = (pages(cameras, takes, turn) for turn in itertools.count())
    wanted = list(itertools.islice(itertools.chain.from_iterable(turns), most))
    words = ["--bench", str(folder), "--no-browser", "--port", "0"]
    server = subprocess.Popen(
        [sys.executable, "-m", "seeworthy.cli.main", "serve", *words],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        lines = iter(server.stdout.readline, "")
        home = next(m[0] for m in (re.search(r"http://127\.0\.0\.1:\d+", t) for t in lines) if m)

        def ask(address):
            with urllib.request.urlopen(home + address, timeout=120) as answer:
                answer.read()
                return address, answer.status

        with ThreadPoolExecutor(at_once) as threads:
            said = list(threads.map(ask, wanted))
        assert server.poll() is None
        assert len(said) == most
        return [one for one in said if one[1] != 200]
    finally:
        server.terminate()
        server.wait(30)
        server.stdout.close()


@pytest.mark.parametrize("way", ["read", "change", "roll back", "remove", "add"])
def test_rows_live_until_their_session_is_closed(empty_bench, way):
    """A camera and its unit point at each other, and nobody else at them."""
    add_camera(empty_bench, "Dunlin")
    living = []

    def look(session, transaction=None):
        gc.collect()
        living.append(row() is not None)

    opened = empty_bench.reading() if way == "read" else empty_bench.changing()
    try:
        with opened as session:
            if way == "add":
                session.add(CameraRow(name="Knot"))
                session.flush()
            one = session.scalars(select(CameraRow).order_by(CameraRow.id.desc())).first()
            assert [unit.camera for unit in one.units] == [one] * (way != "add")
            row = weakref.ref(one)
            if way == "remove":
                session.delete(one)
                session.flush()
            del one
            look(session)
            event.listen(session, "after_transaction_end", look)
            if way == "roll back":
                raise RuntimeError
    except RuntimeError:
        pass
    assert len(living) >= 2
    assert all(living)
    del session, opened
    gc.collect()
    assert row() is None


@pytest.mark.parametrize("threshold", [7, 300])
def test_a_bench_read_again_and_again(bench_folder, threshold):
    assert looped(bench_folder, threshold, 2) == 0


def test_a_server_answers_a_few_dozen_pages(bench_folder):
    assert asked(bench_folder, 48, 2) == []


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("threshold", THRESHOLDS)
def test_the_demo_bench_read_again_and_again(demo_folder, threshold):
    assert looped(demo_folder, threshold, 10) == 0


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_a_server_answers_a_thousand_pages(demo_folder):
    assert asked(demo_folder, 1000, 4) == []


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.skipif(sys.version_info >= (3, 12), reason="3.12 and later are free of the fault")
def test_the_loop_dies_without_the_mend(demo_folder):
    """What shows that the tests above can fail."""
    ends = [looped(demo_folder, threshold, 10, "plain") for threshold in THRESHOLDS]
    assert -signal.SIGSEGV in ends


def test_only_the_store_opens_sessions():
    """And nothing of ours has a callback or a finaliser that writes attributes."""
    opening = re.compile(r"(?<![\w.])Session\(|\bsessionmaker\b|scoped_session|AsyncSession")
    freed = re.compile(r"\bweakref\b|\b__del__\b")
    modules = [(p, p.read_text(encoding="utf-8")) for p in (SOURCE / "seeworthy").rglob("*.py")]
    store = SOURCE / "seeworthy" / "bench" / "store.py"
    assert [p for p, text in modules if opening.search(text) and p != store] == []
    assert not re.search(r"(?<!_)Session\(self|(?<!_)Session\(engine", store.read_text("utf-8"))
    assert [p for p, text in modules if freed.search(text)] == []
