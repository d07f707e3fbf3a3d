"""How long judgements take: ranks (goal 1 s) and a comparison of 100 cameras (goal 1 s).

python benchmarks/judgement.py
"""

from __future__ import annotations

import datetime as dt
import tempfile
import time
from pathlib import Path

import numpy as np


def ranks() -> float:
    """10,000 draws over 20 cameras and 30 measurands."""
    from seeworthy.ground.measurands import all_measurands
    from seeworthy.judge.purpose.model import Purpose, Wish
    from seeworthy.judge.purpose.rank import Measure, rank

    entries = list(all_measurands().values())[:30]
    wishes = tuple(Wish(m, 1.0, 1.0, "why", worst=0.0, best=1.0) for m in entries)
    rng = np.random.default_rng(0)
    cameras = {
        f"c{i}": {m.id: Measure(float(rng.random()), 0.05) for m in entries if rng.random() > 0.1}
        for i in range(20)
    }
    start = time.perf_counter()
    rank(Purpose("p", "P", "", (), wishes), cameras, draws=10_000)
    return time.perf_counter() - start


def comparison() -> float:
    """100 cameras with ten results each, read from the store."""
    from concurrent.futures import ThreadPoolExecutor

    from seeworthy.bench.cameras import add_camera
    from seeworthy.bench.running import run_bench
    from seeworthy.bench.store import create_bench
    from seeworthy.bench.takes import add_take
    from seeworthy.judge.compare.comparison import compare_bench

    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as folder:
        bench = create_bench(Path(folder) / "bench")
        for i in range(100):
            add_camera(bench, f"Bird {i}")
            sizes = {
                name: [f"{rng.normal(middle, 3):.1f} {unit} ± 0.2 {unit}"]
                for name, middle, unit in (
                    ("length", 60, "mm"), ("width", 30, "mm"),
                    ("height", 15, "mm"), ("mass", 25, "g"),
                )
            }  # fmt: skip
            add_take(bench, "body", f"Bird {i}", readings=sizes, taken=dt.date(2026, 5, 1))
        with ThreadPoolExecutor(1) as pool:
            run_bench(bench, executor=pool)
        start = time.perf_counter()
        found = compare_bench(bench)
        seconds = time.perf_counter() - start
        assert len(found.rows) == 5
        bench.close()
    return seconds


def main() -> None:
    for name, run in (
        ("ranks of 20 cameras x 30 measurands x 10,000 draws", ranks),
        ("comparison of 100 cameras from the store", comparison),
    ):
        seconds = run()
        print(f"{name}: {seconds:.2f} s (goal 1 s: {'reached' if seconds < 1 else 'not reached'})")


if __name__ == "__main__":
    main()
