"""A bench with all that the verbs are given, and forks in which they run: for `kills.py`."""

from __future__ import annotations

import atexit
import json
import os
import random
import resource
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from faults.make import seeds

LOADED = (
    "seeworthy.cli.run", "seeworthy.cli.import_", "seeworthy.cli.export", "seeworthy.cli.report",
    "seeworthy.cli.correct", "seeworthy.cli.recover", "seeworthy.cli.bench", "seeworthy.cli.take",
    "seeworthy.publish.taking_in", "seeworthy.publish.html", "seeworthy.publish.assemble",
    "seeworthy.publish.write", "seeworthy.publish.export", "seeworthy.judge.correct.apply",
    "seeworthy.media.recover.rebuild", "seeworthy.bench.vault", "seeworthy.bench.running",
    "seeworthy.bench.importing", "seeworthy.procedures.body.run", "seeworthy.procedures.stream.run",
    "importlib.readers", "seeworthy.bench.schema", "alembic.command",
    "scipy.stats", "av", "cv2", "pyarrow.parquet",
)  # fmt: skip
TAKES = 3


@dataclass
class World:
    """A folder with a bench and with what the verbs are given.

    Attributes:
        takes, measured: What was acknowledged: numbers of takes, of which so many have outcomes.
    """

    place: Path
    takes: int = 0
    measured: int = 0

    @property
    def bench(self) -> Path:
        return self.place / "bench"

    def out(self, name: str) -> Path:
        return self.place / "out" / name


def in_a_fork(act: Callable[[], object], seconds: float | None = None, limit: int = 0) -> int:
    """Run something in a fork; kill it after so many seconds; return its code (-9: killed)."""
    child = begun(act, limit)
    if seconds is not None:
        time.sleep(seconds)
        os.kill(child, signal.SIGKILL)
    return ended(child)


def begun(act: Callable[[], object], limit: int = 0, log: str = "") -> int:
    """Begin something in a fork, with a limit of the size of files; return its process."""
    child = os.fork()
    if child != 0:
        return child
    code = 1
    try:
        os.setsid()
        with Path(log or os.environ["KILLS_SAID"]).open("w") as file:
            os.dup2(file.fileno(), 1)
            os.dup2(file.fileno(), 2)
        sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
        if limit:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        code = int(act() or 0)
    except BaseException as error:
        sys.stdout.write(f"raised {type(error).__name__}: {error}\n")
    atexit._run_exitfuncs()  # what ends with a process that is not a fork
    with suppress(OSError):  # its own words may be what has no room
        sys.stdout.flush()
        sys.stderr.flush()
    os._exit(code)


def ended(child: int) -> int:
    """Wait for a fork, and for the processes that it began; return its code.

    Raises:
        AssertionError: Some of them outlive it.
    """
    _, status = os.waitpid(child, 0)
    end = time.monotonic() + 10.0
    while others := _session(child):
        if time.monotonic() > end:
            raise AssertionError(f"processes outlive it: {others}")
        time.sleep(0.05)
    return os.waitstatus_to_exitcode(status)


def _session(leader: int) -> list[str]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            name, _, rest = stat.read_text().rpartition(")")
        except OSError:
            continue
        if rest.split()[3] == str(leader) and rest.split()[0] != "Z":
            found.append(name)
    return found


def tell(line: str | dict[str, object]) -> None:
    """Print one line at once."""
    sys.stdout.write((line if isinstance(line, str) else json.dumps(line)) + "\n")
    sys.stdout.flush()


def command(*words: object) -> Callable[[], int]:
    from seeworthy.cli.main import run

    return lambda: run([str(w) for w in words])


