"""How soon the command line answers: `--help` (goal 0.3 s) and `procedures` (goal 0.5 s).

    python benchmarks/startup.py [--repeats 9]

Times are medians over runs that take turns, less the start of the bare interpreter.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import time

CALLS = {
    "bare interpreter": ["-c", "pass"],
    "seeworthy --help": ["-m", "seeworthy.cli.main", "--help"],
    "seeworthy procedures": ["-m", "seeworthy.cli.main", "procedures"],
}
GOALS = {"seeworthy --help": 0.3, "seeworthy procedures": 0.5}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=9)
    repeats = parser.parse_args().repeats
    times: dict[str, list[float]] = {name: [] for name in CALLS}
    for _ in range(repeats):
        for name, words in CALLS.items():
            start = time.perf_counter()
            subprocess.run([sys.executable, *words], capture_output=True, check=True)
            times[name].append(time.perf_counter() - start)
    bare = statistics.median(times["bare interpreter"])
    for name, found in times.items():
        middle = statistics.median(found)
        goal = GOALS.get(name)
        told = ""
        if goal is not None:
            told = f", {middle - bare:.3f} s after the interpreter (goal {goal} s: "
            told += "reached)" if middle - bare <= goal else "not reached)"
        print(f"{name}: {middle:.3f} s{told}")


if __name__ == "__main__":
    main()
