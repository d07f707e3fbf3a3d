"""Run of `exposure-control`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from seeworthy.clock.watch import ClockWatch
from seeworthy.ground.budget import Component
from seeworthy.ground.digits import earned, number, spread_of
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.examples import as_options
from seeworthy.ground.propagation import u_rectangular
from seeworthy.ground.quantities import Quantity
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Result, result
from seeworthy.ground.uncertainty import interval
from seeworthy.media.frames import Stage
from seeworthy.observe.edge_passes import EdgeWatch
from seeworthy.observe.light_run import LightRun
from seeworthy.observe.marked import marked_box
from seeworthy.observe.noise_frames import NoiseFrames
from seeworthy.optics.light_reading import parse_light, read_light
from seeworthy.optics.tone import Tone
from seeworthy.procedures.brightness.run import mean_share
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.exposure.measure import measure_exposure
from seeworthy.procedures.exposure_control.measure import (
    Level,
    Shutter,
    gain_stops,
    grey_slope,
    shortest,
)

_CARD = 0.01 / 0.18  # of a grey card's reflectance, standard, a share (a judgement)
_CUT = 0.02  # of a grey card's pixels at an end of the codes, from which it tells nothing
_COVERED = 0.15  # of its light that it swings by where something passes before it (a judgement)
_HELD = 0.15  # stops per stop: below it a control is said to hold grey (a judgement)
_READ = 10  # a light and a share are said to a tenth: nobody reads more (a judgement)
_SOME = 0.5  # %: a picture with less clipped is said to clip next to nothing (a judgement)


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Ask of every clip for its light, some frames, and its edge or clock."""
    _lights(inputs)
    if inputs.option("grey"):
        marked_box(inputs.option("grey"), name="grey")
    clips, rests = inputs.all_files(), inputs.all_files("rest")
    if len(rests) not in (0, 1, len(clips)):
        raise WrongCall(
            f"{len(rests)} clips at rest were given for {len(clips)} clips.",
            "Give one (rest=) for all levels, or one for each in the clips' order.",
        )

    def linear(stage: Stage) -> Callable[[Any], Any]:
        return inputs.light(stage).linear

    watches = [Watch(c, LightRun()) for c in clips]
    watches += [Watch(c, NoiseFrames(6, colour=False)) for c in clips]
    if rests:
        watches += [Watch(c, EdgeWatch(linear, moving=True)) for c in clips]
        watches += [Watch(r, EdgeWatch(linear, moving=False)) for r in rests]
    elif inputs.option("clock") == "yes":
        watches += [Watch(c, ClockWatch()) for c in clips]
    return watches


