"""``run``: what is due and nothing else, several at once, killed and taken up again."""

from __future__ import annotations

import datetime as dt
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import update

from seeworthy.bench import leases, running
from seeworthy.bench.cameras import add_camera
from seeworthy.bench.columns import now
from seeworthy.bench.models import LeaseRow, OutcomeRow, RunRow
from seeworthy.bench.outcomes import get_outcome, list_outcomes, list_results
from seeworthy.bench.running import due_takes, run_bench
from seeworthy.bench.sound_evidence import evidence_troubles
from seeworthy.bench.store import open_bench
from seeworthy.bench.takes import add_take, edit_take, get_take, list_takes, remove_take
from seeworthy.bench.upkeep import check_bench, tidy_bench
from seeworthy.cli.opening import say_stale
from seeworthy.ground.errors import BenchReadOnly, NoSpace, NotFound
from seeworthy.publish.export import export_bench


@pytest.fixture
def diary(tmp_path, monkeypatch):
    path = tmp_path / "diary.txt"
    monkeypatch.setenv("SEASIDE_DIARY", str(path))
    return path


def lines(diary):
    return diary.read_text().splitlines() if diary.exists() else []


@pytest.fixture
def bench(seaside, diary, empty_bench):
    add_camera(empty_bench, "Dunlin")
    return empty_bench


@pytest.fixture
def run(bench):
    """Give a run without worker processes: quick, and the same but for the workers."""

    def call(**more):
        with ThreadPoolExecutor(1) as threads:
            return run_bench(bench, executor=threads, workers=1, **more)

    return call


def take(bench, do="answer", files=None, **more):
    more.setdefault("readings", {"height": ["2 m ± 0.1 m"]})
    return add_take(bench, "tide", "Dunlin", files, options={"do": [do]}, **more).id


@pytest.fixture
def shore(tmp_path):
    path = tmp_path / "shore.csv"
    path.write_text("t,h\n0,1\n")
    return path


def states(bench):
    return [t.state for t in list_takes(bench)]


# What is stored


def test_an_outcome_comes_back_as_it_went_in(bench, run, seaside):
    number = take(bench, conditions={"light": "400 lx"})
    run()
    stored = get_outcome(bench, number)
    [result] = stored.results
    assert (result.measurand, result.value, result.unit, result.u) == ("tide_mark", 2.0, "m", 0.1)
    assert result.interval == (pytest.approx(1.804, abs=1e-3), pytest.approx(2.196, abs=1e-3))
    assert (result.n, result.evidence) == (3, ("mark.png",))
    # What the result says of itself, and what the take says around it.
    assert result.conditions == {"method": "answer", "light": 400.0}
    assert stored.outcome.findings == {
        "shells": {"count": 2, "at": [4, 9]},
        "foam": True,
        "wreck": None,
    }
    assert stored.outcome.warnings == ("The wind blew.",)
    assert stored.outcome.sentence == "Park the car higher up."
    [picture] = stored.load_pictures()
    assert (picture.name, picture.caption, picture.data) == ("mark.png", "The mark.", seaside.PIXEL)
    [figure] = stored.figures
    assert figure.columns["h"] == [0.0, None, 2.0]  # JSON knows no NaN
    assert (figure.x.unit, figure.marks[0].kind) == ("h", "line")
    assert stored.procedure_version == 1
    assert stored.inputs["readings"] == [{"name": "height", "text": "2 m ± 0.1 m"}]


def test_numpy_values_are_stored_as_plain_ones():
    import numpy as np

    from seeworthy.ground.plain import plain

    found = plain({"a": np.float32(0.5), "b": np.arange(3), "c": (np.bool_(True), float("inf"))})
    assert found == {"a": 0.5, "b": [0, 1, 2], "c": [True, None]}
    assert type(found["c"][0]) is bool


def test_a_refusal_is_stored_with_its_hint_and_picture(bench, run):
    number = take(bench, "refuse")
    run()
    stored = get_outcome(bench, number)
    assert stored.take.state == "refused"
    assert (stored.message, stored.hint) == ("There is no sea in the clip.", "Film the sea.")
    assert stored.error_kind == "cannot-measure"
    assert [p.name for p in stored.load_pictures()] == ["dry.png"]
    assert stored.results == ()


def test_a_picture_that_is_a_link_to_something_private_is_not_shown(bench, run, tmp_path):
    take(bench)
    run()
    secret = tmp_path / "private.png"
    secret.write_bytes(b"\x89PNG private")
    [picture] = get_outcome(bench, 1).pictures
    picture.path.chmod(0o644)
    picture.path.unlink()
    picture.path.symlink_to(secret)
    assert get_outcome(bench, 1).load_pictures() == ()
    assert evidence_troubles(bench, deep=False) == []
    assert ["picture 'mark.png' is not" in t.message for t in evidence_troubles(bench, deep=True)]
    folder = export_bench(bench, tmp_path / "data", with_evidence=True)
    given = [p.read_bytes() for p in folder.rglob("*") if p.is_file()]
    assert given
    assert not [data for data in given if b"private" in data]


