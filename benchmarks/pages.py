"""The pages under load: how fast each answers, how large the first one is, what an upload costs.

    python benchmarks/pages.py            pages of a bench of 50 cameras and 1,000 takes
    python benchmarks/pages.py --upload   a 2 GB upload as well (needs 2.5 GB of disk)

Goals: every page under 200 ms at the median; the first under 100 kB; the server's memory
grows by less than 50 MB over a 2 GB upload.
"""

from __future__ import annotations

import argparse
import datetime as dt
import http.client
import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import select

from seeworthy.bench.cameras import add_camera
from seeworthy.bench.models import OutcomeRow, ReadingRow, ResultRow, TakeRow, UnitRow
from seeworthy.bench.state import inputs_key, inputs_of
from seeworthy.bench.store import Bench, create_bench
from seeworthy.ground.measurands import all_measurands
from seeworthy.procedures import all_procedures

CAMERAS, TAKES = 50, 1000
REPEATS = 9
PAGES = (
    "/", "/cameras/7", "/procedures", "/procedures/view?camera=Camera%2007", "/takes",
    "/takes?page=9", "/takes/321", "/shoot?test=view&test=readout&test=battery&unit=1&unit=2",
    "/compare", "/compare?by=camera", "/compare?by=unit&camera=Camera%2001&camera=Camera%2002",
    "/suit", "/suit?purpose=kite-picture", "/suit/edit?name=kite-picture", "/plan",
    "/plan?motion.speed=14+m/s&motion.distance=60+m&camera=Camera%2001", "/import", "/reports",
    "/reports/7", "/targets", "/settings",
)  # fmt: skip


def fill(bench: Bench) -> None:
    """Write 50 cameras with 1,000 measured takes straight into the tables."""
    rng = random.Random(1)
    for i in range(CAMERAS):
        claims = {"hfov": "90 deg", "mass": "20 g", "run_time": "60 min"}
        add_camera(bench, f"Camera {i:02d}", claims=claims)
    names = list(all_procedures())
    with bench.changing() as session:
        units = list(session.scalars(select(UnitRow.id)))
        for i in range(TAKES):
            name = names[(i // CAMERAS) % len(names)]
            take = TakeRow(unit_id=units[i % CAMERAS], procedure=name, taken=dt.date(2026, 3, 21))
            take.readings.append(
                ReadingRow(position=0, name="note", text=f"{i}", value=1.0, unit="", u=0.1)
            )
            session.add(take)
            session.flush()
            version = all_procedures()[name].version
            outcome = OutcomeRow(
                take_id=take.id, procedure_version=version, seeworthy="0", state="measured",
                inputs_key=inputs_key(take, version), inputs=inputs_of(take),
                sentence="It is as it is.",
            )  # fmt: skip
            mine = [m for m in all_measurands().values() if m.procedure == name][:5]
            for place, entry in enumerate(mine):
                value = rng.uniform(10, 60)
                outcome.results.append(
                    ResultRow(
                        position=place, measurand=entry.id, value=value, unit=entry.unit, u=0.5,
                        low=value - 1, high=value + 1, n=5, conditions={}, evidence=[],
                    )
                )  # fmt: skip
            session.add(outcome)


def memory(process: int) -> float:
    """Return the resident size of a process, MB."""
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def ask(port: int, path: str) -> tuple[int, int, float]:
    """Return status, size and seconds of one answer."""
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    begun = time.perf_counter()
    line.request("GET", path)
    answer = line.getresponse()
    size = len(answer.read())
    line.close()
    return answer.status, size, time.perf_counter() - begun


def time_pages(port: int) -> bool:
    """Print the median time of every page; tell whether all goals are met."""
    good = True
    for path in PAGES:
        status, size, first = ask(port, path)
        times = [ask(port, path)[2] for _ in range(REPEATS)]
        median = 1e3 * statistics.median([first, *times])
        fine = status == 200 and median < 200 and (path != "/" or size < 100_000)
        good = good and fine
        mark = "" if fine else "  <- misses its goal"
        print(f"{median:8.1f} ms  first {1e3 * first:8.1f} ms  {size / 1e3:8.1f} kB  {path}{mark}")
    return good


def pieces(size: int, block: bytes) -> Iterator[bytes]:
    """Yield `size` bytes without holding them."""
    for _ in range(size // len(block)):
        yield block


def time_upload(port: int, process: int, size: int = 2 * 1024**3) -> bool:
    """Send 2 GB in pieces and print by how much the server's memory grew at most."""
    head = {"origin": f"http://127.0.0.1:{port}", "content-type": "application/json"}
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    line.request("POST", "/uploads", json.dumps({"name": "big.mov", "size": size}), head)
    ticket = json.loads(line.getresponse().read())["ticket"]
    before = most = memory(process)
    step, block = 64 * 1024**2, bytes(1024**2)
    begun = time.perf_counter()
    for offset in range(0, size, step):
        sent = {"origin": head["origin"], "content-length": str(step)}
        line.request("PATCH", f"/uploads/{ticket}?offset={offset}", pieces(step, block), sent)
        if line.getresponse().read()[:1] != b"{":
            raise SystemExit("the upload was refused")
        most = max(most, memory(process))
    seconds = time.perf_counter() - begun
    line.request("DELETE", f"/uploads/{ticket}", headers=head)
    line.getresponse().read()
    grown = most - before
    print(f"upload of {size / 1e9:.2f} GB: {size / 1e6 / seconds:.0f} MB/s, memory +{grown:.1f} MB")
    return grown < 50


def main() -> int:
    """Fill a bench, serve it, ask for every page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--upload", action="store_true")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "dunes"
        with create_bench(folder) as bench:
            fill(bench)
        port = 8690
        command = [sys.executable, "-m", "seeworthy.cli.main", "serve", "--bench", str(folder)]
        server = subprocess.Popen(
            [*command, "--no-browser", "--port", str(port)], stdout=subprocess.DEVNULL
        )
        try:
            for _ in range(200):
                time.sleep(0.1)
                try:
                    ask(port, "/targets")
                    break
                except OSError:
                    continue
            good = time_pages(port)
            if chosen.upload:
                good = time_upload(port, server.pid) and good
        finally:
            server.terminate()
            server.wait(20)
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