def build(place: Path) -> World:
    """Make the world: a measured bench, an older bench, a card, a package, a backup, clips."""
    world = World(place)
    (place / "out").mkdir(parents=True)
    for kind, data in seeds().items():
        (place / f"good.{kind}").write_bytes(data)
    good = seeds()["mov"]
    (place / "cut.mov").write_bytes(good[: good.index(b"moov")])

    def make() -> None:
        from seeworthy.bench.cameras import add_camera
        from seeworthy.bench.store import create_bench
        from seeworthy.bench.takes import add_take
        from seeworthy.bench.vault import pack_bench
        from seeworthy.publish.export import export_bench

        with create_bench(world.bench) as bench:
            add_camera(bench, "Dunlin")
            add_take(bench, "stream", "Dunlin", {"": [place / "good.mp4"]})
            measure_here(world)()
            pack_bench(bench, place / "backup.zip")
        with create_bench(place / "theirs") as other:
            add_camera(other, "Knot")
            export_bench(other, place / "package.zip")
        older(place / "old")

    assert in_a_fork(make) == 0, said()
    world.takes = world.measured = 1
    return world


def older(folder: Path) -> None:
    """Make a bench as the first version of the program made it."""
    from alembic import command as moves
    from sqlalchemy import create_engine

    from seeworthy.bench import schema

    for part in ("evidence", "exports"):
        (folder / part).mkdir(parents=True)
    config = schema._config()
    with create_engine(f"sqlite:///{folder / 'bench.sqlite'}").begin() as connection:
        config.attributes["connection"] = connection
        moves.upgrade(config, "0001")
        connection.exec_driver_sql(
            "insert into camera (name, maker, note, version, added) "
            "values ('Whimbrel', '', '', 1, '2026-03-21 10:00:00')"
        )


def said() -> str:
    return Path(os.environ["KILLS_SAID"]).read_text()


def measure_here(world: World) -> Callable[[], int]:
    """Return a run that measures in threads of its own process."""

    def act() -> int:
        from concurrent.futures import ThreadPoolExecutor

        from seeworthy.bench.running import run_bench
        from seeworthy.bench.store import open_bench
        from seeworthy.ground.errors import SeeworthyError

        try:
            with open_bench(world.bench) as bench, ThreadPoolExecutor(1) as one:
                run_bench(bench, executor=one, workers=1, tell=lambda e: tell(f"{e.kind} {e.take}"))
        except SeeworthyError as error:
            tell(error.message)
            return error.exit_code
        return 0

    return act


def add_takes(world: World, rng: random.Random) -> None:
    def act() -> None:
        from seeworthy.bench.store import open_bench
        from seeworthy.bench.takes import add_take

        with open_bench(world.bench) as bench:
            for _ in range(TAKES):
                mass = {"mass": [f"{rng.uniform(10, 30):.3f} g"]}
                add_take(bench, "body", "Dunlin", readings=mass)

    assert in_a_fork(act) == 0, said()
    world.takes += TAKES


@dataclass(frozen=True)
class Verb:
    """What is killed.

    Attributes:
        act: Returns what runs.
        before: Is done before each round.
        whole: Tells of what was written that it is whole; called where it is there.
        writes: What it writes, below ``out``.
        codes: With which it may end when it runs again.
    """

    act: Callable[[World], Callable[[], object]]
    before: Callable[[World, random.Random], None] = lambda world, rng: None
    whole: Callable[[Path], bool] = lambda path: True
    writes: str = ""
    codes: tuple[int, ...] = (0,)


def plays(path: Path) -> bool:
    import av

    with av.open(str(path)) as clip:
        return sum(1 for _ in clip.decode(video=0)) == 12


def zip_is_whole(path: Path) -> bool:
    with zipfile.ZipFile(path) as archive:
        return archive.testzip() is None and len(archive.namelist()) > 5


def package_is_whole(path: Path) -> bool:
    described = json.loads((path / "datapackage.json").read_text())
    return all((path / r["path"]).stat().st_size == r["bytes"] for r in described["resources"])


def database_is_whole(folder: Path) -> bool:
    with sqlite3.connect(folder / "bench.sqlite") as plain:
        said = [plain.execute(f"PRAGMA {p}_check").fetchall() for p in ("integrity", "foreign_key")]
    plain.close()
    return said == [[("ok",)], []]


