"""Multiply a bench, and time the commands on it: `python benchmarks/grow.py BENCH TIMES OUT`.

Every camera with its takes, results, findings and figures is copied TIMES times by SQL under
names of its own; the evidence is shared. Then each reading command runs once as a process of
its own; seconds of the wall and of the processor and peak memory are printed. Ratios within one
run count, not the seconds.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
import uuid
from pathlib import Path

# Tables in the order of their references, with the columns that are numbers of rows.
TABLES = {
    "camera": ("id",),
    "unit": ("id", "camera_id"),
    "firmware": ("id", "unit_id"),
    "claim": ("id", "camera_id"),
    "take": ("id", "unit_id"),
    "take_file": ("take_id",),
    "take_option": ("take_id",),
    "reading": ("take_id",),
    "condition": ("take_id",),
    "outcome": ("id", "take_id"),
    "result": ("id", "outcome_id"),
    "finding": ("outcome_id",),
    "warning": ("outcome_id",),
    "figure": ("outcome_id",),
}
STEP = 100_000


def grow(path: Path, times: int) -> None:
    """Copy every camera `times` times within one SQLite file."""
    base = sqlite3.connect(path)
    base.create_function("new_uuid", 0, lambda: str(uuid.uuid4()))
    for table, numbers in TABLES.items():
        columns = [row[1] for row in base.execute(f"pragma table_info({table})")]
        base.execute(f"create temp table old_{table} as select * from {table}")
        for k in range(1, times + 1):
            shown = [_column(table, c, numbers, k) for c in columns]
            base.execute(
                f"insert into {table} ({', '.join(columns)}) "
                f"select {', '.join(shown)} from old_{table}"
            )
    base.commit()
    base.execute("analyze")
    base.close()


def _column(table: str, column: str, numbers: tuple[str, ...], k: int) -> str:
    if column in numbers:
        return f"{column} + {k * STEP}"
    if column == "uuid":
        return "new_uuid()"
    return f"{column} || ' {k}'" if (table, column) == ("camera", "name") else column


def main() -> None:
    """Grow a copy of a bench and time commands on it."""
    source, times, out = Path(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3])
    shutil.copytree(source, out, ignore=shutil.ignore_patterns("exports"))
    grow(out / "bench.sqlite", times)
    wanted = sys.argv[4:] or [
        "bench show", "camera list", "take list", "claims Dunlin", "suit bungee-glider",
        "compare Dunlin Turnstone", "compare",
    ]  # fmt: skip
    print(f"{'command':<28} {'wall s':>8} {'CPU s':>8} {'peak MB':>8} {'lines':>8}")
    for words in wanted:
        with tempfile.TemporaryFile() as said:
            start = time.perf_counter()
            call = [sys.executable, "-m", "seeworthy", *words.split(), "--bench", str(out)]
            run = subprocess.Popen(call, stdout=said)
            _, _, used = os.wait4(run.pid, 0)
            wall = time.perf_counter() - start
            said.seek(0)
            lines = said.read().count(b"\n")
        spent, peak = used.ru_utime + used.ru_stime, used.ru_maxrss / 1024
        print(f"{words:<28} {wall:8.2f} {spent:8.2f} {peak:8.0f} {lines:8}", flush=True)


if __name__ == "__main__":
    main()