def test_results_are_found_by_camera_and_measurand(bench, run):
    add_camera(bench, "Whimbrel")
    take(bench)
    add_take(bench, "tide", "Whimbrel", readings={"height": ["3 m"]})
    run()
    assert [r.result.value for r in list_results(bench, measurand="tide_mark")] == [2.0, 3.0]
    [one] = list_results(bench, camera="Whimbrel")
    assert (one.camera, one.procedure, one.take_id) == ("Whimbrel", "tide", 2)
    assert list_results(bench, measurand="mass") == []
    assert [o.take.id for o in list_outcomes(bench, camera="Whimbrel")] == [2]


# What is due


def test_nothing_is_measured_twice(bench, run, diary):
    take(bench)
    take(bench, "refuse")
    assert (run().count("measured"), len(lines(diary))) == (1, 2)
    assert run().done == ()
    assert len(lines(diary)) == 2


@pytest.mark.parametrize(
    "change",
    [
        {"readings": {"height": ["2.1 m"]}},
        {"readings": {"swell": ["1 ft"]}},
        {"options": {"do": ["other"]}},
    ],
)
def test_what_changes_the_figure_makes_it_stale(bench, run, diary, change):
    number = take(bench)
    other = take(bench)
    run()
    edit_take(bench, number, **change)
    assert states(bench) == ["stale", "measured"]
    assert [r.take_id for r in list_results(bench)] == [other]
    assert len(list_results(bench, with_stale=True)) == 2
    report = run()
    assert [e.take for e in report.done] == [number]
    assert states(bench) == ["measured", "measured"]
    assert len(list_results(bench)) == 2


@pytest.mark.parametrize(
    "change", [{"note": "Calm."}, {"conditions": {"light": "1 lx"}}, {"taken": dt.date(2026, 1, 1)}]
)
def test_what_does_not_change_the_figure_leaves_it(bench, run, change):
    number = take(bench)
    run()
    edit_take(bench, number, **change)
    assert due_takes(bench) == []
    assert states(bench) == ["measured"]


def test_a_new_version_of_the_method_makes_it_stale(bench, run, seaside, monkeypatch):
    from dataclasses import replace

    from seeworthy.procedures import all_procedures

    number = take(bench)
    run()
    monkeypatch.setitem(all_procedures(), "tide", replace(seaside.TIDE, version=2))
    assert states(bench) == ["stale"]
    run()
    assert get_outcome(bench, number).procedure_version == 2
    assert states(bench) == ["measured"]


def test_a_refused_take_is_measured_again_once_it_changes(bench, run):
    number = take(bench, "refuse")
    run()
    assert due_takes(bench) == []
    edit_take(bench, number, options={"do": ["answer"]})
    run()
    assert states(bench) == ["measured"]
    assert get_outcome(bench, number).message == ""


def test_a_fault_is_tried_again(bench, run, diary):
    take(bench, "fault")
    assert run().count("lost") == 1
    assert "the moon is gone" in get_take(bench, 1).message
    run()
    assert len(lines(diary)) == 2


def test_a_test_that_is_gone_is_told_and_left(bench, run, monkeypatch):
    from seeworthy.procedures import all_procedures

    take(bench)
    run()
    monkeypatch.delitem(all_procedures(), "tide")
    report = run()
    assert report.unknown == (1,)
    assert len(list_results(bench)) == 1


def test_only_what_is_named(bench, run):
    add_camera(bench, "Whimbrel")
    for camera in ("Dunlin", "Whimbrel", "Whimbrel"):
        add_take(bench, "tide", camera, readings={"height": ["3 m"]})
    assert [e.take for e in run(only=["3"]).done] == [3]
    assert due_takes(bench, ["whimbrel"]) == [2]
    assert due_takes(bench, ["tide"]) == [1, 2]
    with pytest.raises(NotFound, match="'Knot' is no take"):
        run(only=["Knot"])
    with pytest.raises(NotFound, match="no take 9"):
        run(only=["9"])


def test_events_tell_how_far_it_is(bench, run):
    take(bench)
    take(bench, "refuse")
    told = []
    run(tell=told.append)
    assert (told[0].kind, told[0].total) == ("planned", 2)
    ends = [(e.done, e.total, e.state) for e in told if e.kind == "done"]
    assert ends == [(1, 2, "measured"), (2, 2, "refused")]


# Evidence


