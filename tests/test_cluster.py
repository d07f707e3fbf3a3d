"""A real scheduler of dask.distributed with two workers: loss, restart, another version."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from seeworthy.engine import cluster
from seeworthy.engine.jobs import FileSpec, Job, Task, perform
from seeworthy.engine.run import run_jobs
from seeworthy.ground.errors import SeeworthyError, WorkerLost, WrongCall

pytest.importorskip("distributed")

READINGS = {"card": ("60 GB",), "bit_rate": ("20 Mbit/s",)}


def pid_after(seconds, folder):
    """Say which process does it, wait, and say so again: what a long clip looks like."""
    mark = Path(folder) / f"{os.getpid()}"
    mark.touch()
    time.sleep(seconds)
    return os.getpid()


@pytest.fixture(scope="module")
def far(tmp_path_factory):
    """Yield the address of a scheduler with two workers that see the bench at another place."""
    folder = tmp_path_factory.mktemp("cluster")
    (folder / "bench" / "evidence" / "ab").mkdir(parents=True)
    here = {"PYTHONPATH": os.pathsep.join([*sys.path, str(Path(__file__).parent)])}
    told = {"env": {**os.environ, **here}, "cwd": folder, "stderr": subprocess.DEVNULL}
    said = folder / "said.json"
    scheduler = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1"]
    scheduler += ["--port", "0", "--no-dashboard", "--scheduler-file", str(said)]
    with subprocess.Popen(scheduler, **told) as first:
        until(lambda: said.exists() and said.read_text())
        place = json.loads(said.read_text())["address"].removeprefix("tcp://")
        call = [sys.executable, "-m", "seeworthy", "worker", place, "--workers", "2"]
        with subprocess.Popen([*call, "--bench-at", str(folder / "bench")], **told) as second:
            yield place, folder
            second.terminate()
            try:
                assert second.wait(30) == 130  # as by Ctrl-C
            finally:
                second.kill()
                first.kill()


def until(true, seconds=60.0):
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.1)


@pytest.fixture(scope="module")
def workers(far):
    place, _ = far

    def ready():
        try:
            found = cluster.ClusterWorkers(f"dask://{place}")
        except WrongCall:
            return False
        if found.workers < 2:
            found.shutdown()
            return False
        kept.append(found)
        return True

    kept = []
    until(ready)
    with kept[0] as found:
        yield found


def answers(jobs, workers):
    return {a.key: a.answer for a in run_jobs(iter(jobs), workers, at_once=2)}


def test_takes_are_measured_far_away_as_here(workers):
    jobs = [Job((Task(str(k), "endurance", readings=READINGS),)) for k in range(4)]
    found = answers(jobs, workers)
    here = perform(jobs[0])[0].answer
    assert sorted(found) == ["0", "1", "2", "3"]
    assert all(a.results == here.results for a in found.values())


def test_a_worker_finds_the_evidence_where_it_sees_the_bench(workers, far):
    place = far[1] / "bench" / "evidence" / "ab" / "abc.csv"
    place.write_text("Time (s),Altitude (m)\n0,0\n")
    spec = FileSpec("/nowhere/bench/evidence/ab/abc.csv", "flight.csv", "0" * 64)
    found = answers([Job((Task("1", "load", {"": (spec,)}),))], workers)["1"]
    assert isinstance(found, SeeworthyError)
    assert str(place) in found.message  # found there, and not what was entered
    assert "is not the file" in found.message


def test_a_url_of_the_bench_is_read_and_left_clean(tmp_path, monkeypatch):
    kept = tmp_path / "bench" / "evidence" / "ab" / "abc.csv"
    kept.parent.mkdir(parents=True)
    kept.write_text("a,b\n")
    monkeypatch.setenv("SEEWORTHY_BENCH_AT", (tmp_path / "bench").as_uri())
    spec = FileSpec("/nowhere/evidence/ab/abc.csv", "flight.csv")
    seen = []
    job = Job((Task("1", "load", {"": (spec,)}),))

    def look(job):
        seen.append(Path(job.tasks[0].files[""][0].path))
        return seen[0].read_text()

    assert cluster._there(cluster.versions(), look, job) == "a,b\n"
    assert not seen[0].exists()
    kept.unlink()
    with pytest.raises(WorkerLost, match=r"cannot fetch .*abc\.csv: FileNotFoundError") as told:
        cluster._there(cluster.versions(), look, job)
    assert "--bench-at" in told.value.hint


def test_what_a_lost_worker_had_in_hand_is_done_by_another(workers, tmp_path):
    future = workers.submit(pid_after, 3.0, str(tmp_path))
    until(lambda: list(tmp_path.iterdir()))
    lost = int(next(tmp_path.iterdir()).name)
    os.kill(lost, signal.SIGKILL)
    assert future.result(60) not in (0, lost)
    # The one that was lost is started again.
    until(lambda: sum(workers._client.nthreads().values()) == 2)
    assert workers.submit(pid_after, 0.0, str(tmp_path)).result(60)


def test_a_worker_of_another_version_measures_nothing(workers, monkeypatch):
    monkeypatch.setattr(workers, "_versions", "0.0.1-other")
    found = answers([Job((Task("1", "endurance", readings=READINGS),))], workers)["1"]
    assert isinstance(found, WorkerLost)
    assert "0.0.1-other" in found.message
    assert "same version" in found.hint


@pytest.mark.parametrize("address", ["dask://127.0.0.1:1", "spark://h:1", "dask://h"])
def test_what_is_no_scheduler_is_told(address):
    with pytest.raises(WrongCall):
        cluster.ClusterWorkers(address)
