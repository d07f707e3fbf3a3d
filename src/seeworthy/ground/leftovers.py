"""Whole or not at all: what is written beside its name, and what a killed program leaves there.

A file or folder that is written beside its name carries the process that writes it and the
machine it runs on (``.export-4711-3f9a2c-…``). Where that process is gone, the next writer
removes it; what another machine writes into a shared folder is left alone for a day.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import shutil
import socket
import stat
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_OLD_SECONDS = 86400.0
"""A judgement: no writing takes a day; process numbers are used again, so age counts too."""
_MACHINE = hashlib.sha256(socket.gethostname().encode()).hexdigest()[:6]
_SCRATCH = "seeworthy-scratch-"


@contextmanager
def beside(target: Path, what: str, *, folder: bool = False, suffix: str = "") -> Iterator[Path]:
    """Hand out a file or folder beside `target`; it takes its place when the block ends well.

    What stood there goes only then; after an error nothing is left.

    Args:
        what: Is written, in one word (``export``); it names what is swept.
        suffix: Of its hidden name, for writers that go by it; none keeps it off every list.
    """
    # '.' has no name to write beside; `resolve` would write where a link leads.
    target = Path(os.path.abspath(target))  # noqa: PTH100
    with part_of(target.parent, what, suffix, folder=folder) as part:
        yield part
        if not folder and target.is_file():  # who made it private keeps it so
            part.chmod(stat.S_IMODE(target.stat().st_mode) | stat.S_IWUSR)
        if not (folder and target.exists()):
            part.replace(target)
        elif any(target.iterdir()):
            with part_of(target.parent, what, folder=True) as old:
                target.rename(old / "old")
                part.rename(target)
        else:  # somebody may stand in it: it stays the folder that it is
            # Last what sorts first: of a bench the database, without which it is none yet.
            for child in sorted(part.iterdir(), reverse=True):
                child.rename(target / child.name)


@contextmanager
def part_of(
    folder_in: Path, what: str, suffix: str = "", *, folder: bool = False
) -> Iterator[Path]:
    """Hand out a hidden file or folder for a while, and sweep what the dead left of its kind."""
    prefix = f".{what}-"
    sweep(folder_in, prefix)
    part = _made(folder_in, mark(prefix), suffix, folder)
    try:
        yield part
    finally:
        if folder:
            shutil.rmtree(part, ignore_errors=True)
        else:
            part.unlink(missing_ok=True)


def _made(folder_in: Path, prefix: str, suffix: str, folder: bool) -> Path:
    """Make it with the rights that the user's umask gives, as if it were written in place."""
    made = folder_in / f"{prefix}{secrets.token_hex(8)}{suffix}"
    try:
        if folder:
            made.mkdir()
        else:
            os.close(os.open(made, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    except OSError as error:
        error.filename = str(folder_in)  # nobody knows the hidden name
        raise
    return made


@contextmanager
def scratch() -> Iterator[Path]:
    """Hand out a folder of the system's temporary place, and sweep those of the dead."""
    sweep(Path(tempfile.gettempdir()), _SCRATCH)
    with tempfile.TemporaryDirectory(prefix=mark(_SCRATCH)) as place:
        yield Path(place)


def mark(prefix: str, process: int | None = None) -> str:
    """Return how names begin that a process of this machine writes; by default this one."""
    return f"{prefix}{os.getpid() if process is None else process}-{_MACHINE}-"


def sweep(folder: Path, prefix: str) -> int:
    """Remove what dead processes left in a folder.

    Args:
        prefix: Of the names, such as ``.export-``; the process number follows it.

    Returns:
        How many.
    """
    count = 0
    for left in folder.glob(f"{prefix}*"):
        with suppress(OSError):
            if not _in_use(left, prefix):
                shutil.rmtree(left) if left.is_dir() and not left.is_symlink() else left.unlink()
                count += 1
    return count


def _in_use(left: Path, prefix: str) -> bool:
    found = re.match(rf"(\d+)-{_MACHINE}-", left.name.removeprefix(prefix))
    young = time.time() - left.stat().st_mtime < _OLD_SECONDS
    if found is None or os.name != "posix":  # elsewhere, asking for a process may end it
        return young
    number = int(found[1])
    return young and (number == os.getpid() or _alive(number))


def _alive(number: int) -> bool:
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    except OSError:  # somebody else's
        return True
    return True
