"""How far workers are with what they measure.

Each worker writes its share into a small file of its own, which is replaced whole: a worker
that is killed holds no lock that others wait for, as it would with a queue.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

PERIOD = 0.5
"""Seconds between two writings, at least; a judgement: a person reads no faster."""

_place: list[Path] = []


def tell_into(folder: str) -> None:
    """Let this worker tell its shares there; without, nobody is told."""
    _place[:] = [Path(folder)]


def teller(keys: Sequence[str]) -> Callable[[float], None] | None:
    """Return what tells the share of a job, 0 to 1; None where nobody listens.

    Args:
        keys: Of the job's tasks, without blanks.
    """
    if not _place:
        return None
    file = _place[0] / str(os.getpid())
    last = 0.0

    def tell(share: float) -> None:
        nonlocal last
        if time.monotonic() - last < PERIOD:
            return
        last = time.monotonic()
        with suppress(OSError):  # a full disk must not stop a measurement for this
            new = file.with_suffix(".new")
            new.write_text(f"{share:.3f} {' '.join(keys)}", encoding="ascii")
            new.replace(file)

    return tell


def told(folder: Path) -> dict[str, float]:
    """Return the share of every task that workers have told of; of a lost worker's, the newer."""
    found: list[tuple[float, str]] = []
    for file in folder.glob("[0-9]*"):
        if file.suffix:
            continue
        with suppress(OSError):
            found.append((file.stat().st_mtime, file.read_text(encoding="ascii")))
    shares: dict[str, float] = {}
    for _, text in sorted(found):
        share, *keys = text.split()
        shares.update(dict.fromkeys(keys, float(share)))
    return shares
