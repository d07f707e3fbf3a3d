"""Kill verbs of the command line at random moments, and see that nothing is lost.

``python kills.py COUNT SEED FOLDER``: COUNT kills in turn over the verbs; one line of JSON a kill,
with what was wrong. Each verb runs in a fork of this process, which has loaded everything and has
no threads, so that a kill costs its own time only; some runs have true worker processes, which
must not outlive them. Other words in the place of COUNT:

``full``: the same verbs with less and less room for a file. ``read-only``: in folders that nobody
may write to. ``together``: two runs, a server and an import at once. ``clock``: a run while the
clock jumps.
"""

from __future__ import annotations

import datetime as dt
import encodings
import importlib
import json
import os
import pkgutil
import random
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from faults.world import (
    LOADED,
    VERBS,
    Verb,
    World,
    add_takes,
    begun,
    build,
    command,
    ended,
    in_a_fork,
    leftovers,
    measure_here,
    said,
    state,
    tell,
    wrongs,
)


def one_kill(world: World, name: str, typical: float, rng: random.Random) -> list[str]:
    """Kill a verb once, look, run it again, look again."""
    verb = VERBS[name]
    verb.before(world, rng)
    before = state(world)
    act = verb.act(world)
    if name == "run" and rng.random() < 1 / 8:
        act, typical = command("run", "--bench", world.bench, "--workers", "1"), 6.0
    in_a_fork(act, rng.uniform(0.0, typical))
    done = said().count("done ")
    found = wrongs(world, before, before["outcome"] + done)
    target = world.out(verb.writes) if verb.writes else None
    if target and target.exists() and name not in ("new", "migrate") and not verb.whole(target):
        found.append(f"{target.name} is there, not whole")
    code = in_a_fork(act)
    right = code in verb.codes and (code != 2 or _done(verb, world))
    if not right or "itself failed" in said():
        found.append(f"again: {code}, {said()[-300:]}")
    found += wrongs(world, before, before["outcome"] + done)
    if target and not verb.whole(target):
        found.append(f"{target.name} is not whole after it ran again")
    world.measured = state(world)["outcome"]
    if name == "run" and world.measured != world.takes:
        found.append(f"{world.takes} takes, {world.measured} measured")
    return found + [f"left: {p}" for p in leftovers(world)]


def _done(verb: Verb, world: World) -> bool:
    """Tell whether a refusal to do it again is right: the first had ended before the kill."""
    target = world.out(verb.writes) if verb.writes else None
    return verb.whole(target) if target else "already" in said()


def times(world: World, rng: random.Random) -> dict[str, float]:
    """Return how long each verb takes when it is left alone."""
    found = {}
    for name, verb in VERBS.items():
        verb.before(world, rng)
        began = time.monotonic()
        code = in_a_fork(verb.act(world))
        assert code == 0, (name, code, said())
        found[name] = time.monotonic() - began
    world.measured = state(world)["outcome"]
    return found


def kills(count: int, seed: int, place: Path) -> int:
    rng = random.Random(seed)
    world = build(place)
    # A few kills do not need to know how long each verb takes.
    typical = times(world, rng) if count > len(VERBS) else dict.fromkeys(VERBS, 1.0)
    tell({"times": {k: round(v, 2) for k, v in typical.items()}})
    names = list(VERBS)
    bad = 0
    for number in range(count):
        name = names[number % len(names)]
        found = one_kill(world, name, typical[name], rng)
        bad += bool(found)
        tell({"kill": number, "verb": name, "wrong": found})
    return bad


def full(seed: int, place: Path) -> int:
    """Run every verb with less and less room for a file."""
    rng = random.Random(seed)
    world = build(place)
    times(world, rng)
    bad = 0
    for name, verb in VERBS.items():
        for limit in (1500, 4096, 40_000, 200_000):
            verb.before(world, rng)
            before = state(world)
            target = world.out(verb.writes) if verb.writes else None
            code = in_a_fork(verb.act(world), limit=limit)
            text = said()
            found = wrongs(world, before, before["outcome"])
            if code not in (0, 2) or not text.strip() or "itself failed" in text:
                found.append(f"{code}: {text[-300:]}")
            if target and target.exists() and name != "new" and not verb.whole(target):
                found.append(f"{target.name} is there, not whole")
            found += [f"left: {p}" for p in leftovers(world)]
            bad += bool(found)
            tell({"verb": name, "limit": limit, "code": code, "wrong": found,
                              "said": text[-120:]})  # fmt: skip
        assert in_a_fork(verb.act(world)) in verb.codes, said()
    return bad


