"""Accuracy of `shading`: flat fields of known lenses under known lamps, through H.264."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.results import Outcome
from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured
from seeworthy.virtual.coders import ENCODERS, record
from seeworthy.virtual.looks import LOOKS
from seeworthy.virtual.optics import HotSpot, Sensor, Shading, develop

WIDTH, HEIGHT = 1280, 720
TURNED = "turned take, lamp slopes"
ONE = "one take, even light"
SPOT = "hot spot of 0.004 Δu'v' and more"
EVEN = "no hot spot, noisy field"
GRADIENT = "lit gradient, one take"
WIDE = "wide tint, sigma 120 to 320 px"
FOREIGN = "other tone curves, encoders and uneven walls, turned take"
GROUPS = (TURNED, ONE, SPOT, EVEN, GRADIENT, WIDE, FOREIGN)

# IEC 61966-2-1: linear RGB to XYZ (the virtual side's own copy of the standard).
_XYZ = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))


@dataclass(frozen=True, slots=True)
class ShadedField:
    """One flat field: lens and lamp, level at the optical centre, full well of the sensor.

    `look` and `encoder` are those of `virtual.looks` and `virtual.coders`.
    """

    shade: Shading
    level: float
    full_well: float
    look: str = ""
    encoder: str = ""


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: `repeats` random lenses, lamps and sensors per group."""
    for group, rng in cases(repeats, seed, GROUPS):
        yield from _trials(group, random_field(group, rng), rng)


def random_field(group: str, rng: np.random.Generator) -> ShadedField:
    """Return a lens of 0.2 to 2 stops, often tinted, with the lamp and spot of the group."""
    slope = {TURNED: 0.3, FOREIGN: 0.3, ONE: 0.02, GRADIENT: 0.4}.get(group, 0.05)
    way = float(rng.uniform(0, 2 * math.pi))
    steep = float(rng.uniform(0.3, 1.0)) if group == GRADIENT else float(abs(rng.normal(0, slope)))
    shade = Shading(
        float(rng.uniform(0.2, 2.0)),
        float(rng.uniform(2.0, 3.5)),
        (0.5 + float(rng.normal(0, 0.015)), 0.5 + float(rng.normal(0, 0.015))),
        float(rng.uniform(-0.25, 0.25)),
        float(rng.uniform(-0.25, 0.25)),
        (steep * math.cos(way), steep * math.sin(way)),
    )
    if group == SPOT:
        shade = replace(shade, spot=_random_spot(rng))
    if group == WIDE:
        # The lens itself without a tint: of two tints round one middle there is one truth only.
        shade = replace(shade, red=0.0, blue=0.0, spot=_random_tint(rng))
    field = ShadedField(shade, float(rng.uniform(0.2, 0.5)), float(rng.uniform(2000, 10000)))
    if group == FOREIGN:
        # Walls by one lamp: mostly darker outwards, 0.1 stop at the corners not seldom.
        wall = float(rng.normal(0.03, 0.05)), float(rng.normal(0.02, 0.03))
        field = replace(
            field, shade=replace(shade, wall=wall), look=str(rng.choice(list(LOOKS))),
            encoder=str(rng.choice(list(ENCODERS))),
        )  # fmt: skip
    return field


def _random_spot(rng: np.random.Generator) -> HotSpot:
    """Return a spot whose hue is 0.004 to 0.02 Δu'v' from a grey one's."""
    wanted = float(rng.uniform(0.004, 0.02))
    channels = [(1.0, 0.0, 0.0), (0.0, 0.0, 1.0), (1.0, 0.0, 0.4), (0.0, -0.6, 0.0)]
    pull = channels[int(rng.integers(len(channels)))]
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        gain = tuple(1 + middle * p for p in pull)
        low, high = (middle, high) if spot_strength(gain) < wanted else (low, middle)
    x, y = (0.5, 0.5) if rng.random() < 0.5 else rng.uniform(0.2, 0.8, 2)
    gain = tuple(1 + low * p for p in pull)
    return HotSpot(float(x), float(y), float(rng.uniform(0.05, 0.16)), gain)  # type: ignore[arg-type]


