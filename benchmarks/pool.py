"""Ten thousand packages pooled, and questions to them: seconds and memory.

    python benchmarks/pool.py [PACKAGES]

The packages are one bench of 200 results written through the project's own writer, with new
identities and scattered values in each; written in advance, and not timed.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import random
import resource
import shutil
import sys
import tempfile
import time
import uuid
from pathlib import Path

from seeworthy.bench.identity import Identity
from seeworthy.publish.corpus import ask, prior
from seeworthy.publish.describe import DescribedFacts, describe
from seeworthy.publish.export import write_parquet, write_tables
from seeworthy.publish.pool import pool
from seeworthy.publish.sheets import sheet, sheets

CAMERAS = ("Dunlin", "Sanderling", "Turnstone", "Knot", "Ruff")
MEASURANDS = (("mass", "g", 17.0), ("length", "mm", 48.0), ("width", "mm", 24.0),
              ("height", "mm", 21.0), ("hfov", "deg", 81.0))  # fmt: skip
RESULTS = 200


def tables(rng: random.Random) -> dict[str, list[tuple[object, ...]]]:
    """Return the tables of one bench: two cameras, 40 takes, 200 results, 6 claims."""
    new = lambda: str(uuid.UUID(int=rng.getrandbits(128), version=4))  # noqa: E731
    found: dict[str, list[tuple[object, ...]]] = {s.name: [] for s in sheets()}
    day = dt.date(2026, 4, 11)
    chosen = [(new(), name, new()) for name in rng.sample(CAMERAS, 2)]
    for camera, name, unit in chosen:
        found["cameras"].append((camera, name, "Saltmarsh Bits", "", new()))
        found["units"].append((unit, camera, "A", ""))
        for subject, of, value in MEASURANDS[:3]:
            text = f"{round(value)} {of}"
            found["claims"].append((camera, name, subject, text, value, of, 0.5, False, ""))
    for number in range(RESULTS // len(MEASURANDS)):
        camera, name, unit = chosen[number % 2]
        take = new()
        found["takes"].append(
            (take, number + 1, "body", unit, "", day, None, None, "", 20.0, 0.3, "20 degC", "")
        )
        for place, (measurand, of, value) in enumerate(MEASURANDS):
            x, u = rng.gauss(value, 0.01 * value), 0.004 * value
            found["results"].append(
                (new(), take, place, name, camera, "A", unit, "", "body", day, measurand, x, of,
                 u, float("inf"), x - 2 * u, x + 2 * u, 1, "", "", "", "", "", "", "", None, 20.0,
                 "", "", 1, "0.1.0", False, "")
            )  # fmt: skip
    return found


def write(folder: Path, count: int) -> None:
    """Write packages, 100 in each folder.

    What pooling does not read is linked to one package, so that ten thousand are written in
    minutes; descriptor, results and claims are each package's own.
    """
    when = dt.datetime(2026, 4, 12, tzinfo=dt.UTC)
    first = folder / "first"
    first.mkdir(parents=True)
    write_tables(first, tables(random.Random(0)))
    (first / "details.json").write_text("{}\n")
    describe(first, DescribedFacts(Identity("", "Bench", "CC0-1.0"), when, {"body": 1}))
    said = json.loads((first / "datapackage.json").read_text())
    for number in range(count):
        place = folder / f"{number // 100:03d}" / f"{number:05d}"
        rng = random.Random(number)
        shutil.copytree(first, place, copy_function=os.link)
        mine = tables(rng)
        hashes = {}
        for name in ("results", "claims"):
            path = place / "parquet" / f"{name}.parquet"
            path.unlink()
            write_parquet(path, sheet(name), mine[name])
            hashes[f"parquet/{name}.parquet"] = hashlib.sha256(path.read_bytes()).hexdigest()
        for entry in said["resources"]:
            if entry["path"] in hashes:
                entry["hash"] = f"sha256:{hashes[entry['path']]}"
        said["id"] = str(uuid.UUID(int=rng.getrandbits(128), version=4))
        (place / "datapackage.json").unlink()
        (place / "datapackage.json").write_text(json.dumps(said))
    shutil.rmtree(first)


def timed(what: str, call: object) -> float:
    """Run a call and print its seconds."""
    start, cpu = time.perf_counter(), sum(os.times()[:4])  # with processes that have ended
    call()  # type: ignore[operator]
    wall = time.perf_counter() - start
    print(f"{what:<28} {wall:7.2f} s  ({sum(os.times()[:4]) - cpu:.2f} s of processor)")
    return wall


def main() -> None:
    """Write, pool, ask, print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    place = Path(tempfile.mkdtemp(prefix="seeworthy-pool-"))
    try:
        timed(f"write {count} packages", lambda: write(place / "packages", count))
        timed("pool", lambda: print(pool([place / "packages"], place / "corpus")))
        timed("figures", lambda: ask(place / "corpus", "figures"))
        timed("claims", lambda: ask(place / "corpus", "claims"))
        timed("prior", lambda: print(prior(place / "corpus", "Dunlin", "mass")))
        own, reader = (
            resource.getrusage(who).ru_maxrss / 1024
            for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
        )
        print(f"most memory {own:.0f} MB, of the largest reader {reader:.0f} MB")
    finally:
        shutil.rmtree(place)


if __name__ == "__main__":
    main()
