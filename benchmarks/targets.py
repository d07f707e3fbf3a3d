"""What measuring a 10 s target clip costs against its bare decode.

    python benchmarks/targets.py [lens pixel-aspect sharpness shading] [--repeats 1]

1280×720, H.264 at 7 Mbit/s. Wanted: at most 1.5 times the bare decode plus 3 s. Runs take
turns; CPU time is printed beside the time, because another load on the machine hits it less.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from _clips import bare, repeated

FRAMES = 300
NAMES = ("lens", "pixel-aspect", "sharpness", "shading")


def render(name: str, path: Path) -> None:
    """Film 10 s of the procedure's target."""
    from seeworthy.procedures.lens import study as lens
    from seeworthy.procedures.pixel_aspect import study as pixel_aspect
    from seeworthy.procedures.shading import study as shading
    from seeworthy.procedures.sharpness import study as sharpness
    from seeworthy.virtual.filming import Hold, film, paints_of

    rng = np.random.default_rng(11)
    if name == "lens":
        seen = lens.random_lens("mild barrel", rng)
        holds = [Hold(h.pose, 25, 0) for h in lens.script(seen, rng)]
        from seeworthy.targets import target
        from seeworthy.virtual.filming import Studio

        film(path, Studio(paints_of(target("board").painting()), seen), holds, rng)
    elif name == "pixel-aspect":
        seen = pixel_aspect._lens(1.0, rng)
        studio = pixel_aspect._studio(seen, 0.0, rng, plain=False)
        film(path, studio, [Hold(pixel_aspect._pose(seen, (2.0, 1.0), 0.0, rng), FRAMES)], rng)
    elif name == "sharpness":
        short = path.with_name("short.mp4")
        sharpness.film_edges(short, sharpness.random_blur(rng), rng)
        repeated(short, path, 2, 5)
    else:
        short = path.with_name("short.mp4")
        shading.film_field(short, shading.random_field(shading.ONE, rng), rng, frames=60)
        repeated(short, path, 2, 5)


def timed(run: Callable[[], object]) -> tuple[float, float]:
    """Return seconds by the clock and of the processor."""
    clock, cpu = time.perf_counter(), time.process_time()
    run()
    return time.perf_counter() - clock, time.process_time() - cpu


def main() -> None:
    """Print one line per procedure."""
    from seeworthy.engine.measure import measure

    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("names", nargs="*", default=NAMES)
    options.add_argument("--repeats", type=int, default=1)
    asked = options.parse_args()
    print("procedure      decode s (CPU)   measure s (CPU)   allowed s   kept   by CPU")
    with tempfile.TemporaryDirectory() as folder:
        for name in asked.names:
            path = Path(folder) / f"{name}.mp4"
            render(name, path)
            bare(path)
            pairs = [
                (timed(lambda p=path: bare(p)), timed(lambda n=name, p=path: measure(n, [p])))
                for _ in range(asked.repeats)
            ]
            plain, full = (tuple(min(p[k][i] for p in pairs) for i in (0, 1)) for k in (0, 1))
            allowed = [1.5 * s + 3 for s in plain]
            print(
                f"{name:14} {plain[0]:6.2f} ({plain[1]:5.2f})  {full[0]:8.2f} ({full[1]:5.2f})"
                f"  {allowed[0]:9.2f}   {'yes' if full[0] <= allowed[0] else 'no':4}   "
                f"{'yes' if full[1] <= allowed[1] else 'no'}"
            )


if __name__ == "__main__":
    main()
