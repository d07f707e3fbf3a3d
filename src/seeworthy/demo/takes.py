"""What was filmed and read for the demo bench: one entry per procedure.

To give a new procedure its demo takes, write one function that takes a `DemoCamera` and
yields `Staged` takes, and put it into `SHELF`. Procedures that are not installed are
left out, entries of cameras without such takes yield nothing.
"""

from __future__ import annotations

import datetime as dt
import math
import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np

from seeworthy.demo.cameras import DemoCamera
from seeworthy.demo.colour import LOOKS, film_objects, take_reference
from seeworthy.demo.dune_walk import DuneWalk
from seeworthy.demo.optics import film_edges, film_flat
from seeworthy.demo.targets import film_board, film_rings
from seeworthy.virtual.detail_scene import leaves
from seeworthy.virtual.faults import FaultPlan, render
from seeworthy.virtual.flight_logs import as_csv, demo_log
from seeworthy.virtual.preview import ground
from seeworthy.virtual.resample import MARGIN, SmallRaster
from seeworthy.virtual.sensor import RollingCamera
from seeworthy.virtual.stamp import Overlay, StampFlight, clock_text, film
from seeworthy.virtual.tone import bt709
from seeworthy.virtual.uprights_casts import passing

_POST_FRAMES = 66
_WALK_FRAMES = 150


@dataclass(frozen=True)
class Prop:
    """One file of the demo, and how to make it.

    Attributes:
        name: File name, as a camera or a logger would call it; unique in the demo.
        make: Writes the file at a path. It runs in a worker process: a module-level function, or a
            partial of one.
        cost: Rough share of the work, to begin with the longest.
    """

    name: str
    make: Callable[[Path], object]
    cost: float = 1.0


@dataclass(frozen=True)
class Staged:
    """One take to enter into the bench.

    Attributes:
        files: mapping of role to props
        readings, options: mapping of name to texts as typed
        conditions: mapping of name to text
        day: None takes the camera's first day.
    """

    files: Mapping[str, tuple[Prop, ...]] = field(default_factory=dict)
    readings: Mapping[str, Sequence[str]] = field(default_factory=dict)
    options: Mapping[str, Sequence[str]] = field(default_factory=dict)
    conditions: Mapping[str, str] = field(default_factory=dict)
    unit: str = ""
    day: dt.date | None = None
    note: str = ""


# Readings as a volunteer takes them: truth, read with the scatter of the instrument.


def _read(camera: DemoCamera, what: str, truth: float, scatter: float, places: int) -> str:
    rng = random.Random(f"{camera.seed} {what}")
    return f"{rng.gauss(truth, scatter):.{places}f}"


def body(camera: DemoCamera) -> Iterator[Staged]:
    """Calliper and kitchen scale, three weighings."""
    sides = {
        name: [f"{_read(camera, name, truth, 0.08, 1)} mm ± 0.1 mm"]
        for name, truth in zip(("length", "width", "height"), camera.size, strict=True)
    }
    weighings = [f"{_read(camera, f'mass {i}', camera.mass, 0.08, 1)} g ± 0.1 g" for i in range(3)]
    yield Staged(readings={**sides, "mass": weighings}, conditions={"temperature": "20 degC"})


def view(camera: DemoCamera) -> Iterator[Staged]:
    """Tape across the boathouse wall, at two distances; inches, as the tape has them."""
    half = math.tan(math.radians(camera.edge_hfov) / 2)
    readings = {}
    for suffix, inches in (("", 60.0), ("2", 150.0)):
        wide = 2 * half * (inches + camera.entrance / 25.4)
        near = _read(camera, f"view {suffix}", wide, 0.08, 1)
        readings[f"width{suffix}"] = [f"{near} in ± 0.1 in"]
        readings[f"distance{suffix}"] = [f"{inches:.1f} in ± 0.1 in"]
    yield Staged(
        readings=readings,
        options={"aspect": [f"{camera.width}x{camera.height}"]},
        day=camera.day(1),
        note="Boathouse wall.",
    )