def test_altered_evidence_is_never_measured(bench, run, shore, diary):
    [file] = get_take(bench, take(bench, files={"": [shore]})).files
    file.path.chmod(0o644)
    file.path.write_text("t,h\n0,9\n")
    assert run().count("lost") == 1
    assert "not the file that was entered" in get_take(bench, 1).message
    assert lines(diary) == []
    file.path.write_text("t,h\n0,1\n")
    assert run().count("measured") == 1


def test_missing_evidence_is_told_and_measured_when_it_is_back(bench, run, shore):
    number = take(bench, files={"": [shore]}, in_place=True)
    away = shore.rename(shore.with_name("away.csv"))
    assert run().count("lost") == 1
    assert "no longer" in get_take(bench, number).message
    away.rename(shore)
    assert run().count("measured") == 1


def test_takes_of_one_clip_are_one_job(bench, shore, run, monkeypatch):
    jobs = []
    take(bench, files={"": [shore]})
    take(bench)
    take(bench, files={"": [shore]})
    original = running.run_jobs

    def spy(given, *args, **kwargs):
        def kept():
            for job in given:
                jobs.append([t.key for t in job.tasks])
                yield job

        return original(kept(), *args, **kwargs)

    monkeypatch.setattr(running, "run_jobs", spy)
    run()
    assert jobs == [["1", "3"], ["2"]]


def test_pictures_of_an_old_outcome_are_tidied(bench, run):
    number = take(bench, "refuse")
    run()
    edit_take(bench, number, options={"do": ["answer"]}, readings={"height": []})
    run()
    assert check_bench(bench) == []
    # Both outcomes drew the same pixel; one content, one file.
    assert tidy_bench(bench, older_than=-1)[0] == 0
    remove_take(bench, number)
    assert tidy_bench(bench, older_than=-1)[0] == 1


# What stands in the way


def test_a_read_only_bench_is_not_measured(bench, diary):
    take(bench)
    with open_bench(bench.folder, read_only=True) as reader, pytest.raises(BenchReadOnly):
        run_bench(reader)
    assert lines(diary) == []


def test_a_full_disk_ends_the_run_and_keeps_what_is_stored(bench, run, monkeypatch):
    take(bench)
    take(bench)
    keep = running.keep_pictures
    calls = []

    def fill(place, answer):
        calls.append(1)
        if len(calls) == 2:
            raise NoSpace("The disk is full.")
        return keep(place, answer)

    monkeypatch.setattr(running, "keep_pictures", fill)
    with pytest.raises(NoSpace):
        run()
    assert sorted(states(bench)) == ["measured", "new"]
    monkeypatch.setattr(running, "keep_pictures", keep)
    assert run().count("measured") == 1


def test_a_take_that_is_edited_meanwhile_is_stale_afterwards(bench, run):
    number = take(bench)

    def edit(event):
        if event.kind == "begun":
            edit_take(bench, number, readings={"height": ["5 m"]})

    run(tell=edit)
    assert states(bench) == ["stale"]
    run()
    assert list_results(bench)[0].result.value == 5.0


def test_a_take_that_is_removed_meanwhile_is_skipped(bench, run):
    number = take(bench)
    report = run(tell=lambda e: remove_take(bench, number) if e.kind == "begun" else None)
    assert [e.kind for e in report.skipped] == ["skipped"]
    assert list_takes(bench) == []


# Leases


def foreign_lease(bench, number, *, host="elsewhere", process="1 1", ago=0.0):
    with bench.changing() as session:
        other = RunRow(host=host, process=process, seeworthy="0")
        session.add(other)
        session.flush()
        until = now() + leases.LEASE - dt.timedelta(seconds=ago)
        session.add(LeaseRow(take_id=number, run_id=other.id, until=until))


def test_what_another_run_has_in_hand_is_left_to_it(bench, run, diary):
    number = take(bench)
    foreign_lease(bench, number)
    report = run()
    assert [e.message for e in report.skipped] == ["another run has it in hand"]
    assert lines(diary) == []


def test_a_lease_that_ran_out_is_free(bench, run):
    number = take(bench)
    foreign_lease(bench, number, ago=leases.LEASE.total_seconds() + 1)
    assert run().count("measured") == 1


def test_a_lease_of_a_dead_process_here_is_free_at_once(bench, run):
    number = take(bench)
    gone = subprocess.Popen([sys.executable, "-c", "pass"])
    mark = leases.process_mark(gone.pid) or f"{gone.pid} 1"
    gone.wait()
    foreign_lease(bench, number, host=leases.this_host(), process=mark)
    assert run().count("measured") == 1


