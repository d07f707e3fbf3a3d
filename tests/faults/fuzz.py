"""Coverage-guided fuzzing of our own readers: ``make fuzz`` (needs atheris, which is optional).

``python fuzz.py READER [libFuzzer options]``; READER is one of `READERS`. Whatever a reader
raises that is no `SeeworthyError` is a finding; libFuzzer keeps the input that made it.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from seeworthy.ground.errors import SeeworthyError


def _text(read: Callable[[str], object]) -> Callable[[bytes], object]:
    return lambda data: read(data.decode("utf-8", "replace"))


def _file(ending: str, read: Callable[[Path], object]) -> Callable[[bytes], object]:
    place = Path(tempfile.mkdtemp(prefix="seeworthy-fuzz-")) / f"input{ending}"

    def one(data: bytes) -> object:
        place.write_bytes(data or b"\0")
        return read(place)

    return one


def readers() -> dict[str, Callable[[bytes], object]]:
    """Return what takes bytes, by name."""
    from seeworthy.bench.vault import unpack_bench
    from seeworthy.ground.quantities import parse
    from seeworthy.judge.claims.listing import read_listing
    from seeworthy.judge.correct.data import read_file
    from seeworthy.judge.plan.flight import read_flight
    from seeworthy.judge.purpose.model import read_purpose
    from seeworthy.media.boxes import read_boxes
    from seeworthy.media.logs import read_log
    from seeworthy.media.source import Source
    from seeworthy.media.tables import read_table
    from seeworthy.media.tone_curve import read_curve
    from seeworthy.publish.package import Package

    def whole(path: Path) -> None:
        with Package(path) as package:
            package.tables()

    back = Path(tempfile.mkdtemp(prefix="seeworthy-fuzz-")) / "back"
    return {
        "quantity": _text(lambda t: parse(t, "mm", bare=False)),
        "listing": _text(read_listing),
        "toml": _text(lambda t: read_flight(t, "fuzz")),
        "table": _file(".csv", lambda p: read_table(Source(p, p.name))),
        "correction": _file(".json", lambda p: read_file(p, "lens")),
        "backup": _file(".zip", lambda p: unpack_bench(p, back)),
        "package": _file(".zip", whole),
        "log": _file(".csv", lambda p: read_log(Source(p, p.name))),
        "boxes": _file(".mp4", read_boxes),
        "purpose": _text(lambda t: read_purpose(t, "fuzz")),
        "curve": _file(".json", lambda p: read_curve(Source(p, p.name))),
    }


def quiet(read: Callable[[bytes], object]) -> Callable[[bytes], None]:
    """Return a target that takes refusals in words as an answer."""

    def one(data: bytes) -> None:
        try:
            read(data)
        except SeeworthyError:
            return

    return one


def main() -> None:
    """Fuzz one reader, or say that atheris is missing."""
    try:
        import atheris
    except ImportError:
        sys.stdout.write("atheris is not installed: nothing was fuzzed.\n")
        return
    name = sys.argv.pop(1)
    with atheris.instrument_imports(include=["seeworthy"]):
        target = quiet(readers()[name])
    atheris.Setup(sys.argv, target)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
