"""Build the demo bench: render the props, enter cameras, claims and takes.

Everything is made on this machine from a seed; nothing is downloaded. What it builds
is an ordinary bench: `run` measures it, `report` writes it up.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from pathlib import Path

import cv2

from seeworthy.bench.cameras import add_camera, add_firmware, add_unit, list_cameras
from seeworthy.bench.claims import set_claim
from seeworthy.bench.models import AboutRow
from seeworthy.bench.store import Bench, create_bench, is_bench, open_bench
from seeworthy.bench.takes import add_take, list_takes
from seeworthy.demo.cameras import CAMERAS, TITLE, DemoCamera
from seeworthy.demo.takes import SHELF, Prop, Staged
from seeworthy.ground.errors import Conflict
from seeworthy.ground.measurands import all_measurands
from seeworthy.procedures import all_findings, all_procedures

CARD = "card"
Tell = Callable[[str, int, int], None]
"""Called with what was made, how many are done, and how many there are."""


@dataclass(frozen=True)
class DemoPlan:
    """What the demo is made of.

    Attributes:
        takes: sequence of (camera name, procedure, Staged)
        props: mapping of file name to Prop
    """

    cameras: Sequence[DemoCamera]
    takes: Sequence[tuple[str, str, Staged]]
    props: Mapping[str, Prop]


def plan(seed: int = 1, cameras: Sequence[DemoCamera] = CAMERAS) -> DemoPlan:
    """Lay out the demo: takes of every procedure that is installed and has an entry."""
    drawn = [replace(c, seed=c.seed + 1000 * (seed - 1)) for c in cameras]
    known = all_procedures()
    takes = [
        (camera.name, name, staged)
        for camera in drawn
        for name, stage in SHELF.items()
        if name in known
        for staged in stage(camera)
    ]
    props = {p.name: p for _, _, staged in takes for p in _props(staged)}
    return DemoPlan(drawn, takes, props)


def _props(staged: Staged) -> Iterator[Prop]:
    for ones in staged.files.values():
        yield from ones


def build(
    folder: str | Path,
    *,
    seed: int = 1,
    cameras: Sequence[DemoCamera] = CAMERAS,
    workers: int | None = None,
    tell: Tell | None = None,
) -> Bench:
    """Make the demo bench and return it open, not measured yet.

    Args:
        folder: New, empty, or holding a demo bench that is complete already (it is opened).
        seed: The same seed gives the same clips and readings.
        workers: Processes that render; default one per core.

    Raises:
        Conflict: There is another bench in the folder.
    """
    place = Path(folder)
    layout = plan(seed, cameras)
    if is_bench(place):
        return _again(place, layout)
    bench = create_bench(place)
    try:
        card = place / CARD
        card.mkdir(exist_ok=True)
        render(layout.props.values(), card, workers=workers, tell=tell)
        with bench.changing() as session:
            session.add(AboutRow(name="title", value=TITLE))
        for camera in layout.cameras:
            _enter(bench, camera)
        firsts = {c.name: c for c in layout.cameras}
        for name, procedure, staged in layout.takes:
            _take(bench, firsts[name], procedure, staged, card)
    except BaseException:
        bench.close()
        raise
    return bench


def _again(place: Path, layout: DemoPlan) -> Bench:
    bench = open_bench(place)
    names = {c.name for c in list_cameras(bench)}
    if names >= {c.name for c in layout.cameras} and len(list_takes(bench)) >= len(layout.takes):
        return bench
    bench.close()
    raise Conflict(
        f"'{place}' holds another bench, or a demo that was broken off.",
        "Name a new folder: `seeworthy demo FOLDER`.",
    )


def render(
    props: Iterable[Prop], card: Path, *, workers: int | None = None, tell: Tell | None = None
) -> None:
    """Make files in worker processes, the costly ones first.

    Each is written under another name and renamed, so that a file that is there is whole.
    """
    ordered = sorted(props, key=lambda p: -p.cost)
    count = workers or min(os.cpu_count() or 1, max(1, len(ordered)))
    if not ordered:
        return
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(count, mp_context=spawn, initializer=_one_thread) as pool:
        waiting: dict[Future[None], Prop] = {pool.submit(_make, p, card): p for p in ordered}
        try:
            for done, future in enumerate(as_completed(waiting), 1):
                future.result()
                if tell is not None:
                    tell(waiting[future].name, done, len(ordered))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _one_thread() -> None:
    """Keep OpenCV to one thread: there is one process per core already."""
    cv2.setNumThreads(1)


def _make(prop: Prop, card: Path) -> None:
    path = card / prop.name
    part = path.with_name(f"part-{path.name}")
    try:
        prop.make(part)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _enter(bench: Bench, camera: DemoCamera) -> None:
    first, *others = camera.units
    add_camera(bench, camera.name, maker=camera.maker, note=camera.note, unit=first)
    for unit in others:
        add_unit(bench, camera.name, unit)
    for unit, name, since in camera.firmware:
        add_firmware(bench, camera.name, name, unit=unit, since=since)
    for subject, text, source in camera.claims:
        if _known(subject):
            set_claim(bench, camera.name, subject, text, source=source)


def _known(subject: str) -> bool:
    """Tell whether a claim's subject can be entered: its procedure may not be installed."""
    return subject in all_measurands() or subject in all_findings()


def _take(bench: Bench, camera: DemoCamera, procedure: str, staged: Staged, card: Path) -> None:
    add_take(
        bench,
        procedure,
        camera.name,
        {role: [card / p.name for p in ones] for role, ones in staged.files.items()},
        readings=staged.readings,
        options=staged.options,
        conditions=staged.conditions,
        unit=staged.unit or camera.units[0],
        taken=staged.day or camera.day(0),
        note=staged.note,
    )