def test_a_later_process_of_the_same_number_is_another_one(bench, run):
    number = take(bench)
    foreign_lease(bench, number, host=leases.this_host(), process=f"{os.getpid()} 1")
    assert run().count("measured") == 1


def test_an_outcome_whose_lease_was_lost_is_not_stored(bench, run):
    number = take(bench)

    def steal(event):
        if event.kind == "begun":
            with bench.changing() as session:
                session.execute(update(LeaseRow).values(run_id=_other_run(session)))

    report = run(tell=steal)
    assert report.done == ()
    assert get_outcome(bench, number) is None


def _other_run(session):
    other = RunRow(host="elsewhere", process="1 1", seeworthy="0")
    session.add(other)
    session.flush()
    return other.id


def test_leases_are_kept_while_a_long_job_runs(bench, run, monkeypatch):
    monkeypatch.setattr(leases, "BEAT", 0.1)
    seen = []
    keep = leases.keep_leases
    monkeypatch.setattr(leases, "keep_leases", lambda *a: seen.append(1) or keep(*a))
    take(bench, "wait")
    run()
    assert len(seen) >= 3


def test_a_run_tells_how_far_each_take_is(bench, monkeypatch):
    class Telling(ThreadPoolExecutor):
        def shares(self):
            return {str(number): 0.4, "99": 0.7}  # another run's take is none of ours

    monkeypatch.setattr(running, "SHOWN", 0.05)
    number, told = take(bench, "wait"), []
    with Telling(1) as executor:
        run_bench(bench, executor=executor, workers=1, tell=told.append)
    going = [(e.take, e.share, e.done, e.total) for e in told if e.kind == "going"]
    assert going == [(number, 0.4, 0, 1)]
    assert [e.kind for e in told] == ["planned", "begun", "going", "done"]


def test_what_is_out_of_date_is_said_before_a_judgement(bench, run, capsys):
    number = take(bench)
    run()
    say_stale(bench)
    assert capsys.readouterr().err == ""
    edit_take(bench, number, readings={"height": ["5 m"]})
    say_stale(bench)
    assert "Mind: 1 take out of date" in capsys.readouterr().err


def test_no_lease_is_left_behind(bench, run):
    take(bench)
    take(bench, "fault")
    run()
    with bench.reading() as session:
        assert session.query(LeaseRow).count() == 0
        assert session.query(RunRow).one().ended is not None


# Real processes


def test_workers_lose_their_own_take_only(bench):
    for do in ("answer", "die", "refuse"):
        take(bench, do)
    report = run_bench(bench, workers=2)
    assert states(bench) == ["measured", "lost", "refused"]
    assert report.count("lost") == 1
    edit_take(bench, 2, options={"do": ["answer"]})
    run_bench(bench, workers=1)
    assert states(bench) == ["measured", "measured", "refused"]


def start(bench, *words):
    return subprocess.Popen(
        [sys.executable, "-m", "seeworthy.cli.main", "run", "--bench", bench.folder, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def stored(bench):
    with bench.reading() as session:
        return session.query(OutcomeRow).count()


def wait_until(true, process):
    while not true():
        assert process.poll() is None, process.communicate()
        time.sleep(0.05)


@pytest.mark.parametrize(
    "blow", [signal.SIGKILL, pytest.param(signal.SIGINT, marks=pytest.mark.slow)]
)
def test_a_run_that_is_stopped_loses_nothing_and_the_next_goes_on(bench, diary, blow):
    for height in range(1, 6):
        take(bench, "wait", readings={"height": [f"{height} m"]})
    process = start(bench, "--workers", "1")
    wait_until(lambda: stored(bench) >= 2, process)
    process.send_signal(blow)
    process.communicate()
    assert process.returncode == (130 if blow == signal.SIGINT else -blow)
    kept = {o.take.id: o.measured for o in list_outcomes(bench)}
    assert 2 <= len(kept) < 5
    second = start(bench, "--workers", "1")
    out, err = second.communicate()
    assert second.returncode == 0, err
    assert f"{5 - len(kept)} measured" in out
    assert states(bench) == ["measured"] * 5
    # What was stored before was not touched; at most what was in hand was done again.
    again = {o.take.id: o.measured for o in list_outcomes(bench)}
    assert all(again[number] == when for number, when in kept.items())
    assert len(lines(diary)) <= 5 + 1
    assert check_bench(bench) == []


def test_two_runs_at_once_share_the_work(bench, diary):
    for height in range(1, 7):
        take(bench, "wait", readings={"height": [f"{height} m"]})
    both = [start(bench, "--workers", "1", "--json") for _ in range(2)]
    for process in both:
        _, err = process.communicate()
        assert process.returncode == 0, err
    assert states(bench) == ["measured"] * 6
    assert Counter(Counter(lines(diary)).values()) == {1: 6}
