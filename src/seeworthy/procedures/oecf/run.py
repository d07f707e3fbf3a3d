"""Run of `oecf`: what it asks to see, and what it concludes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import expanded
from seeworthy.ground.digits import number as shown
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Picture, result
from seeworthy.media.light import Light, light_of
from seeworthy.media.tone_curve import Mode
from seeworthy.observe.evidence import BLUE, canvas, encode
from seeworthy.observe.grey_patches import (
    PAPER_DENSITY,
    Density,
    GreyPatch,
    grey_patch,
    paper_patches,
    step_patches,
    typed_densities,
)
from seeworthy.observe.marked import marked_box
from seeworthy.observe.noise_frames import NoiseFrames
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.oecf.measure import Fitted, StepPatch, fit_curve, u_of_code

_PAIRS = 4  # of frames: the mean of a step needs no more
_CUT = 0.01  # share of pixels at the ends of the code range from which a patch is left out
_DROWNED = 0.5  # noise over light from which it is left out (a judgement)


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Keep some frames of every clip."""
    for text in inputs.options.get("region", ()):
        marked_box(text)
    typed_densities(inputs.reading("densities"))
    return [Watch(source, NoiseFrames(_PAIRS, colour=False)) for source in inputs.all_files()]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Fit one curve through the steps of all clips."""
    watchers: list[NoiseFrames] = [w.observer for w in seen.watches]  # type: ignore[misc]
    if any(w.stage is None or not w.count for w in watchers):
        raise CannotMeasure("The file holds no whole frame.", "Film it again.")
    lights = [light_of(w.stage) for w in watchers if w.stage is not None]
    modes = [
        Mode.of(w.stage, x.transfer, x.range)
        for w, x in zip(watchers, lights, strict=True)
        if w.stage is not None
    ]
    if any(m.unlike(modes[0]) for m in modes):
        raise WrongCall(
            "The clips are not of one mode: " + "; ".join(map(str, dict.fromkeys(modes))) + ".",
            "A tone curve holds for one frame size, rate and look; measure each apart.",
        )
    patches: list[StepPatch] = []
    left_out: dict[str, str] = {}
    drawn: list[Picture] = []
    how = ""
    for number, (watcher, light) in enumerate(zip(watchers, lights, strict=True)):
        known, papers, how = _places(inputs, watcher)
        name = f"clip {number + 1}: " if len(watchers) > 1 else ""
        patches += _seen(watcher, light, [*known, *papers], number, name, left_out)
        drawn.append(_picture(watcher, known, papers, number))
    try:
        found = fit_curve(patches, modes[0], PAPER_DENSITY)
    except CannotMeasure as error:
        raise CannotMeasure(error.message, error.hint, tuple(drawn)) from None
    warnings = dict.fromkeys(text for light in lights for text in light.assumptions)
    return _told(found, patches, left_out, how, tuple(drawn), (*warnings, *_doubts(inputs, found)))


def _places(inputs: Inputs, watcher: NoiseFrames) -> tuple[list[GreyPatch], list[GreyPatch], str]:
    """Return patches of known density, bare paper between them, and where they come from."""
    mean = watcher.mean()
    densities = typed_densities(inputs.reading("densities"))
    marked = [marked_box(text, mean.shape) for text in inputs.options.get("region", ())]
    if marked:
        return _regions(marked, densities), [], "marked regions"
    mirrored = inputs.option("mirrored") == "yes"
    steps = step_patches(mean, densities, mirrored=mirrored)
    if steps is None:
        raise CannotMeasure(
            "The grey steps were not found in the picture.",
            "Film the target of `seeworthy target greys`, or mark patches of known density with "
            "--option region=x,y,w,h and type their densities; a camera that mirrors its picture "
            "needs --option mirrored=yes.",
        )
    return steps, paper_patches(mean, mirrored=mirrored), "grey steps"


def _regions(marked: Sequence[tuple[int, int, int, int]], known: list[Density]) -> list[GreyPatch]:
    if len(marked) != len(known):
        raise WrongCall(
            f"{len(known)} densities were typed for {len(marked)} regions.",
            "Type one for each region, in the same order.",
        )
    pairs = enumerate(zip(marked, known, strict=True), 1)
    return [grey_patch(f"region {i}", box, density) for i, (box, density) in pairs]


def _seen(
    watcher: NoiseFrames,
    light: Light,
    places: Sequence[GreyPatch],
    clip: int,
    name: str,
    left_out: dict[str, str],
) -> list[StepPatch]:
    """Return the patches of one clip that are between black and white."""
    assert watcher.stage is not None
    half = watcher.stage.width / 2, watcher.stage.height / 2
    found = []
    for one in places:
        codes = watcher.luma(one.box)
        ends = np.mean(codes <= light.black), np.mean(codes >= light.white - 1)
        linear = light.linear(codes).astype(np.float64)
        level, scatter = float(linear.mean()), float(linear.std(axis=0, ddof=1).mean())
        why = (
            "cut off at black" if ends[0] > _CUT
            else "clipped at white" if ends[1] > _CUT
            else "drowned in noise" if level <= 0 or scatter > _DROWNED * level
            else ""
        )  # fmt: skip
        if why:
            if one.density is not None:
                left_out[name + one.name] = why
            continue
        at = float(light.encode([level])[0])
        step = float(np.diff(light.linear(np.array([at - 0.5, at + 0.5])))[0])
        x, y, w, h = one.box
        place = ((x + w / 2) / half[0] - 1, (y + h / 2) / half[1] - 1)
        u = u_of_code(step, level, scatter, codes.size)
        density, u_density = (None, 0.0) if one.density is None else one.density
        found.append(StepPatch(float(np.log2(level)), u, place, density, u_density, clip))
    return found


def _told(
    found: Fitted,
    patches: Sequence[StepPatch],
    left_out: dict[str, str],
    how: str,
    pictures: tuple[Picture, ...],
    warnings: tuple[str, ...],
) -> Outcome:
    curve = found.curve
    steps = sum(p.density is not None for p in patches)
    grey = 2.0 ** float(np.interp(found.grey, curve.tag, curve.scene))
    u_stop = curve.u_between(grey * 2**0.5, grey * 2**-0.5)
    source = "densities, glare, coding, and steps between which the curve is not seen"
    part = Component("slope of the fitted curve", found.u_slope, "", 1.0, "normal", source)
    return Outcome(
        (
            result(
                "mid_tone_slope", found.slope, n=steps, evidence=[p.name for p in pictures],
                budget=(part,),
            ),
        ),
        {
            "mode": str(curve.mode),
            "seen_stops": [round(v - curve.seen[1], 2) for v in _scene(found, curve.seen)],
            "steps_used": steps,
            "left_out": left_out,
            "patches_from": how,
            "uneven_stops": round(found.uneven, 2),
            "exposure_stops": [round(v, 2) for v in found.exposures],
            "worst_stops": round(found.worst, 2),
            "u_stop": round(u_stop, 4),
        },
        warnings,
        pictures,
        (_figure(found),),
        how,
        _sentence(found),
        curve.to_json(),
    )  # fmt: skip


def _scene(found: Fitted, ends: tuple[float, float]) -> list[float]:
    scene = np.interp([ends[1], ends[0]], found.curve.tag, found.curve.scene)
    return [float(v) for v in scene - scene[0] + ends[1]]


def _doubts(inputs: Inputs, found: Fitted) -> tuple[str, ...]:
    said = []
    if inputs.reading("densities") is None:
        said.append(
            "The densities are the nominal ones of the print: type measured ones (densities=) for "
            "a curve that is several times more certain."
        )
    if found.birge > 1.5:
        said.append(
            f"The steps scatter {found.birge:.1f} times more than densities and coding explain; "
            "the uncertainty is widened by that. Look for gloss, shadows and dust."
        )
    return tuple(said)


def _sentence(found: Fitted) -> str:
    off = (found.slope - 1) / found.u_slope if found.u_slope else 0.0
    if found.worst < 0.1 and abs(off) < 2:
        return "The picture has the tone curve that its file names, as far as the steps tell."
    way = "more contrast" if found.slope > 1 else "less contrast"
    power = shown(found.slope, expanded(found.u_slope))
    return (
        f"The picture has {way} in the mid-tones than its file says, by a power of {power}; other "
        "tests of this mode undo the measured curve instead of the tag's."
    )


def _picture(
    watcher: NoiseFrames, known: Sequence[GreyPatch], papers: Sequence[GreyPatch], number: int
) -> Picture:
    drawn = canvas(watcher.mean())
    for patch in (*known, *papers):
        x, y, w, h = patch.box
        cv2.rectangle(drawn, (x, y), (x + w, y + h), BLUE, 2 if patch in known else 1)
    caption = "The steps, and the bare paper that tells lamp and lens from them."
    return encode(f"steps_{number + 1}.png", caption, drawn)


def _figure(found: Fitted) -> Figure:
    curve = found.curve
    low, high = curve.seen
    inside = [x for x in curve.tag.tolist() if low - 0.25 <= x <= min(high + 0.25, 0.0)]
    rows: dict[str, list[Any]] = {"tag": [], "stops": [], "low": [], "high": [], "as_tagged": []}
    grey = float(np.interp(found.grey, curve.tag, curve.scene))
    for x in inside:
        y = float(np.interp(x, curve.tag, curve.scene)) - grey
        half = 2 * curve.u_between(2.0 ** (y + grey), 2.0**grey)
        rows["tag"].append(round(x - found.grey, 3))
        rows["stops"].append(round(y, 3))
        rows["low"].append(round(y - half, 3))
        rows["high"].append(round(y + half, 3))
        rows["as_tagged"].append(round(x - found.grey, 3))
    return Figure(
        "tone-curve",
        "The scene's light over light by the tag",
        "From 18 % grey; a file that holds the curve it names lies on the straight line.",
        rows,
        Axis("tag", "light by the tag", "stops"),
        Axis("stops", "light of the scene", "stops"),
        (
            Mark("points", y="stops", low="low", high="high"),
            Mark("line", y="as_tagged", label="as tagged"),
        ),
    )
