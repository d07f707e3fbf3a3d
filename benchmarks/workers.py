"""What a second local worker gains: `python benchmarks/workers.py BENCH [TAKES]`.

A copy of the bench forgets what its first TAKES takes (40) said and measures them anew, with one
worker and with two by turns. Wall seconds and the processor's are printed; on a machine that
others use too, the ratio of the processor's seconds tells what the second worker costs.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path


def forget(database: Path, takes: int) -> None:
    """Make takes new again, and keep no others."""
    with sqlite3.connect(database) as bench:
        bench.execute("PRAGMA foreign_keys = ON")
        bench.execute("DELETE FROM outcome")
        few = "SELECT id FROM take ORDER BY id LIMIT ?"
        bench.execute(f"DELETE FROM take WHERE id NOT IN ({few})", (takes,))
    bench.close()


def measured(bench: Path, takes: int, workers: int) -> tuple[float, float]:
    """Return wall seconds and the processor's of one run on a copy of the bench."""
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / "bench"
        shutil.copytree(bench, copy, ignore=shutil.ignore_patterns("exports"))
        forget(copy / "bench.sqlite", takes)
        words = ["run", "--bench", str(copy), "--workers", str(workers)]
        before, start = os.times(), time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "seeworthy", *words], check=False, stdout=subprocess.DEVNULL
        )
        wall, after = time.perf_counter() - start, os.times()
    return wall, sum(after[2:4]) - sum(before[2:4])


def main() -> None:
    """Run with one worker and with two, twice each."""
    bench, takes = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 40
    least: dict[int, tuple[float, float]] = {}
    for workers in (1, 2, 2, 1):
        found = measured(bench, takes, workers)
        print(f"{workers} worker(s): {found[0]:.1f} s, of the processor {found[1]:.1f} s")
        least[workers] = min(least.get(workers, found), found)
    print(f"wall, one over two: {least[1][0] / least[2][0]:.2f}")
    print(f"processor, one over two: {least[1][1] / least[2][1]:.2f}")


if __name__ == "__main__":
    main()