def read_only(seed: int, place: Path) -> int:
    """Run every verb where nobody may write: it says so, and reading goes on."""
    rng = random.Random(seed)
    world = build(place)
    times(world, rng)
    for verb in VERBS.values():
        verb.before(world, rng)
    before = state(world)
    for path in (place, *place.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    acts = {name: verb.act(world) for name, verb in VERBS.items()}
    reads = {"list": command("camera", "list", "--bench", world.bench),
             "claims": command("claims", "--bench", world.bench)}  # fmt: skip
    acts |= reads
    bad = 0
    for name, act in acts.items():
        code = in_a_fork(lambda act=act: (_nobody(), act())[1])
        right = (0,) if name in reads else (2,)
        text = said()
        found = [] if code in right and "itself failed" not in text else [f"{code}: {text[-300:]}"]
        if state(world) != before:
            found.append("something was changed")
        bad += bool(found)
        tell({"verb": name, "code": code, "said": text[-120:], "wrong": found})
    return bad


def _nobody() -> None:
    if os.geteuid() == 0:
        os.setegid(65_534)
        os.seteuid(65_534)


def together(seed: int, place: Path) -> int:
    """Two runs, a server that takes take upon take and measures, and an import, at once."""
    rng = random.Random(seed)
    world = build(place)
    for _ in range(4):
        add_takes(world, rng)
    words = [sys.executable, "-m", "seeworthy", "serve", "--bench", str(world.bench),
             "--no-browser", "--port", "0"]  # fmt: skip
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        address = server.stdout.readline().split()[-1].rstrip("/")
        acts = [measure_here(world), measure_here(world),
                command("import", place / "package.zip", "--bench", world.bench)]  # fmt: skip
        forks = [begun(act, log=f"{place}/said-{i}.txt") for i, act in enumerate(acts)]
        statuses = []
        for number in range(6):
            take = {
                "procedure": "body",
                "camera": "Dunlin",
                "readings": {"mass": [f"{17 + number} g"]},
            }
            statuses.append(_post(address, "/api/takes", take))
            statuses.append(_post(address, "/api/run", None))
        world.takes += 6
        codes = [ended(fork) for fork in forks]
        time.sleep(3.0)  # what the server has in hand
        server.terminate()
    codes.append(in_a_fork(measure_here(world)))
    after = state(world)
    found = wrongs(world, after, world.takes)
    if codes != [0] * 4 or set(statuses) - {200, 201, 202, 409} or after["take"] != world.takes:
        found.append(f"codes {codes}, statuses {statuses}, {after}")
    tell({"together": after, "codes": codes, "statuses": statuses, "wrong": found})
    return len(found)


def _post(address: str, path: str, body: object) -> int:
    request = urllib.request.Request(
        address + path, json.dumps(body).encode(),
        {"content-type": "application/json", "origin": address},
    )  # fmt: skip
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        return error.code


def clock(seed: int, place: Path) -> int:
    """Run twice at once while the clock of both jumps by days and years, forward and back."""
    rng = random.Random(seed)
    world = build(place)
    for _ in range(4):
        add_takes(world, rng)
    acts = [_jumping(measure_here(world), seed + i) for i in range(2)]
    forks = [begun(act, log=f"{place}/said-{i}.txt") for i, act in enumerate(acts)]
    codes = [ended(fork) for fork in forks]
    codes.append(in_a_fork(_jumping(measure_here(world), seed + 9)))
    after = state(world)
    found = wrongs(world, after, world.takes)
    if codes != [0] * 3:
        found.append(f"{codes}, {said()[-300:]}")
    tell({"clock": after, "codes": codes, "wrong": found})
    return len(found)


def _jumping(act: Callable[[], object], seed: int) -> Callable[[], object]:
    def jumped() -> object:
        from seeworthy.bench import columns

        rng, real, real_time = random.Random(seed), columns.now, time.time
        days = lambda: rng.choice((0, 0, 1, -1, 400, -400, 9000))  # noqa: E731
        now = lambda: real() + dt.timedelta(days=days())  # noqa: E731
        for module in list(sys.modules.values()):
            if getattr(module, "now", None) is real:
                module.now = now  # type: ignore[attr-defined]
        time.time = lambda: real_time() + 86400.0 * days()
        return act()

    return jumped


def main() -> None:
    """Do it in a folder, which the caller removes."""
    what, seed, place = sys.argv[1], int(sys.argv[2]), Path(sys.argv[3])
    # Whoever has no rights may not even read the interpreter's own modules.
    codecs = (f"encodings.{m.name}" for m in pkgutil.iter_modules(encodings.__path__))
    for name in (*LOADED, *codecs):
        with suppress(ImportError):  # codecs of other systems
            importlib.import_module(name)
    temporary = place / "temporary"
    temporary.mkdir(parents=True)
    temporary.chmod(0o1777)
    tempfile.tempdir = os.environ["TMPDIR"] = str(temporary)
    os.environ["KILLS_SAID"] = str(place / "said.txt")
    whole = {"full": full, "read-only": read_only, "together": together, "clock": clock}.get(what)
    bad = whole(seed, place / "world") if whole else kills(int(what), seed, place / "world")
    sys.exit(min(1, bad))


if __name__ == "__main__":
    main()
