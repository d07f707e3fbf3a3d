"""Read a bench over and over, as a child process that may die; see test_interpreter.py.

    python tests/interpreter_loop.py BENCH THRESHOLD ROUNDS [plain]

THRESHOLD is how many new objects bring the garbage collector. ``plain`` leaves the mend
out (the bench's sessions then are SQLAlchemy's own), to see that the loop would die of it.
"""

from __future__ import annotations

import gc
import sys
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path

# Reads in each round. They come first, before a plan and the pages load so much that the
# collector's full runs (the ones that free old rows) get rare: there it died soonest.
READS = 12
FLIGHT = """
title = "Along the dune"
[motion]
speed = "9 m/s ± 1 m/s"
distance = "14 m ± 1 m"
[recording]
duration = "{} min"
"""


def pages(cameras, takes, turn):
    """Return addresses of one turn; the numbers change, so that no page is remembered."""
    return [
        "/",
        f"/plan?recording.duration={turn + 2}+min",
        *(f"/cameras/{number}" for number in cameras),
        f"/plan?motion.speed={turn + 3}+m/s",
        f"/takes/{takes[turn % len(takes)]}",
        "/compare",
        "/suit",
        "/reports",
        "/api/results",
        f"/api/takes/{takes[-1 - turn % len(takes)]}",
        "/api/cameras",
    ]


def addresses(folder):
    """Return the numbers of a bench's cameras and of its takes."""
    from seeworthy.bench.cameras import list_cameras
    from seeworthy.bench.store import open_bench
    from seeworthy.bench.takes import list_takes

    with open_bench(folder) as bench:
        return [c.id for c in list_cameras(bench)], [t.id for t in list_takes(bench)]


def read(folder: Path, times: int) -> None:
    """Ask the bench itself; it must say the same each time."""
    from seeworthy.bench.outcomes import list_outcomes, list_results
    from seeworthy.bench.store import open_bench

    with open_bench(folder) as bench:
        said = {(repr(list_outcomes(bench)), repr(list_results(bench))) for _ in range(times)}
    assert len(said) == 1


def judge(folder: Path, rounds: int) -> None:
    """Ask what is made of the bench: plans, claims, pages."""
    from seeworthy.cli.main import run
    from serving import served

    cameras, takes = addresses(folder)
    plan = folder.parent / f"{folder.name}-flight.toml"
    for client in served(folder):
        for turn in range(rounds):
            plan.write_text(FLIGHT.format(turn + 1), encoding="utf-8")
            for words in (["plan", str(plan)], ["claims"]):
                with redirect_stdout(StringIO()), redirect_stderr(StringIO()) as trouble:
                    code = run([*words, "--bench", str(folder)])
                assert code == 0, trouble.getvalue()
            for address in pages(cameras, takes, turn):
                assert client.get(address).status_code == 200, address


def main() -> None:
    """Run the loop that the command line asks for."""
    folder, threshold, rounds, *plain = sys.argv[1:]
    if plain:
        from sqlalchemy.orm import Session

        from seeworthy.bench import store

        store._Session = Session
    gc.set_threshold(int(threshold))
    read(Path(folder), READS * int(rounds))
    judge(Path(folder), int(rounds))
    sys.stdout.write("whole\n")


if __name__ == "__main__":
    main()