# Clips, made by the virtual camera. These run in worker processes.


def _virtual(camera: DemoCamera, exposure: float = 1 / 500) -> RollingCamera:
    return RollingCamera(
        width=camera.width,
        height=camera.height,
        hfov=camera.hfov,
        readout_time=camera.readout / 1000,
        exposure=exposure,
        k1=camera.k1,
        roll=camera.roll,
        psf=camera.blur,
        read_noise=camera.noise,
    )


def _stamps(made: RollingCamera, frames: int) -> list[float]:
    return [i / made.rate for i in range(frames)]


def film_posts(path: Path, camera: DemoCamera) -> None:
    """Render the fence posts that pass the window of the bus to the point."""
    from seeworthy.virtual.scene_uprights import write_clip

    made = _virtual(camera)
    scene = passing(
        made, camera.seed, speeds=(620.0, 1150.0, -900.0), seconds=_POST_FRAMES / made.rate
    )
    bits = round(camera.bit_rate * 1e6)
    write_clip(path, scene, made, _stamps(made, _POST_FRAMES), bit_rate=bits)


def film_lamp(path: Path, camera: DemoCamera, frequency: float) -> None:
    """Render the boathouse wall under a bench lamp that is switched at a known rate."""
    from seeworthy.virtual.lamp import Lamp, write_clip

    made = _virtual(camera, exposure=1 / 2000)
    lamp = Lamp(frequency, "square", depth=0.7)
    bits = round(camera.bit_rate * 1e6)
    write_clip(path, lamp, made, _stamps(made, 45), seed=camera.seed, bit_rate=bits)


def film_walk(path: Path, camera: DemoCamera, dropped: tuple[int, ...]) -> None:
    """Render a walk along the dune foot, hand-held; some cameras lose frames of it."""
    look = LOOKS.get(camera.name, (1.0, (1.0, 1.0), 1.0))
    size = (camera.width, camera.height)
    scene = DuneWalk(size, _native(camera), camera.blur, camera.noise / 5, *look, camera.seed)
    plan = FaultPlan(_WALK_FRAMES, dropped=frozenset(dropped), seed=camera.seed)
    render(path, scene, plan, bit_rate=round(camera.bit_rate * 1e6))


def _native(camera: DemoCamera) -> tuple[int, int]:
    """Return how many pixels the sensor gives: one camera enlarges its pictures."""
    if camera.name != "Dunlin":
        return camera.width, camera.height
    return round(camera.width * 0.6625), 2 * round(camera.height / 3)


def _file(camera: DemoCamera, number: int) -> str:
    return f"{camera.name[:3].upper()}{number:04d}.MOV"


def _posts(camera: DemoCamera) -> Prop:
    return Prop(_file(camera, 42), partial(film_posts, camera=camera), 8.0)


def _walk(camera: DemoCamera, firmware: str, number: int) -> Prop:
    lost = tuple(camera.drops.get(firmware, ()))
    return Prop(_file(camera, number), partial(film_walk, camera=camera, dropped=lost), 3.0)


def _walks(camera: DemoCamera) -> Iterator[tuple[Prop, dt.date]]:
    """Yield one walk per firmware of the tested unit, a few days after it came."""
    tested = [f for f in camera.firmware if f[0] == camera.units[0]]
    for place, (_, firmware, since) in enumerate(tested):
        yield _walk(camera, firmware, 50 + place), max(camera.day(2), since + dt.timedelta(4))


def stream(camera: DemoCamera) -> Iterator[Staged]:
    """What the file of a walk holds, for every firmware."""
    for prop, day in _walks(camera):
        yield Staged({"": (prop,)}, day=day, note="Walk along the dune foot, hand-held.")


def timing(camera: DemoCamera) -> Iterator[Staged]:
    """Frames of the same walk."""
    for prop, day in _walks(camera):
        yield Staged({"": (prop,)}, day=day, note="Walk along the dune foot, hand-held.")


