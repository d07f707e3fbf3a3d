"""What the one decode pass costs: time against a bare PyAV decode, and memory.

    python benchmarks/one_pass.py [--size 1280x720] [--seconds 60] [--repeats 3] [--brief] [--long]

Every figure comes from a process of its own. Ratios are of the least times of runs that
take turns, so that another load on the machine hits both alike; CPU time is printed
beside, which such a load hits less. `--long` adds the peak memory of a 10 min clip.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from _clips import bare, repeated

RENDERED = 10  # seconds that are rendered; longer clips repeat their packets


def scene(width: int, height: int, frames: int):
    """Yield luma of a textured scene that drifts and sways, with fresh-looking sensor noise."""
    import cv2

    rng = np.random.default_rng(7)
    coarse = cv2.GaussianBlur(rng.normal(0, 1, (height + 240, width + 640)), (0, 0), 9) * 12
    fine = cv2.GaussianBlur(rng.normal(0, 1, (height + 240, width + 640)), (0, 0), 1.5) * 1.2
    ground = cv2.normalize(coarse + fine, None, 30, 220, cv2.NORM_MINMAX).astype(np.float32)
    noise = rng.normal(0, 2.5, (16, height, width)).astype(np.float32)
    for i in range(frames):
        x, y = 300 + 280 * np.sin(i / 40), 110 + 90 * np.cos(i / 23)
        move = np.array([[1, 0, -x], [0, 1, -y]], np.float32)
        view = cv2.warpAffine(ground, move, (width, height), flags=cv2.INTER_LINEAR)
        yield np.clip(view + noise[(i * 7) % 16], 0, 255).astype(np.uint8)


def render(path: Path, width: int, height: int) -> None:
    from seeworthy.media.write import ClipWriter

    options = {"g": "30", "bf": "0", "preset": "veryfast"}
    rate = 7_000_000 if width <= 1280 else 14_000_000
    with ClipWriter(path, width, height, 30, bit_rate=rate, options=options) as clip:
        for luma in scene(width, height, RENDERED * 30):
            clip.write_luma(luma)


class Idle:
    """An observer that wants frames and does nothing with them."""

    def begin(self, stage) -> None: ...
    def frame(self, view) -> None: ...
    def finish(self) -> None: ...


def observers(path: Path, which: str):
    from seeworthy.media.source import Source
    from seeworthy.procedures import all_procedures
    from seeworthy.procedures.declare import gather

    found = []
    for item in all_procedures().values():
        if item.look and which in ("all", item.id):
            inputs = gather(item, {"": [Source.of(path)]}, {})
            found += [w.observer for w in item.prepare(inputs)]
    return found


def passed(path: Path, which: str) -> int:
    from seeworthy.media.frames import watch
    from seeworthy.media.source import Source

    watchers = [Idle()] if which == "idle" else [*observers(path, which), Idle()]
    return watch(Source.of(path), watchers).frames


def looked(path: Path) -> int:
    """Everything `look` does: pass, then every conclusion."""
    from seeworthy.ground.errors import SeeworthyError
    from seeworthy.media.frames import watch
    from seeworthy.media.source import Source
    from seeworthy.procedures import all_procedures
    from seeworthy.procedures.declare import Seen, gather

    source = Source.of(path)
    jobs = []
    for item in all_procedures().values():
        if item.look:
            inputs = gather(item, {"": [source]}, {})
            jobs.append((item, inputs, item.prepare(inputs)))
    summary = watch(source, [w.observer for _, _, watches in jobs for w in watches] + [Idle()])
    for item, inputs, watches in jobs:
        try:
            item.conclude(inputs, Seen(watches, {source: summary}))
        except SeeworthyError as error:
            print(f"  {item.id}: {error}", file=sys.stderr)
    return summary.frames


def child(what: str, path: Path) -> None:
    """Run one thing in this process and print its figures."""
    work = {"bare": bare, "look": looked}.get(what) or (lambda p: passed(p, what))
    if what not in ("bare",):
        observers(path, "all")  # imports are not the pass's cost
    start, cpu = time.perf_counter(), time.process_time()
    frames = work(path)
    wall, cpu = time.perf_counter() - start, time.process_time() - cpu
    print(json.dumps({"wall": wall, "cpu": cpu, "frames": frames, "peak": peak_megabytes()}))


def peak_megabytes() -> float:
    """Peak memory of this process; Linux hands the parent's peak on to ru_maxrss."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1024 * 1024 if sys.platform == "darwin" else 1024)


def whole(path: Path) -> dict[str, float]:
    """Run the program as a user does, start of Python and all."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "seeworthy", "look", str(path)], check=True, capture_output=True
    )
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return {"wall": wall, "cpu": cpu, "frames": 0, "peak": 0}


def measure(what: str, path: Path) -> dict[str, float]:
    if what == "whole":
        return whole(path)
    done = subprocess.run(
        [sys.executable, __file__, "--child", what, str(path)],
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    )
    return json.loads(done.stdout.splitlines()[-1])


def compare(path: Path, repeats: int, *, brief: bool = False) -> None:
    from seeworthy.procedures import all_procedures

    looks = [p.id for p in all_procedures().values() if p.look]
    each = ["idle", *(n for n in looks if observers(path, n)), "all", "look"]
    names = ["bare", *([] if brief else each), "whole"]
    best: dict[str, dict[str, float]] = {}
    for _ in range(repeats):
        for name in names:
            got = measure(name, path)
            old = best.setdefault(name, got)
            for key in ("wall", "cpu"):
                old[key] = min(old[key], got[key])
            old["peak"] = max(old["peak"], got["peak"])
    base = best["bare"]
    print(f"{'':24}{'wall s':>8}{'ratio':>7}{'cpu s':>8}{'ratio':>7}{'peak MB':>9}")
    labels = {"bare": "bare decode", "idle": "pass, nobody looks", "all": "pass, all observers",
              "look": "look: pass + results", "whole": "the whole program"}  # fmt: skip
    for name in names:
        got = best[name]
        print(
            f"{labels.get(name, 'pass, ' + name):24}{got['wall']:8.2f}"
            f"{got['wall'] / base['wall']:7.3f}{got['cpu']:8.2f}{got['cpu'] / base['cpu']:7.3f}"
            f"{got['peak']:9.0f}"
        )


def main() -> None:
    if sys.argv[1:2] == ["--child"]:
        child(sys.argv[2], Path(sys.argv[3]))
        return
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--size", action="append", help="default: 1280x720 and 1920x1080")
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--brief", action="store_true", help="bare and the whole program only")
    parser.add_argument("--long", action="store_true", help="also a 10 min clip, for memory")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for size in given.size or ["1280x720", "1920x1080"]:
            width, height = map(int, size.split("x"))
            short = Path(folder) / f"{size}.mp4"
            render(short, width, height)
            clip = Path(folder) / f"{size}-{given.seconds}s.mp4"
            repeated(short, clip, RENDERED, max(1, given.seconds // RENDERED))
            print(f"\n{size}, {given.seconds} s, {clip.stat().st_size / 1e6:.0f} MB")
            compare(clip, given.repeats, brief=given.brief)
            if given.brief:
                continue
            for seconds in (10, 60, 600) if given.long else (10, 60):
                path = Path(folder) / f"{size}-memory.mp4"
                repeated(short, path, RENDERED, seconds // RENDERED)
                print(f"look, {seconds:4d} s: peak {measure('look', path)['peak']:.0f} MB")
                path.unlink()


if __name__ == "__main__":
    main()
