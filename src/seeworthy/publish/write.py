"""Writing reports into files."""

from __future__ import annotations

import datetime as dt
import errno
import os
import re
from concurrent.futures import Executor
from functools import partial
from pathlib import Path

from seeworthy.bench.cameras import list_names
from seeworthy.bench.store import Bench
from seeworthy.bench.trouble import said_in_words
from seeworthy.ground.errors import NotFound
from seeworthy.ground.leftovers import beside
from seeworthy.judge.claims.tolerance import DEFAULT_TOLERANCE, Tolerance
from seeworthy.publish import drawing
from seeworthy.publish.assemble import Around, camera_report
from seeworthy.publish.html import Units, begin_drawing, page
from seeworthy.publish.model import CameraReport


def write_reports(
    bench: Bench,
    camera: str | None = None,
    *,
    out: Path | None = None,
    tolerance: Tolerance = DEFAULT_TOLERANCE,
    units: Units = "both",
    hands: Executor | None = None,
) -> list[Path]:
    """Write the report of one camera, or of every camera of a bench.

    Args:
        out: A file for one camera, else a folder; by default ``exports/`` of the bench.
        tolerance: Of claims.
        units: {"both", "us", "metric"}
        hands: What draws (`seeworthy.publish.drawing`), started early by who is in a hurry; by
            default a process of its own.

    Returns:
        Each written whole or not at all.

    Raises:
        NotFound: No such camera, or no camera at all.
    """
    _check_place(out or bench.exports_folder)
    if hands is None:
        with drawing.hands() as made:
            return write_reports(
                bench, camera, out=out, tolerance=tolerance, units=units, hands=made
            )
    names = [camera] if camera else list(list_names(bench).values())
    if not names:
        raise NotFound("This bench has no camera yet.", "Add one: `seeworthy camera add NAME`.")
    folder = out or bench.exports_folder
    files = file_names(bench)
    single = out is not None and out.suffix.lower() in {".html", ".htm"} and len(names) == 1
    around = Around(bench)

    def read(name: str) -> CameraReport:
        return camera_report(
            bench, name, tolerance=tolerance, made=dt.datetime.now(dt.UTC).astimezone(),
            around=around, begin=partial(begin_drawing, units=units, hands=hands),
        )  # fmt: skip

    def write(report: CameraReport) -> Path:
        path = out if single and out else folder / f"{files[report.camera]}.html"
        with said_in_words(path.parent):
            path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(path, page(report, units=units, hands=hands).encode())
        return path

    written = []
    # Each camera is read while the one before it is still being drawn.
    report = read(names[0])
    for name in names[1:]:
        following = read(name)
        written.append(write(report))
        report = following
    return [*written, write(report)]


def _check_place(place: Path) -> None:
    """Refuse a place that nobody may write to before the work is done.

    Raises:
        BenchReadOnly
    """
    there = next(p for p in (place, *place.absolute().parents) if p.is_dir())
    with said_in_words(place):
        if not os.access(there, os.W_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(place))


def file_names(bench: Bench) -> dict[str, str]:
    """Return the file name (without ending) of every camera's report; no two are alike.

    ``Wisp 2`` and ``Wisp-2`` make one plain name: all but the one that was entered first
    carry their number in the bench, so that a name stays when cameras are added.
    """
    found: dict[str, str] = {}
    taken: set[str] = set()
    for number, camera in sorted(list_names(bench).items()):
        plain = report_name(camera)
        name = plain if plain not in taken else f"{plain}-no-{number}"
        while name in taken:
            name += "-x"
        taken.add(name)
        found[camera] = name
    return found


def slug(name: str) -> str:
    """Return a name as a part of a file name: ``dunlin-2``."""
    return re.sub(r"[^\w]+", "-", name.casefold()).strip("-") or "camera"


def report_name(camera: str) -> str:
    """Return the file name of a report without its ending: ``report-dunlin``."""
    return f"report-{slug(camera)}"


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all."""
    with beside(path, "report") as part:
        part.write_bytes(data)
