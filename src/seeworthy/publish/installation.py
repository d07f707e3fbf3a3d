"""Is this installation right: every library that ships compiled code is used once, for real.

Nothing here judges a measure (the studies do that). Each step makes something whose right answer
is known without Seeworthy, in a folder that goes away.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from seeworthy.ground.errors import SeeworthyError

_FRAMES, _RATE = 90, 30  # three seconds: a rate is told, and little is waited for (a judgement)
_MASS = 17.2  # g, typed and read back


@dataclass(frozen=True, slots=True)
class InstallStep:
    """One thing that was tried.

    Attributes:
        said: What came out, or what went wrong.
        seconds: What it took.
    """

    title: str
    right: bool
    said: str
    seconds: float


def check_installation() -> Iterator[InstallStep]:
    """Try every part of an installation, one after the other.

    Yields:
        Step: A step that fails does not stop the next one.
    """
    with TemporaryDirectory(prefix="seeworthy-check-") as name:
        folder = Path(name)
        for title, act in _STEPS:
            begun = time.perf_counter()
            try:
                right, said = act(folder)
            except SeeworthyError as error:
                right, said = False, f"{error.message} {error.hint}".strip()
            except Exception as error:  # whatever a broken library raises is the answer
                right, said = False, f"{type(error).__name__}: {error}"
            yield InstallStep(title, right, said, time.perf_counter() - begun)


def _tests(folder: Path) -> tuple[bool, str]:
    from seeworthy.procedures import all_procedures, left_out

    lost = left_out()
    count = len(all_procedures())
    if lost:
        return False, f"{count} tests, and an add-on that cannot be loaded: {lost[0]}"
    return True, f"{count} tests"


def _clip(folder: Path) -> tuple[bool, str]:
    """Write a clip of known length and hear everything that it tells, in one pass."""
    import numpy as np

    from seeworthy.engine.measure import look
    from seeworthy.ground.results import Outcome
    from seeworthy.media.write import ClipWriter

    rng = np.random.default_rng(1)
    ground = rng.integers(40, 200, (360, 640 + 2 * _FRAMES), np.uint8)
    with ClipWriter(folder / "check.mp4", 640, 360, _RATE, bit_rate=2_000_000) as clip:
        for i in range(_FRAMES):
            clip.write_luma(np.ascontiguousarray(ground[:, 2 * i : 2 * i + 640]))
    answers = look(folder / "check.mp4").answers
    results = [r for a in answers.values() if isinstance(a, Outcome) for r in a.results]
    rates = [r.value for r in results if r.measurand == "frame_rate"]
    faults = [name for name, a in answers.items() if getattr(a, "kind", "") == "fault"]
    right = bool(rates) and abs(rates[0] - _RATE) < 0.01 and not faults
    shown = f"{rates[0]:.3f} Hz" if rates else "no frame rate"
    more = f"; faults in {', '.join(faults)}" if faults else ""
    return right, f"{_FRAMES} pictures at {_RATE} Hz written, read as {shown}{more}"


def _bench(folder: Path) -> tuple[bool, str]:
    """Enter a take, measure it in a worker process, read it back."""
    from seeworthy.bench.cameras import add_camera
    from seeworthy.bench.outcomes import list_results
    from seeworthy.bench.running import run_bench
    from seeworthy.bench.store import create_bench
    from seeworthy.bench.takes import add_take

    with create_bench(folder / "bench") as bench:
        add_camera(bench, "Knot", claims={"mass": "20 g"})
        add_take(bench, "body", "Knot", readings={"mass": [f"{_MASS} g ± 0.1 g"]})
        run_bench(bench, workers=1)
        found = [r.result.value for r in list_results(bench, measurand="mass")]
    shown = f"{found[0]:g} g" if found else "nothing"
    return found == [_MASS], f"{_MASS:g} g entered, {shown} read back"


def _report(folder: Path) -> tuple[bool, str]:
    """Write the report of the bench as a page and as PDF."""
    from seeworthy.bench.store import open_bench
    from seeworthy.publish.assemble import camera_report
    from seeworthy.publish.html import page
    from seeworthy.publish.pdf import pdf

    with open_bench(folder / "bench") as bench:
        report = camera_report(bench, "Knot")
    text, printed = page(report), pdf(report)
    right = "Knot" in text and f"{_MASS:g}" in text and printed.startswith(b"%PDF")
    return right, f"{len(text) / 1000:.0f} kB of HTML, {len(printed) / 1000:.0f} kB of PDF"


def _figure(folder: Path) -> tuple[bool, str]:
    from seeworthy.ground.results import Axis, Figure, Mark
    from seeworthy.publish.figures import render

    figure = Figure(
        "check", "Check", "A line up and down.", {"t": [0.0, 1.0, 2.0], "y": [1.0, 3.0, 2.0]},
        Axis("t", "Time", "s"), Axis("y", "Value", "m"), (Mark("line", y="y"),),
    )  # fmt: skip
    drawn, png = render(figure, "svg"), render(figure, "png")
    right = b"<svg" in drawn[:200] and png.startswith(b"\x89PNG")
    return right, f"{len(drawn) / 1000:.0f} kB of SVG, {len(png) / 1000:.0f} kB of PNG"


def _truth(folder: Path) -> tuple[bool, str]:
    """Let a study with known truth run once: figures of logs and of tapes."""
    from seeworthy.procedures.studies import find_studies

    studies = find_studies()[0]
    trials = [t for name in ("battery", "view") for t in studies[name].run(1, 1)]
    asked = [t for t in trials if not t.should_refuse and t.value is not None and t.u]
    # Five standard uncertainties: what misses by more is no bad luck.
    off = [t for t in asked if abs((t.value or 0.0) - t.truth) > 5 * (t.u or 0.0)]
    return bool(
        asked
    ) and not off, f"{len(asked) - len(off)} of {len(asked)} figures hold the truth"


def _data(folder: Path) -> tuple[bool, str]:
    """Write the bench as open data, pool it, and find its one figure in the pool."""
    from seeworthy.bench.store import open_bench
    from seeworthy.publish.corpus import ask
    from seeworthy.publish.export import export_bench
    from seeworthy.publish.pool import pool

    with open_bench(folder / "bench") as bench:
        export_bench(bench, folder / "package")
    pool([folder / "package"], folder / "corpus")
    found = ask(folder / "corpus", "figures")
    return any("mass" in row for row in found.rows), "a data package written, pooled and asked"


_STEPS: tuple[tuple[str, Callable[[Path], tuple[bool, str]]], ...] = (
    ("Tests", _tests),
    ("Video", _clip),
    ("Bench and worker", _bench),
    ("Figures", _figure),
    ("Report", _report),
    ("Known truth", _truth),
    ("Open data", _data),
)