def _random_tint(rng: np.random.Generator) -> HotSpot:
    """Return a wide tint: a channel raised by 6 to 15 % round the middle or off it."""
    place = (0.5, 0.5) if rng.random() < 0.5 else rng.uniform(0.38, 0.62, 2)
    gain = [1.0, 1.0, 1.0]
    gain[int(rng.choice([0, 0, 1, 2]))] += float(rng.uniform(0.06, 0.15))
    sigma = float(rng.uniform(120, 320))
    return HotSpot(float(place[0]), float(place[1]), 2 * sigma / WIDTH, tuple(gain))  # type: ignore[arg-type]


def spot_strength(gain: tuple[float, ...]) -> float:
    """Return how far, Δu'v', a gain per channel moves the hue of grey."""
    return float(np.hypot(*(hue(np.array(gain)) - hue(np.ones(3)))))


def hue(rgb: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
    """Return CIE 1976 u', v' (..., 2) of linear RGB (..., 3)."""
    xyz = rgb @ np.array(_XYZ).T
    bottom = xyz @ np.array([1.0, 15.0, 3.0])
    return np.stack([4 * xyz[..., 0] / bottom, 9 * xyz[..., 1] / bottom], axis=-1)


def truth_of(shade: Shading) -> dict[str, float]:
    """Return what the lens alone does: mean and worst corner (stops), largest Δu'v'."""
    alone = replace(shade, slope=(0.0, 0.0), spot=None, wall=(0.0, 0.0))
    gain = alone.gain(WIDTH, HEIGHT).astype(float)
    stops = -np.log2(gain[[0, 0, -1, -1], [0, -1, 0, -1]] @ np.array(_XYZ[1]))
    away = hue(gain[::4, ::4]) - hue(np.ones(3))
    corner = hue(gain[[0, 0, -1, -1], [0, -1, 0, -1]]) - hue(np.ones(3))
    tint = max(np.hypot(away[..., 0], away[..., 1]).max(), np.hypot(*corner.T).max())
    return {
        "corner_shading": float(stops.mean()),
        "corner_shading_worst": float(stops.max()),
        "colour_shading": float(tint),
    }


def turned(shade: Shading) -> Shading:
    """Return what the camera sees when it is turned by 180°: the lamp comes from opposite."""
    return replace(shade, slope=(-shade.slope[0], -shade.slope[1]))


def film_field(
    path: Path,
    field: ShadedField,
    rng: np.random.Generator,
    *,
    frames: int = 9,
    turn: bool = False,
    size: tuple[int, int] = (WIDTH, HEIGHT),
    bit_rate: int = 7_000_000,
) -> Path:
    """Film the field, 30 frames a second."""
    shade = turned(field.shade) if turn else field.shade
    light = shade.gain(*size) * field.level
    sensor = Sensor(field.full_well)
    shown = (develop(light, rng, sensor=sensor, look=field.look) for _ in range(frames))
    record(path, shown, bit_rate=bit_rate, encoder=field.encoder)
    return path


def _trials(group: str, field: ShadedField, rng: np.random.Generator) -> Iterator[Trial]:
    truth = truth_of(field.shade)
    with tempfile.TemporaryDirectory() as folder:
        ending = ENCODERS[field.encoder][1] if field.encoder else "mp4"
        files = {"": [film_field(Path(folder) / f"a.{ending}", field, rng)]}
        if group in (TURNED, FOREIGN):
            files["turned"] = [film_field(Path(folder) / f"b.{ending}", field, rng, turn=True)]
        outcome = yield from asked(
            f"{group}: refused", "refused", 0.0, lambda: measured("shading", files)
        )
    if outcome is None:
        return
    if group in (TURNED, ONE, FOREIGN):
        yield from _values(group, truth, outcome)
    spot = outcome.findings["hot_spot"]
    if group == TURNED:
        steep = max(field.shade.slope, key=abs)
        axis = field.shade.slope.index(steep)
        yield Trial(f"{group}: slope", "slope", steep, outcome.findings["slope_stops"][axis])
    if group == SPOT:
        yield from _spot(field.shade, spot)
    elif group == WIDE:
        yield from _tint(field.shade, spot or outcome.findings["wide_tint"])
    elif group == GRADIENT:
        said = any("slopes" in w for w in outcome.warnings)
        yield Trial(f"{group}: said", "said", 1.0, float(said))
    else:
        yield Trial(f"{group}: hot spot", "hot_spot", 0.0, float(spot is not None))


def _values(group: str, truth: dict[str, float], outcome: Outcome) -> Iterator[Trial]:
    for r in outcome.results:
        true = truth[r.measurand]
        yield held(f"{group}: {r.measurand}", true, r)
        if r.measurand == "colour_shading":
            allowed = 0.001 + 0.05 * true
            yield Trial(f"{group}: tint", "share of allowed error", 0.0, (r.value - true) / allowed)


def _spot(shade: Shading, found: dict[str, Any] | None) -> Iterator[Trial]:
    assert shade.spot is not None
    yield Trial(f"{SPOT}: found", "hot_spot", 1.0, float(found is not None))
    if found is not None:
        away = math.hypot(
            found["x"] - shade.spot.x * (WIDTH - 1), found["y"] - shade.spot.y * (HEIGHT - 1)
        )
        yield Trial(f"{SPOT}: place", "px from its place", 0.0, away)
        true = spot_strength(shade.spot.gain)
        yield Trial(f"{SPOT}: strength", "strength", true, found["strength"])


def _tint(shade: Shading, found: dict[str, Any] | None) -> Iterator[Trial]:
    assert shade.spot is not None
    yield Trial(f"{WIDE}: found", "said", 1.0, float(found is not None))
    if found is not None:
        x, y = shade.spot.x * (WIDTH - 1), shade.spot.y * (HEIGHT - 1)
        away = math.hypot(found["x"] - x, found["y"] - y)
        word = ("red", "green", "blue")[int(np.argmax(shade.spot.gain))]
        yield Trial(f"{WIDE}: hue", "right word", 1.0, float(found["hue"] == word))
        yield Trial(f"{WIDE}: place", "px from its place", 0.0, away)
        size = 2.355 * shade.spot.radius * WIDTH / 2
        yield Trial(f"{WIDE}: size", "full width, px", size, found["size_px"])
        true = spot_strength(shade.spot.gain)
        yield Trial(f"{WIDE}: strength", "strength", true, found["strength"])


def _goals() -> dict[str, tuple[Goal, ...]]:
    honest = Goal("coverage", 0.90, "95 % intervals hold the truth in 90–99 %")
    goals: dict[str, tuple[Goal, ...]] = {}
    goals |= {
        f"{FOREIGN}: {name}": (honest,) for name in ("corner_shading", "corner_shading_worst")
    }
    for group in (TURNED, ONE):
        goals[f"{group}: corner_shading"] = (honest, Goal("max", 0.05, "within 0.05 stop"))
        goals[f"{group}: corner_shading_worst"] = (honest, Goal("max", 0.05, "within 0.05 stop"))
        goals[f"{group}: colour_shading"] = (honest,)
        goals[f"{group}: tint"] = (Goal("max", 1.0, "within 0.001 Δu'v' plus 5 %"),)
        goals[f"{group}: hot spot"] = (Goal("max", 0.0, "none invented"),)
    goals[f"{TURNED}: slope"] = (Goal("max", 0.05, "within 0.05 stop"),)
    goals[f"{SPOT}: found"] = (Goal("max", 0.0, "always found"),)
    goals[f"{WIDE}: found"] = (Goal("max", 0.0, "always found"),)
    goals[f"{WIDE}: hue"] = (Goal("max", 0.0, "always the right word"),)
    goals[f"{EVEN}: hot spot"] = (Goal("max", 0.0, "none invented"),)
    goals[f"{GRADIENT}: said"] = (Goal("max", 0.0, "always said"),)
    return goals


STUDY = Study(id="shading", title="Shading", run=run, goals=_goals())
