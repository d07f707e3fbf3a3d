"""What a killed program leaves beside its target, swept by the next one.

A file or folder that is written beside its name carries the number of the process that
writes it (``.export-4711-…``). Where that process is gone, the next writer removes it.
"""

from __future__ import annotations

import os
import re
import shutil
import time
from contextlib import suppress
from pathlib import Path

_OLD_SECONDS = 86400.0
"""A judgement: no writing takes a day; process numbers are used again, so age counts too."""


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
    found = re.match(r"(\d+)-", left.name.removeprefix(prefix))
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