def _lights(inputs: Inputs) -> list[Quantity]:
    texts = [q.text for q in inputs.all_readings("light")]
    count = len(inputs.all_files())
    if len(texts) != count:
        raise WrongCall(
            f"Light readings typed: {len(texts)}, for {count} clips.",
            f"Type one for each, in the clips' order: {as_options('exposure-control.light')}.",
        )
    lights = [parse_light(text) for text in texts]
    if max(q.value for q in lights) < 1.4 * min(q.value for q in lights):
        raise WrongCall(
            "The clips have one light level only.",
            "Film at several levels, half a stop apart at least, and read the meter at each.",
        )
    return lights


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Measure every level, and what follows over all."""
    lights = _lights(inputs)
    n = len(lights)
    observers: list[Any] = [w.observer for w in seen.watches]
    runs, frames, more = observers[:n], observers[n : 2 * n], observers[2 * n :]
    sizes = {(f.stage.width, f.stage.height) for f in frames if f.stage is not None}
    if len(sizes) != 1 or any(f.stage is None or not f.count for f in frames):
        raise WrongCall(
            "The clips are empty, or of different frame sizes.", "Film all levels in one mode."
        )
    tone = inputs.tone(frames[0].stage)
    notes: list[str] = []
    levels, shares = [], []
    for i in range(n):
        where = f"At {lights[i].value:.3g} lx"
        share = _clipped(runs[i], lights[i])
        grey = _grey(inputs, frames[i], tone, where, notes)
        shutter = _shutter(inputs, i, n, more, where, notes)
        shares.append(share)
        levels.append(
            Level(lights[i].value, lights[i].u, shutter, *grey, share.value / 100)
        )  # fmt: skip
    order = sorted(range(n), key=lambda i: -lights[i].value)
    levels, shares = [levels[i] for i in order], [shares[i] for i in order]
    results = _results(levels, shares, tone)
    said = dict.fromkeys(t for q in inputs.all_readings("light") for t in read_light(q.text).notes)
    if all(v.grey is None for v in levels):
        notes.append("No grey card is known in the picture (--option grey=): mid-grey is not told.")
    light = tone.light(frames[0].stage)
    return Outcome(
        tuple(results),
        _findings(inputs, levels, tone),
        (*notes, *said, *light.assumptions, *tone.said),
        figures=_figures(levels, shares),
        method=_how(inputs),
        sentence=_sentence(results, levels),
    )


def _how(inputs: Inputs) -> str:
    if inputs.all_files("rest"):
        return "moving edge"
    return "bench clock" if inputs.option("clock") == "yes" else "picture alone"


def _clipped(run: LightRun, light: Quantity) -> Result:
    table = run.table()
    if len(table) < 2:
        raise CannotMeasure("A clip has fewer than two frames.", "Record two seconds or more.")
    return mean_share(
        "clipped_share", table[:, 0] - table[0, 0], run.clipped(), run.surely_clipped(),
        {"light": round(light.value, 4)},
    )  # fmt: skip


def _grey(
    inputs: Inputs, frames: NoiseFrames, tone: Tone, where: str, notes: list[str]
) -> tuple[float | None, float]:
    """Return the light of the grey card, share of white, and its own u."""
    text = inputs.option("grey")
    if not text or frames.stage is None:
        return None, 0.0
    box = marked_box(text, (frames.stage.height, frames.stage.width), "grey")
    light = tone.light(frames.stage)
    codes = frames.luma(box)
    run = light.linear(codes).astype(np.float64).mean(axis=(1, 2))
    level = float(run.mean())
    ends = float(np.mean(codes <= light.black)), float(np.mean(codes >= light.white - 1))
    why = (
        "is clipped" if ends[1] > _CUT
        else "is black" if ends[0] > _CUT or level <= 0
        else "is covered for a while" if float(np.ptp(run)) > _COVERED * level
        else ""
    )  # fmt: skip
    if why:
        notes.append(f"{where}: the grey card {why} and tells no mid-grey.")
        return None, 0.0
    return level, float(run.std(ddof=1)) if len(run) > 1 else 0.0


def _shutter(
    inputs: Inputs, i: int, n: int, more: Sequence[Any], where: str, notes: list[str]
) -> Shutter | None:
    """Return the exposure of a take as the edge or the clock tells it."""
    if not more:
        return None
    if not inputs.all_files("rest"):
        return _by_clock(more[i], where, notes)
    rests = more[n:]
    try:
        found = measure_exposure(more[i], rests[i] if len(rests) > 1 else rests[0])
    except CannotMeasure as error:
        notes.append(f"{where} there is no exposure time: {error.message}")
        return None
    value, passes = 1e3 * found.time, len(found.passes)
    if found.bound:
        return Shutter(value, found.budget, 0.0, value, True, passes)
    ends = interval(value, 1e3 * found.u, found.dof, least=0.0)
    return Shutter(value, found.budget, *ends, False, passes)


def _by_clock(watch: ClockWatch, where: str, notes: list[str]) -> Shutter | None:
    try:
        track = watch.track()
    except CannotMeasure as error:
        notes.append(f"{where}: {error.message}")
        return None
    if track.moments is None:
        notes.append(f"{where}: the clock was read in too few frames to tell the exposure.")
        return None
    low, high = track.moments.exposure_limits
    # Anything between the limits explains the frames.
    u = u_rectangular((high - low) / 2)
    parts = (
        Component("limits by the clock", u, "ms", 1.0, "rectangular", "updates of the screen"),
    )
    value = high if low <= 0 else (low + high) / 2
    return Shutter(value, parts, low, high, low <= 0, len(track.index))


def _results(levels: Sequence[Level], shares: Sequence[Result], tone: Tone) -> list[Result]:
    found: list[Result] = []
    best = shortest(levels)
    if best is not None:
        found.append(_time("shortest_exposure", best[0], {}, open_below=not best[1]))
    slope = grey_slope(levels)
    if slope is not None:
        seen = [v.grey for v in levels if v.grey is not None]
        parts = (
            Component("levels about a straight line", slope.u_scatter, source="scatter"),
            Component("light", slope.u_light, source="readings", common="light"),
            tone.of_stops(slope.value, max(seen), min(seen)),
        )
        dof = max(slope.dof, 1.0)
        found.append(result("grey_per_light", slope.value, n=slope.count, dof=dof, budget=parts))
    for level, share in zip(levels, shares, strict=True):
        where = {"light": round(level.lux, 4)}
        if level.shutter is not None:
            found.append(_time("exposure_time", level.shutter, where))
        if level.grey is not None:
            value = 100 * level.grey
            parts = (
                Component("light of the card over time", 100 * level.u_grey, "%", source="scatter"),
                Component("reflectance of the card", _CARD, "", value, source="judgement"),
                tone.of_stops(value * math.log(2) * -math.log2(level.grey), 1.0, level.grey),
            )
            found.append(result("mid_grey", value, conditions=where, budget=parts))
        found.append(share)
    return found


def _time(
    name: str, one: Shutter, where: dict[str, Any], *, open_below: bool | None = None
) -> Result:
    """Return an exposure; `open_below`: it may be shorter still where there is more light."""
    bound = one.bound if open_below is None else open_below or one.bound
    value = one.high if bound else one.value
    return result(
        name, value, n=one.n, interval=(0.0 if bound else one.low, one.high),
        conditions={**where, **({"bound": "upper"} if bound else {})}, budget=one.parts,
    )  # fmt: skip


def _findings(inputs: Inputs, levels: Sequence[Level], tone: Tone) -> dict[str, Any]:
    best = shortest(levels)
    gains = [gain_stops(v, levels[0]) for v in levels]
    times = [v.shutter.value for v in levels if v.shutter is not None]
    return {
        "takes": [
            {
                "light_lux": float(f"{v.lux:.4g}"),
                "exposure_ms": None if v.shutter is None else round(v.shutter.value, 3),
                "exposure_is_bound": v.shutter is not None and v.shutter.bound,
                "mid_grey_percent": None if v.grey is None else round(100 * v.grey, 2),
                "clipped_percent": round(100 * v.clipped, 2),
                "gain_stops": None if g is None else round(g, 2),
            }
            for v, g in zip(levels, gains, strict=True)
        ],
        "exposure_from": _how(inputs),
        "least_reached": best is not None and best[1],
        "longest_ms": round(max(times), 3) if times else None,
        "gain_stops": None if gains[-1] is None else round(gains[-1], 2),
        "tone": tone.words,
    }


def _figures(levels: Sequence[Level], shares: Sequence[Result]) -> tuple[Figure, ...]:
    x = Axis("light", "light", "lx", "log")
    lux = [round(v.lux, 4) for v in levels]
    times = [(a, v.shutter) for a, v in zip(lux, levels, strict=True) if v.shutter is not None]
    found = []
    if len(times) > 1:
        found.append(
            Figure(
                "exposure_light", "Exposure time against light",
                "Where the line lies level, the control is at its end.",
                {
                    "light": [a for a, _ in times], "time": [round(s.value, 4) for _, s in times],
                    "low": [round(s.low, 4) for _, s in times],
                    "high": [round(s.high, 4) for _, s in times],
                },
                x, Axis("time", "exposure time", "ms", zero=True),
                (Mark("points", y="time", low="low", high="high"), Mark("line", y="time")),
            )
        )  # fmt: skip
    greys = [(a, 100 * v.grey) for a, v in zip(lux, levels, strict=True) if v.grey is not None]
    if len(greys) > 1:
        found.append(
            Figure(
                "grey_light", "Mid-grey against light",
                "A control that works holds the line level.",
                {"light": [a for a, _ in greys], "grey": [round(g, 3) for _, g in greys]},
                x, Axis("grey", "18 % grey in the picture", "% of white", zero=True),
                (Mark("line", y="grey"), Mark("points", y="grey")),
            )
        )  # fmt: skip
    columns = {
        "light": lux, "share": [round(s.value, 3) for s in shares],
        "low": [round(s.interval[0], 3) for s in shares],
        "high": [round(s.interval[1], 3) for s in shares],
    }  # fmt: skip
    found.append(
        Figure(
            "clipped_light", "Clipped share against light",
            "Where it climbs, bright detail is lost for good.", columns, x,
            Axis("share", "clipped to white", "%", zero=True),
            (Mark("points", y="share", low="low", high="high"), Mark("line", y="share")),
        )
    )  # fmt: skip
    return tuple(found)


def _sentence(results: Sequence[Result], levels: Sequence[Level]) -> str:
    said = []
    by_name = {r.measurand: r for r in reversed(results)}
    best = by_name.get("shortest_exposure")
    if best is not None:
        bound = "bound" in best.conditions
        spread = spread_of(*best.interval, best.u)
        said.append(
            f"Its shortest exposure is {number(best.value, spread)} ms or less" if bound
            else f"Its shortest exposure is {earned(best)} ms, and it goes no shorter in more light"
        )  # fmt: skip
    slope = by_name.get("grey_per_light")
    if slope is not None:
        held = slope.interval[0] < _HELD and slope.value < _HELD
        said.append(
            "grey stays as bright over these lights" if held
            else f"grey goes by {number(slope.value, spread_of(*slope.interval, slope.u))} stops "
            "with a stop of light"
        )  # fmt: skip
    clips = [v for v in levels if 100 * v.clipped > _SOME]
    if clips:
        least = min(clips, key=lambda v: v.lux)
        lux, share = (number(v, v / _READ) for v in (least.lux, 100 * least.clipped))
        said.append(f"from {lux} lx on the picture clips ({share} %)")
    else:
        said.append("next to nothing clips")
    text = "; ".join(said)
    return text[:1].upper() + text[1:] + "."
