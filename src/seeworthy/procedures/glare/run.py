"""Run of `glare`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import number, spread_of
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.propagation import u_rectangular
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Picture, Result, result
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.media.light import Light
from seeworthy.observe.evidence import BLUE, ORANGE, canvas, encode
from seeworthy.observe.marked import marked_box
from seeworthy.observe.noise_frames import NoiseFrames
from seeworthy.optics.light_reading import parse_light
from seeworthy.optics.tone import Tone
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.glare.measure import Places, ends_of, find_trap, position

_CODE = 0.5
"""Code values by which coding moves a dark patch in a bright field, standard (a judgement: MPEG-4
at 3 Mbit/s moved a hole of 36×32 px by 0.9)."""
_BLACK = 1.0
"""Code values by which black may lie off its code where no covered clip tells it (a judgement:
cameras with a black level a code too low or too high are common)."""
_TRAP = 0.5
"""Most that a trap's hole throws back, % of the field: a cube of matt black paint (8 %) with a hole
of a 24th of its inside throws back 0.08 / 24 / (1 - 0.08) = 0.36 % (derived)."""
_CUT = 0.02  # share of pixels at an end of the codes from which a patch is cut off
_DIM = 0.05  # of white: a field must be brighter, or black is told in too few codes (a judgement)
_UNEVEN = 1.0  # stops between the sides of the field, beyond which it is none (a judgement)
_FILLED = 0.5  # of the picture that the field must fill (a judgement)


@dataclass(frozen=True)
class GlareTake:
    """What one clip shows, in linear light, share of white.

    Attributes:
        trap, field: Light in the hole less that of black, and of the field at its place.
        u_trap, u_black, u_field: Standard uncertainties of coding and noise, of black, of the
            field's unevenness.
        cut: The hole is cut off at black: `trap` is the most that it can be.
        share: Of the picture that is brighter than half the field.
    """

    trap: float
    field: float
    u_trap: float
    u_black: float
    u_field: float
    cut: bool
    share: float


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Keep some frames of the clip, and of the covered lens."""
    for name in ("trap", "field"):
        for text in inputs.options.get(name, ()):
            marked_box(text, name=name)
    if bool(inputs.option("trap")) != bool(inputs.option("field")):
        raise WrongCall("Trap and field are marked together.", "Give --option trap= and field=.")
    for reading in inputs.all_readings("light"):
        parse_light(reading.text)
    files = [inputs.file(), *inputs.all_files("dark")]
    return [Watch(f, NoiseFrames(6, colour=False)) for f in files]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Compare the hole with the field."""
    watchers: list[NoiseFrames] = [w.observer for w in seen.watches]  # type: ignore[misc]
    stage = watchers[0].stage
    if stage is None or any(not w.count for w in watchers):
        raise CannotMeasure("The file holds no whole frame.", "Film it again.")
    tone = inputs.tone(stage)
    light = tone.light(stage)
    mean = watchers[0].mean()
    places = _places(inputs, mean, light)
    drawn = (_picture(mean, places),)
    take = _take(watchers, places, light, drawn)
    where: dict[str, Any] = {"position": position(places.trap, stage.width, stage.height)}
    reading = inputs.reading("light")
    if reading is not None:
        where["light"] = parse_light(reading.text).value
    found = _result(inputs, take, tone, where)
    width = float(places.trap[2] * places.trap[3]) / (stage.width * stage.height)
    findings = {
        "found": places.how,
        "trap_percent": round(100 * take.trap / take.field, 3),
        "field_percent": round(100 * take.field, 1),
        "field_share_percent": round(100 * take.share, 1),
        "trap_share_percent": round(100 * width, 2),
        "black_from": "the covered lens" if len(watchers) > 1 else "the code of black",
        "tone": tone.words,
    }
    return Outcome(
        (found,), findings, tuple(_doubts(inputs, take, tone, light)), drawn,
        (_figure(mean, places, light, take),), places.how, _sentence(found),
    )  # fmt: skip


def _places(inputs: Inputs, mean: Any, light: Light) -> Places:
    marked = inputs.option("trap")
    if not marked:
        return find_trap(mean, light.black)
    fields = [marked_box(t, mean.shape, "field") for t in inputs.options.get("field", ())]
    return Places(marked_box(marked, mean.shape, "trap"), tuple(fields), "marked")


def _take(
    watchers: Sequence[NoiseFrames], places: Places, light: Light, drawn: tuple[Picture, ...]
) -> GlareTake:
    clip = watchers[0]
    fields = [clip.luma(box) for box in places.fields]
    if max(float(np.mean(c >= light.white - 1)) for c in fields) > _CUT:
        raise CannotMeasure(
            "The bright field is clipped: how bright it is cannot be told.",
            "Less light, or an exposure that is lower.", drawn,
        )  # fmt: skip
    levels = np.array([float(light.linear(c).mean()) for c in fields])
    field = float(levels.mean())
    if field < _DIM or math.log2(max(levels) / max(float(min(levels)), 1e-6)) > _UNEVEN:
        raise CannotMeasure(
            "There is no even bright field around the hole.",
            "A white sheet in even light that fills the picture.", drawn,
        )  # fmt: skip
    codes = clip.luma(places.trap)
    linear = light.linear(codes).astype(np.float64)
    step = float(np.diff(light.linear(np.array([0.5, 1.5]) + light.black))[0])
    cut = float(np.mean(codes <= light.black)) > _CUT
    black, u_black = _black(watchers[1:], light, step)
    trap = float(linear.mean()) - black
    noise = float(linear.std(axis=0, ddof=1).mean()) / math.sqrt(linear[0].size)
    uneven = float(np.ptp(levels)) / math.sqrt(12) if len(levels) > 1 else 0.1 * field
    bright = light.linear(clip.mean()) > 0.5 * field
    share = float(np.mean(bright))
    if share < _FILLED:
        raise CannotMeasure(
            f"The bright field fills only {100 * share:.0f} % of the picture.",
            "Glare comes from all of it: fill the picture with the field.", drawn,
        )  # fmt: skip
    return GlareTake(
        max(trap, 0.0), field, math.hypot(_CODE * step, noise), u_black, uneven, cut, share
    )  # fmt: skip


def _black(dark: Sequence[NoiseFrames], light: Light, step: float) -> tuple[float, float]:
    """Return the light that stands for none, and its standard uncertainty."""
    if not dark:
        return 0.0, u_rectangular(_BLACK * step)
    codes = dark[0].luma()
    level = float(light.linear(codes).mean())
    if float(light.encode([level])[0]) - light.black > 8:
        raise CannotMeasure(
            "The clip of the covered lens is not dark.", "Cover the lens so that no light gets in."
        )
    return level, _CODE * step


def _result(inputs: Inputs, take: GlareTake, tone: Tone, where: dict[str, Any]) -> Result:
    ratio = 100 * take.trap / take.field
    typed = inputs.reading("trap_reflectance")
    own = (
        Component(
            "the trap's own light", u_rectangular(_TRAP / 2), "%", 1.0, "rectangular",
            "judgement: a painted box",
        )
        if typed is None
        else Component("the trap's own light", typed.u, "%", 1.0, "normal", "reading")
    )  # fmt: skip
    taken = _TRAP / 2 if typed is None else typed.value
    per = 100 / take.field
    parts = [
        Component("code values of the hole", take.u_trap, "", per, source="coding, noise"),
        Component("code of black", take.u_black, "", per, "rectangular", "judgement, or dark="),
        own,
        Component("evenness of the field", take.u_field / take.field, "", ratio, "rectangular",
                  "its sides"),
    ]  # fmt: skip
    stops = math.log2(take.field / max(take.trap, 1e-4))
    curve = tone.of_stops(stops, take.field, max(take.trap, 1e-4))
    rest = math.hypot(*(p.part for p in parts))
    parts.append(
        Component(
            curve.name, curve.u, "", curve.sensitivity * math.log(2) * ratio, curve.distribution,
            curve.source, curve.common,
        )
    )  # fmt: skip
    low, high = ends_of(ratio, taken, curve.part, rest, coverage_factor())
    value = max(ratio - taken, 0.0)
    low, high = max(low, 0.0), max(high, value)
    if take.cut:
        where = {**where, "bound": "upper"}
        value, low = high, 0.0
    return result(
        "veiling_glare", value, interval=(min(low, value), high), conditions=where, budget=parts,
        evidence=["trap.png"],
    )  # fmt: skip


def _doubts(inputs: Inputs, take: GlareTake, tone: Tone, light: Light) -> list[str]:
    said = []
    if take.cut:
        said.append("The hole is cut off at black: the index is an upper bound.")
    if tone.curve is None:
        said.append(
            "Black lies many stops below the field, where the tone curve by the tag says little: "
            "measure it (oecf) in this mode."
        )
    elif not tone.curve.covers(max(take.trap, 1e-6)):
        said.append(
            "The measured tone curve was not seen as far down as the hole: add clips of the grey "
            "steps in less light to it."
        )
    if inputs.reading("trap_reflectance") is None:
        said.append(f"The trap's own light was not given: 0 to {_TRAP:g} % of the field is taken.")
    if not inputs.all_files("dark"):
        said.append("What black is was not filmed (dark=, lens covered): a code either way.")
    return [*said, *light.assumptions, *tone.said]


def _sentence(found: Result) -> str:
    value = number(found.value, spread_of(*found.interval, found.u))
    if "bound" in found.conditions:
        return f"Of a bright field around, {value} % at most lies over the blacks."
    low, high = (number(e, spread_of(*found.interval, found.u)) for e in found.interval)
    word = (
        "the picture stays clear" if found.interval[1] < 2
        else "the picture goes milky against bright sky" if found.interval[0] > 5
        else "some contrast goes against bright sky"
    )  # fmt: skip
    return f"Of a bright field around, {value} % ({low} to {high}) lies over the blacks: {word}."


def _picture(mean: Any, places: Places) -> Picture:
    drawn = canvas(mean)
    for box, colour in ((places.trap, ORANGE), *((f, BLUE) for f in places.fields)):
        x, y, w, h = box
        cv2.rectangle(drawn, (x, y), (x + w, y + h), colour, 2)
    return encode("trap.png", "The black trap (orange) and the field beside it (blue).", drawn)


def _figure(mean: Any, places: Places, light: Light, take: GlareTake) -> Figure:
    _, y, _, h = places.trap
    row = light.linear(mean[y : y + h]).mean(axis=0)
    at = np.unique(np.linspace(0, len(row) - 1, 300).astype(int))
    floor = max(take.trap, 1e-4) / 4
    return Figure(
        "glare",
        "Light across the trap",
        "What does not sink to black in the hole is glare.",
        {
            "x": at.tolist(),
            "light": [round(100 * max(float(row[i]), floor) / take.field, 4) for i in at],
        },
        Axis("x", "place in the picture", "px"),
        Axis("light", "light, of the field's", "%", "log"),
        (Mark("line", y="light"),),
    )
