"""Coverage-guided fuzzing of our own readers: ``make fuzz`` (needs atheris, which is optional).

``python fuzz.py READER [libFuzzer options] [CORPUS]``; READER is one of `readers`. Whatever a
reader raises that is no `SeeworthyError` is a finding; libFuzzer keeps the input that made it.
A folder of the corpus that holds nothing yet is begun with the good ones of `good_of`: from
nothing, a fuzzer does not find its way into boxes, tone curves and packages.
"""

from __future__ import annotations

import hashlib
import json
import random
import sys
import tempfile
import uuid
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from faults.make import fragmented, seeds
from seeworthy.ground.errors import SeeworthyError


def _text(read: Callable[[str], object]) -> Callable[[bytes], object]:
    return lambda data: read(data.decode("utf-8", "replace"))


def _file(ending: str, read: Callable[[Path], object]) -> Callable[[bytes], object]:
    place = Path(tempfile.mkdtemp(prefix="seeworthy-fuzz-")) / f"input{ending}"

    def one(data: bytes) -> object:
        place.write_bytes(data or b"\0")
        return read(place)

    return one


def _inside(read: Callable[[Path], None]) -> Callable[[bytes], None]:
    """Return a target whose input is the name of a file of a good package, and its new content.

    The descriptor gets the right hash of it, so that the content is read at all.
    """
    place: list[Path] = []

    def one(data: bytes) -> None:
        if not place:
            place.append(_package(Path(tempfile.mkdtemp(prefix="seeworthy-fuzz-"))))
        name, _, body = data.partition(b"\n")
        path = place[0] / name.decode("latin-1")
        if b"/" in name or b"\0" in name or not path.is_file():
            return
        head = place[0] / "datapackage.json"
        before, described = path.read_bytes(), head.read_bytes()
        path.write_bytes(body)
        try:
            if path != head:
                told = json.loads(described)
                for resource in told["resources"]:
                    if resource["path"] == path.name:
                        digest = hashlib.sha256(body).hexdigest()
                        resource.update(bytes=len(body), hash=f"sha256:{digest}")
                head.write_text(json.dumps(told))
            read(place[0])
        finally:
            path.write_bytes(before)
            head.write_bytes(described)

    return one


def _package(folder: Path) -> Path:
    """Make a small package with a row in most of its tables."""
    from concurrent.futures import ThreadPoolExecutor

    from seeworthy.bench.cameras import add_camera
    from seeworthy.bench.claims import set_claim
    from seeworthy.bench.running import run_bench
    from seeworthy.bench.store import create_bench
    from seeworthy.bench.takes import add_take
    from seeworthy.publish.export import export_bench

    # The same identities every time, so that tables of the corpus belong to one package.
    drawn = random.Random(14)
    uuid.uuid4 = lambda: uuid.UUID(int=drawn.getrandbits(128), version=4)  # type: ignore[assignment]
    log = folder / "log.csv"
    log.write_bytes(seeds()["csv"])
    with create_bench(folder / "bench") as bench, ThreadPoolExecutor(1) as one:
        add_camera(bench, "Dunlin", maker="Strandline")
        set_claim(bench, "Dunlin", "mass", "17 g")
        add_take(bench, "body", "Dunlin", readings={"mass": ["17 g ± 0.2 g"]})
        add_take(bench, "load", "Dunlin", {"": [log]}, options={"columns": "time:1,height:2"})
        run_bench(bench, executor=one, workers=1)
        made = export_bench(bench, folder / "data")
    for path in made.glob("parquet/*"):
        path.unlink()
    return made


def good_of(reader: str) -> list[bytes]:
    """Return good inputs of a reader to begin with."""
    good = seeds()
    if reader == "boxes":
        return [good["mp4"], good["mov"], fragmented()]
    if reader == "inside":
        made = _package(Path(tempfile.mkdtemp(prefix="seeworthy-fuzz-")))
        return [f"{p.name}\n".encode() + p.read_bytes() for p in sorted(made.glob("*.[cj]s*"))]
    texts = {
        "quantity": ["73.7 in ± 0.1 in", "5 ft 3 in", "1 h 30 min", "20 000 lx", "1.5 m (k=2)"],
        "listing": ["1080P 60fps, 17 g, FOV 120°, 90 min, 640x480 30 fps"],
        "curve": [json.dumps(CURVE)],
        "purpose": [
            'title = "Dunes"\nabout = "Kite."\n[[limit]]\nmeasurand = "mass"\nmost = "30 g"\n'
            'why = "Lift."\n[[wish]]\nmeasurand = "hfov"\nworst = "30 deg"\nbest = "90 deg"\n'
            'weight = 3\nwhy = "Wide."\n'
        ],
    }
    kinds = {"toml": "toml", "table": "csv", "log": "csv", "correction": "json", "package": "zip",
             "backup": "zip"}  # fmt: skip
    return [t.encode() for t in texts[reader]] if reader in texts else [good[kinds[reader]]]


CURVE = {
    "kind": "oecf", "size": [128, 96], "rate": 25.0, "tag": "bt709", "range": "limited",
    "stops_by_tag": [-6.0, -3.0, 0.0], "stops": [-6.4, -3.1, 0.0], "covariance_at": [-6.0, 0.0],
    "covariance": [[0.01, 0.001], [0.001, 0.004]], "seen": [-6.0, 0.0],
}  # fmt: skip


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
            package.details()

    def correction(path: Path) -> None:
        for kind in ("lens", "shading", "colour"):
            with suppress(SeeworthyError):
                read_file(path, kind)

    back = Path(tempfile.mkdtemp(prefix="seeworthy-fuzz-")) / "back"
    return {
        "quantity": _text(lambda t: parse(t, "mm", bare=False)),
        "listing": _text(read_listing),
        "toml": _text(lambda t: read_flight(t, "fuzz")),
        "table": _file(".csv", lambda p: read_table(Source(p, p.name))),
        "correction": _file(".json", correction),
        "backup": _file(".zip", lambda p: unpack_bench(p, back)),
        "package": _file(".zip", whole),
        "inside": _inside(whole),
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
    corpus = Path(sys.argv[-1])
    if corpus.is_dir() and not any(corpus.iterdir()):
        for number, data in enumerate(good_of(name)):
            (corpus / f"good-{number}").write_bytes(data)
    with atheris.instrument_imports(include=["seeworthy"]):
        target = quiet(readers()[name])
    atheris.Setup(sys.argv, target)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
