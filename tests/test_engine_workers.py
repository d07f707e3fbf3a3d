"""Workers: answers come back, and a lost worker costs its own take only."""

from __future__ import annotations

import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from fractions import Fraction

import numpy as np
import pytest

from seeworthy.engine import shares
from seeworthy.engine.jobs import FileSpec, Job, Task, group, perform
from seeworthy.engine.run import run_jobs
from seeworthy.engine.workers import LocalWorkers, resident_bytes
from seeworthy.ground.errors import CannotMeasure, EvidenceChanged, Fault, WorkerLost, WrongCall
from seeworthy.ground.results import Outcome
from seeworthy.media.source import Source


def task(key, do="answer", **files):
    return Task(key, "tide", {r or "": (s,) for r, s in files.items()}, {}, {"do": (do,)})


def spec(path, name=None):
    return FileSpec(str(path), name or path.name, Source.of(path).sha256())


def run(jobs, executor, **more):
    more.setdefault("at_once", 2)
    return {a.key: a.answer for a in run_jobs(iter(jobs), executor, **more)}


@pytest.fixture
def shore(tmp_path):
    path = tmp_path / "shore.csv"
    path.write_text("t,h\n0,1\n")
    return path


def grouped(*takes):
    made = [
        Task(key, "tide", {"": tuple(FileSpec(f, f, f) for f in files)}) for key, files in takes
    ]
    return [[t.key for t in job.tasks] for job in group(made)]


def test_tasks_that_share_a_file_are_one_job():
    assert grouped(("1", "a"), ("2", "b"), ("3", "a")) == [["1", "3"], ["2"]]


def test_a_task_can_join_two_jobs():
    assert grouped(("1", "a"), ("2", "b"), ("3", "ab")) == [["1", "2", "3"]]


def test_tasks_without_files_stay_apart():
    assert grouped(("1", ""), ("2", "")) == [["1"], ["2"]]


def test_perform_answers_for_every_task(seaside, shore):
    job = Job(
        (
            task("a"),
            task("b", "refuse"),
            task("c", "fault"),
            Task("d", "no-such"),
            Task("e", "tide", readings={"height": ("3 kg",)}),
        )
    )
    found = {a.key: a.answer for a in perform(job)}
    assert isinstance(found["a"], Outcome)
    assert isinstance(found["b"], CannotMeasure)
    assert isinstance(found["c"], Fault)
    assert isinstance(found["d"], WrongCall)
    assert "3 kg" in found["e"].message


def clip(path, frames=7):
    from seeworthy.media.write import ClipWriter

    with ClipWriter(path, 64, 48, Fraction(30)) as writer:
        for number in range(frames):
            writer.write_luma(np.full((48, 64), 16 + number, np.uint8))
    return path


def test_one_clip_is_decoded_once_for_all_its_tasks(seaside, tmp_path, monkeypatch):
    from seeworthy.engine import evaluate

    passes = []
    original = evaluate.watch
    monkeypatch.setattr(
        evaluate, "watch", lambda s, o, **k: passes.append(len(o)) or original(s, o, **k)
    )
    path = clip(tmp_path / "gulls.mp4")
    # The same content under two names is one clip all the same.
    files = [spec(path, "morning.mp4"), spec(path, "evening.mp4")]
    job = Job(tuple(Task(str(i), "gulls", {"": (f,)}) for i, f in enumerate(files)))
    counts = [a.answer.results[0].value for a in perform(job)]
    assert counts == [7, 7]
    assert passes == [2]


def test_a_changed_file_is_not_measured(seaside, shore):
    pinned = spec(shore)
    shore.write_text("t,h\n0,2\n")
    [answer] = perform(Job((Task("1", "tide", {"": (pinned,)}),)))
    assert isinstance(answer.answer, EvidenceChanged)
    assert "not the file that was entered" in answer.answer.message


def test_a_file_that_changes_meanwhile_is_not_measured(seaside, shore, monkeypatch):
    pinned = spec(shore)
    monkeypatch.setattr(
        "seeworthy.engine.evaluate.evaluate",
        lambda items, **_: [shore.write_text("t,h\n9,9\n9,9\n") and Outcome() for _ in items],
    )
    [answer] = perform(Job((Task("1", "tide", {"": (pinned,)}),)))
    assert isinstance(answer.answer, EvidenceChanged)


def test_a_missing_file_is_named(seaside, shore):
    pinned = spec(shore)
    shore.unlink()
    [answer] = perform(Job((Task("1", "tide", {"": (pinned,)}),)))
    assert isinstance(answer.answer, EvidenceChanged)
    assert "shore.csv" in answer.answer.message
    assert "no longer" in answer.answer.message


