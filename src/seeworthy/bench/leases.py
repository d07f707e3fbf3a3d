"""Who measures what: leases on takes, so that two runs never do the same work.

A run notes every take that it hands to a worker, with a time until when the note holds, and keeps
moving that time on. A run that is gone (killed, or its machine) stops doing so; others on the same
machine see at once that its process is no more, others elsewhere when the time has run out.
"""

from __future__ import annotations

import datetime as dt
import os
import socket
from pathlib import Path

from sqlalchemy import CursorResult, delete, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from seeworthy import __version__
from seeworthy.bench.columns import now
from seeworthy.bench.models import LeaseRow, RunRow

LEASE = dt.timedelta(seconds=120)
BEAT = 10.0
"""Seconds between two moves of the time: a busy machine may miss some of them."""


def _boot() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return ""


def this_host() -> str:
    """Return what tells this machine, since it was last started, from others."""
    return f"{socket.gethostname()} {_boot()}".strip()


def process_mark(pid: int) -> str | None:
    """Return what tells a process from a later one of the same number; None when it is gone.

    Where the system does not tell when a process began, the number has to do.
    """
    try:
        stat = Path(f"/proc/{pid}/stat").read_text()
    except FileNotFoundError:
        if _boot():
            return None  # the system lists its processes, and this one is not there
        return str(pid) if _is_alive(pid) else None
    except OSError:
        return str(pid)
    after_name = stat.rpartition(")")[2].split()
    if after_name[0] == "Z":  # dead, only not buried yet
        return None
    return f"{pid} {after_name[19]}"


def _is_alive(pid: int) -> bool:
    if os.name == "nt":  # no harmless way to ask; the lease has to run out
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def begin_run(session: Session) -> int:
    """Enter a run of this process and return its number."""
    run = RunRow(
        host=this_host(),
        process=process_mark(os.getpid()) or str(os.getpid()),
        seeworthy=__version__,
    )
    session.add(run)
    session.flush()
    return run.id


def end_run(session: Session, run_id: int) -> None:
    """Note the end of a run and give its leases back."""
    session.execute(delete(LeaseRow).where(LeaseRow.run_id == run_id))
    session.execute(update(RunRow).where(RunRow.id == run_id).values(ended=now()))


def release_dead(session: Session) -> None:
    """Give back what runs held that are no more."""
    session.execute(delete(LeaseRow).where(LeaseRow.until < now()))
    owners = session.scalars(
        select(RunRow).where(RunRow.id.in_(select(LeaseRow.run_id)), RunRow.host == this_host())
    )
    for run in owners:
        if process_mark(int(run.process.split()[0])) != run.process:
            session.execute(delete(LeaseRow).where(LeaseRow.run_id == run.id))


def lease(session: Session, run_id: int, take_id: int) -> bool:
    """Take a take in hand; False when another run has it."""
    try:
        with session.begin_nested():
            session.add(LeaseRow(take_id=take_id, run_id=run_id, until=now() + LEASE))
    except IntegrityError:
        return False
    return True


def keep_leases(session: Session, run_id: int) -> None:
    """Move the time on until when this run's leases hold."""
    query = update(LeaseRow).where(LeaseRow.run_id == run_id)
    session.execute(query.values(until=now() + LEASE))


def give_back(session: Session, run_id: int, take_id: int) -> bool:
    """Let go of a take; False when the lease had been lost to another run."""
    query = delete(LeaseRow).where(LeaseRow.take_id == take_id, LeaseRow.run_id == run_id)
    done = session.execute(query)
    assert isinstance(done, CursorResult)
    return done.rowcount == 1
