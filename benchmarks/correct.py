"""What `correct` costs: against bare decoding and encoding with its own settings, in one run.

    python benchmarks/correct.py [--seconds 4] [--repeats 3]

Every figure comes from a process of its own; runs take turns, and ratios are of the least
times, so that another load on the machine hits all alike. The picture is 1280×720.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import av
import numpy as np
from one_pass import scene

WIDTH, HEIGHT = 1280, 720
RUNS = {
    "bare": "decode and encode, nothing else",
    "lens": "correct, lens",
    "dark": "correct, 40 hot pixels",
    "all": "correct, lens, shading and colour",
}


def render(path: Path, seconds: int) -> None:
    import cv2

    from seeworthy.media.write import ClipWriter

    options = {"g": "30", "bf": "0", "preset": "veryfast"}
    with ClipWriter(path, WIDTH, HEIGHT, 30, bit_rate=7_000_000, options=options) as clip:
        for luma in scene(WIDTH, HEIGHT, seconds * 30):
            soft = cv2.resize(luma, (WIDTH // 2, HEIGHT // 2), interpolation=cv2.INTER_AREA)
            tint = cv2.GaussianBlur(soft, (0, 0), 3) // 3
            clip.write_yuv420(luma, 90 + tint, 160 - tint)


def corrections(which: str):
    from seeworthy.judge.correct.data import Corrections, DataOrigin, parse

    origin = DataOrigin("a benchmark")
    x, y = np.meshgrid((np.arange(32) + 0.5) / 16 - 1, (np.arange(18) + 0.5) / 9 - 1)
    gain = np.exp2(x**2 + y**2).ravel().tolist()
    size = [WIDTH, HEIGHT]
    spots = np.random.default_rng(1).integers(0, (WIDTH, HEIGHT), (40, 2)).tolist()
    all_ = {
        "lens": {"kind": "lens", "size": size, "model": "pinhole",
                 "matrix": [880, 880, 640, 360], "distortion": [-0.2, 0.02, 0, 0, 0]},
        "shading": {"kind": "shading", "size": size, "grid": [32, 18], "gain": [gain] * 3},
        "colour": {"kind": "colour", "exposure": 1.0,
                   "matrix": [[1.2, -0.1, -0.1], [-0.1, 1.2, -0.1], [0, -0.2, 1.2]]},
        "dark": {"kind": "hot-pixels", "size": size, "places": spots},
    }  # fmt: skip
    wanted = ("lens", "shading", "colour") if which == "all" else (which,)
    return Corrections.of(*(parse(all_[kind], origin) for kind in wanted))


def bare(path: Path, out: Path) -> int:
    from seeworthy.judge.correct.outclip import QUALITY

    with av.open(str(path)) as clip, av.open(str(out), "w") as new:
        seen = clip.streams.video[0]
        seen.thread_type = "AUTO"
        stream = new.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.options = {**QUALITY, "g": "60"}
        count = 0
        for frame in clip.decode(seen):
            frame.pict_type = 0
            new.mux(stream.encode(frame))
            count += 1
        new.mux(stream.encode(None))
    return count


def child(what: str, path: Path) -> None:
    from seeworthy.judge.correct.apply import correct_clip
    from seeworthy.media.source import Source

    out = path.with_name("out.mp4")
    given = None if what == "bare" else corrections(what)
    start, cpu = time.perf_counter(), time.process_time()
    if given is None:
        frames = bare(path, out)
    else:
        frames = correct_clip(Source.of(path), given, out, force=True).frames
    wall, cpu = time.perf_counter() - start, time.process_time() - cpu
    print(json.dumps({"wall": wall / frames, "cpu": cpu / frames}))


def measure(what: str, path: Path) -> dict[str, float]:
    words = [sys.executable, __file__, "--child", what, str(path)]
    done = subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True)
    return json.loads(done.stdout.splitlines()[-1])


def main() -> None:
    if sys.argv[1:2] == ["--child"]:
        child(sys.argv[2], Path(sys.argv[3]))
        return
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=int, default=4)
    parser.add_argument("--repeats", type=int, default=3)
    given = parser.parse_args()
    best: dict[str, dict[str, float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        clip = Path(folder) / "clip.mp4"
        render(clip, given.seconds)
        for _ in range(given.repeats):
            for name in RUNS:
                got = measure(name, clip)
                old = best.setdefault(name, got)
                best[name] = {key: min(old[key], got[key]) for key in got}
    base = best["bare"]
    print(f"{'ms a frame':36}{'wall':>8}{'ratio':>7}{'cpu':>8}{'ratio':>7}{'a second':>10}")
    for name, said in RUNS.items():
        wall, cpu = best[name]["wall"], best[name]["cpu"]
        print(
            f"{said:36}{1e3 * wall:8.1f}{wall / base['wall']:7.2f}{1e3 * cpu:8.1f}"
            f"{cpu / base['cpu']:7.2f}{1 / wall:10.1f}"
        )


if __name__ == "__main__":
    main()