def test_threads_are_an_executor_too(seaside):
    with ThreadPoolExecutor(2) as threads:
        found = run([Job((task(str(i)),)) for i in range(5)], threads)
    assert sorted(found) == list("01234")
    assert all(isinstance(a, Outcome) for a in found.values())


def test_a_broken_executor_loses_its_jobs_and_ends(seaside):
    # The standard library's pool breaks for good when one of its processes dies.
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        jobs = [Job((task("a"),)), Job((task("b", "die"),)), Job((task("c"), task("d")))]
        found = run(jobs, pool, at_once=1)
    assert isinstance(found["a"], Outcome)
    assert all(isinstance(found[key], WorkerLost) for key in "bcd")


def test_jobs_are_asked_for_only_when_a_worker_is_free(seaside):
    asked, most = [], []

    def jobs():
        for i in range(6):
            asked.append(i)
            yield Job((task(str(i)),))

    with ThreadPoolExecutor(1) as threads:
        for count, _ in enumerate(run_jobs(jobs(), threads, at_once=2)):
            most.append(len(asked) - count)
    assert max(most) <= 3
    assert len(most) == 6


def test_the_beat_goes_on_while_a_job_runs(seaside):
    beats = []
    with ThreadPoolExecutor(1) as threads:
        run([Job((task("1", "wait"),))], threads, beat=lambda: beats.append(1), period=0.1)
    assert len(beats) >= 3


def test_shares_are_told_now_and_then_and_by_each_worker(tmp_path, monkeypatch):
    monkeypatch.setattr(shares, "_place", [])
    assert shares.teller(["1"]) is None, "nobody listens"
    shares.tell_into(str(tmp_path))
    (tmp_path / "4321").write_text("0.250 8")
    tell = shares.teller(["7", "9"])
    tell(0.5)
    tell(0.6)  # too soon after the other
    assert shares.told(tmp_path) == {"7": 0.5, "9": 0.5, "8": 0.25}


def test_a_worker_that_dies_costs_its_own_task_only(seaside):
    # One job of three tasks: the other two are measured again without the culprit.
    job = Job((task("a"), task("b", "die"), task("c", "refuse")))
    with LocalWorkers(1) as workers:
        found = run([job, Job((task("d"),))], workers)
        assert 1.0 in workers.shares().values(), "a worker tells how far it is"
    assert isinstance(found["a"], Outcome)
    assert isinstance(found["b"], WorkerLost)
    assert "exit code 9" in found["b"].message
    assert isinstance(found["c"], CannotMeasure)
    assert found["c"].pictures[0].name == "dry.png"
    assert isinstance(found["d"], Outcome)


def test_a_worker_that_hangs_is_stopped(seaside):
    with LocalWorkers(2, time_limit=4.0) as workers:
        found = run([Job((task("a", "hang"),)), Job((task("b"),))], workers)
    assert isinstance(found["a"], WorkerLost)
    assert "time limit" in found["a"].message
    assert isinstance(found["b"], Outcome)


@pytest.mark.skipif(resident_bytes() is None, reason="this system does not tell memory")
def test_a_worker_that_eats_memory_is_stopped(seaside):
    limit = 400 * 1024**2
    with LocalWorkers(1, memory_limit=limit, time_limit=60.0) as workers:
        found = run([Job((task("a", "eat"),)), Job((task("b"),))], workers)
    assert isinstance(found["a"], WorkerLost)
    assert "memory" in found["a"].message
    assert isinstance(found["b"], Outcome)


def test_resident_memory_is_told():
    held = b"\x01" * 50_000_000
    size = resident_bytes()
    assert size is None or size > len(held)


def interrupted():
    with LocalWorkers(1, time_limit=300.0) as workers:
        workers.submit(perform, Job((task("a", "hang"),)))
        while not multiprocessing.active_children():
            pass
        raise KeyboardInterrupt


def test_leaving_after_an_error_stops_workers_at_once(seaside):
    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert not multiprocessing.active_children()


@pytest.mark.slow
# The cluster library warns about its own diagnostics; that is not ours to mend.
@pytest.mark.filterwarnings("ignore")
def test_a_cluster_client_takes_the_place_of_the_workers(seaside, shore):
    distributed = pytest.importorskip("distributed")
    cluster = distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True
    )
    with cluster, distributed.Client(cluster) as client:
        jobs = [Job((task(str(i)),)) for i in range(4)] + [Job((task("r", "refuse"),))]
        found = run(jobs, client.get_executor(), at_once=4)
        where = set(client.run(os.getpid).values())
    assert all(isinstance(found[str(i)], Outcome) for i in range(4))
    assert isinstance(found["r"], CannotMeasure)
    assert os.getpid() not in where