VERBS: dict[str, Verb] = {
    "run": Verb(measure_here, add_takes),
    "import": Verb(
        lambda w: command("import", w.place / "package.zip", "--bench", w.bench), codes=(0, 2)
    ),
    "export": Verb(
        lambda w: command("export", w.out("data"), "--bench", w.bench),
        whole=package_is_whole, writes="data",
    ),
    "export zip": Verb(
        lambda w: command("export", w.out("data.zip"), "--bench", w.bench),
        lambda w, rng: w.out("data.zip").unlink(missing_ok=True),
        whole=zip_is_whole, writes="data.zip", codes=(0, 2),
    ),
    "report": Verb(
        lambda w: command("report", "Dunlin", "--out", w.out("r"), "--bench", w.bench),
        whole=lambda p: all(f.read_text().rstrip().endswith("</html>") for f in p.glob("*")),
        writes="r",
    ),
    "correct": Verb(
        lambda w: command("correct", w.place / "good.mp4", "--colour", w.place / "good.json",
                          "--out", w.out("c.mov"), "--force"),
        whole=plays, writes="c.mov",
    ),
    "recover": Verb(
        lambda w: command("recover", w.place / "cut.mov", "--like", w.place / "good.mov",
                          "--out", w.out("back.mov")),
        lambda w, rng: w.out("back.mov").unlink(missing_ok=True),
        whole=lambda p: plays(p), writes="back.mov", codes=(0, 2),
    ),
    "backup": Verb(
        lambda w: command("bench", "backup", w.out("b.zip"), "--bench", w.bench),
        lambda w, rng: w.out("b.zip").unlink(missing_ok=True),
        whole=lambda p: zipfile.ZipFile(p).testzip() is None, writes="b.zip", codes=(0, 2),
    ),
    "restore": Verb(
        lambda w: command("bench", "restore", w.place / "backup.zip", w.out("again")),
        lambda w, rng: shutil.rmtree(w.out("again"), ignore_errors=True),
        whole=lambda p: database_is_whole(p) and len(list(p.glob("evidence/*/*"))) >= 1,
        writes="again", codes=(0, 2),
    ),
    "migrate": Verb(
        lambda w: command("camera", "list", "--bench", w.out("old")),
        lambda w, rng: (shutil.rmtree(w.out("old"), ignore_errors=True),
                        shutil.copytree(w.place / "old", w.out("old")), None)[2],
        whole=database_is_whole, writes="old",
    ),
    "new": Verb(
        lambda w: command("bench", "new", w.out("fresh")),
        lambda w, rng: shutil.rmtree(w.out("fresh"), ignore_errors=True), writes="fresh",
        codes=(0, 2),
    ),
}  # fmt: skip


def state(world: World) -> dict[str, int]:
    """Count what the database holds."""
    tables = ("take", "outcome", "result", "camera")
    with sqlite3.connect(world.bench / "bench.sqlite") as plain:
        found = {t: plain.execute(f"select count(*) from {t}").fetchone()[0] for t in tables}
    plain.close()
    return found


def wrongs(world: World, before: dict[str, int], acknowledged: int) -> list[str]:
    found = []
    if not database_is_whole(world.bench):
        found.append("the database is not whole")
    after = state(world)
    found += [f"{t}: {before[t]}, now {after[t]}" for t in before if after[t] < before[t]]
    if after["take"] < world.takes or after["outcome"] < acknowledged:
        found.append(f"acknowledged {world.takes} takes, {acknowledged} measured; has {after}")
    return found


def leftovers(world: World) -> list[str]:
    """Return what lies about under a hidden name, or in the temporary folder."""
    places = (world.place, Path(tempfile.gettempdir()))
    return sorted({str(p) for place in places for p in place.rglob("*")
                   if p.name.startswith((".", "seeworthy-scratch", "tmp")) or ".part" in p.name
                   })  # fmt: skip