def film_glide(path: Path, camera: DemoCamera) -> None:
    """Render a glide over the dunes by a camera whose date stamp cannot be switched off."""
    start = dt.datetime.combine(camera.day(2), dt.time(14, 5, 57))
    date = Overlay(clock_text("%Y/%m/%d %H:%M:%S", start), height=camera.height // 30)
    glide = StampFlight(
        camera.width, camera.height, seconds=2.0, speed=9.0, seed=camera.seed, airframe="nose",
        bit_rate=round(camera.bit_rate * 1e6),
    )  # fmt: skip
    land = np.clip(bt709(1.4 * ground(camera.seed)), 0, 1)
    film(path, np.rint(255 * land).astype(np.uint8), glide, date)


def stamp(camera: DemoCamera) -> Iterator[Staged]:
    """One camera burns the date into every picture; of the others the walk is looked at."""
    if camera.name == "Sanderling":
        prop = Prop(_file(camera, 58), partial(film_glide, camera=camera), 3.0)
        yield Staged({"": (prop,)}, day=camera.day(2), note="First glide, date stamp set to off.")
    else:
        prop, day = next(_walks(camera))
        yield Staged({"": (prop,)}, day=day, note="Walk along the dune foot, hand-held.")


def film_shingle(path: Path, camera: DemoCamera) -> None:
    """Render shingle on the beach; one camera enlarges what its sensor gives."""
    size = (camera.width, camera.height)
    rng = np.random.default_rng(camera.seed)
    wide, high = 2 * (camera.width + MARGIN), 2 * (camera.height + MARGIN)
    shingle = leaves(wide, high, rng, grain=0.05, least=5.0)
    made = SmallRaster(_native(camera), size, "swscale bicubic", sigma=0.5 * camera.blur)
    made.film(path, shingle, rng, frames=18, bit_rate=9_000_000)


def native(camera: DemoCamera) -> Iterator[Staged]:
    """Shingle, slowly panned: does the sensor give as many pixels as the file has?"""
    if camera.name != "Turnstone":
        prop = Prop(_file(camera, 59), partial(film_shingle, camera=camera), 2.0)
        yield Staged({"": (prop,)}, day=camera.day(2), note="Shingle by the boathouse, slow pan.")


def readout(camera: DemoCamera) -> Iterator[Staged]:
    """Posts from the bus; where there is a bench lamp, bands too; and one clip that is no use."""
    yield Staged(
        {"": (_posts(camera),)},
        day=camera.day(3),
        note="Fence posts from the bus to the point; a passenger filmed.",
    )
    lamps = {"Turnstone": 233.0, "Sanderling": 430.0}
    if camera.name in lamps:
        hertz = lamps[camera.name]
        make = partial(film_lamp, camera=camera, frequency=hertz)
        yield Staged(
            {"": (Prop(_file(camera, 44), make, 4.0),)},
            readings={"lamp_frequency": [f"{hertz:.1f} Hz ± 0.1 Hz"]},
            options={"method": ["lamp"]},
            day=camera.day(4),
            note="Boathouse wall under the bench lamp, after warning everybody.",
        )
    else:
        prop, day = next(_walks(camera))
        yield Staged(
            {"": (prop,)}, day=day, note="Tried with the walk: nothing in it stands upright."
        )


def lens(camera: DemoCamera) -> Iterator[Staged]:
    """The board at a dozen angles."""
    yield Staged(
        {"": (Prop(_file(camera, 60), partial(film_board, camera=camera), 4.0),)},
        readings={"printed_length": ["176.0 mm ± 0.2 mm"]},
        day=camera.day(5),
        note="Board on the kitchen table.",
    )


def pixel_aspect(camera: DemoCamera) -> Iterator[Staged]:
    """The rings, and once more with the board turned."""
    stands, turned = (
        Prop(_file(camera, 61 + i), partial(film_rings, camera=camera, roll=90.0 * i), 1.0)
        for i in range(2)
    )
    yield Staged({"": (stands,), "turned": (turned,)}, day=camera.day(5))


def sharpness(camera: DemoCamera) -> Iterator[Staged]:
    """The edges target, filling the frame."""
    prop = Prop(_file(camera, 64), partial(film_edges, camera=camera), 2.0)
    note = "Edges target on the boathouse wall."
    yield Staged({"": (prop,)}, conditions={"light": "2400 lx"}, day=camera.day(5), note=note)
    if camera.name == "Dunlin":
        dim = Prop(_file(camera, 65), partial(film_edges, camera=camera, dusk=True), 2.0)
        yield Staged(
            {"": (dim,)}, conditions={"light": "80 lx"}, day=camera.day(5), note=f"{note} Dusk."
        )


def shading(camera: DemoCamera) -> Iterator[Staged]:
    """The overcast sky through paper, and once more with the camera turned over."""
    stands, turned = (
        Prop(_file(camera, 66 + i), partial(film_flat, camera=camera, turn=bool(i)), 1.0)
        for i in range(2)
    )
    yield Staged({"": (stands,), "turned": (turned,)}, day=camera.day(5), note="Overcast sky.")


def colour(camera: DemoCamera) -> Iterator[Staged]:
    """Two dozen small things on the black cloth, beside a good still camera."""
    if camera.name not in LOOKS:
        return
    clip = Prop(_file(camera, 70), partial(film_objects, camera=camera), 3.0)
    still = Prop(
        f"{camera.name[:3].upper()}_cloth.png", partial(take_reference, camera=camera), 2.0
    )
    yield Staged(
        {"": (clip,), "reference": (still,)},
        readings={"light": ["10.4 EV dome"]},
        day=camera.day(5),
        note="Black cloth on the boathouse table, north light.",
    )


def write_log(path: Path, seed: int, style: str) -> None:
    """Write what a logger recorded of a bungee launch of the foam glider."""
    path.write_text(as_csv(demo_log(seed), style), encoding="utf-8")


def load(camera: DemoCamera) -> Iterator[Staged]:
    """The glider flew with two of the cameras; their loggers write in their own ways."""
    styles = {"Dunlin": "metric", "Turnstone": "us"}
    if camera.name in styles:
        make = partial(write_log, seed=camera.seed, style=styles[camera.name])
        name = f"{camera.name[:3].upper()}_glider.csv"
        yield Staged(
            {"": (Prop(name, make, 0.5),)},
            readings={"site_temperature": ["11 degC ± 1 degC"]},
            day=camera.day(8),
            note="Foam glider off the bungee; the logger rode beside the camera.",
        )


# Typed runs


def battery(camera: DemoCamera) -> Iterator[Staged]:
    """Runs from full to empty, by the fire and in the boathouse."""
    runs = [f"{minutes:.1f} min @ {degrees:.1f} degC" for minutes, degrees in camera.runs]
    yield Staged(readings={"run": runs}, day=camera.day(6), note="Stop watch and thermometer.")


def endurance(camera: DemoCamera) -> Iterator[Staged]:
    """Card, bit rate and battery together."""
    warm = [minutes for minutes, degrees in camera.runs if degrees > 15]
    mean = sum(warm) / len(warm)
    yield Staged(
        readings={
            "card": [camera.card],
            "bit_rate": [f"{camera.bit_rate:.1f} Mbit/s ± 0.2 Mbit/s"],
            "run_time": [f"{mean:.1f} min ± 1 min"],
        },
        day=camera.day(7),
    )


SHELF: dict[str, Callable[[DemoCamera], Iterator[Staged]]] = {
    "body": body,
    "stream": stream,
    "timing": timing,
    "stamp": stamp,
    "native": native,
    "pixel-aspect": pixel_aspect,
    "view": view,
    "lens": lens,
    "sharpness": sharpness,
    "shading": shading,
    "readout": readout,
    "battery": battery,
    "endurance": endurance,
    "load": load,
    "colour": colour,
}
