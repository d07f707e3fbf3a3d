"""Noise: grain over time and fixed pattern, at every step of a grey scale."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from seeworthy.errors import BadQuantity, CannotMeasure, WrongCall
from seeworthy.procedures.declare import (
    Files,
    Inputs,
    Option,
    Procedure,
    Reading,
    Seen,
    Step,
    Watch,
)
from seeworthy.procedures.noise_figures import figure, picture, sentence
from seeworthy.results import Outcome, Result, result

if TYPE_CHECKING:
    from seeworthy.measure.noise_curve import AtGrey, Range, Scale
    from seeworthy.media.light import Light
    from seeworthy.procedures.noise_levels import Levels
    from seeworthy.targets.noise_frames import NoiseFrames

_EVIDENCE = ("patches.png",)


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Keep pairs of frames from all over the clip."""
    from seeworthy.measure.light_reading import parse_light
    from seeworthy.targets.marked import marked_box
    from seeworthy.targets.noise_frames import NoiseFrames

    for text in inputs.options.get("region", ()):
        marked_box(text)
    for reading in inputs.all_readings("light"):
        parse_light(reading.text)
    _densities(inputs)
    return [Watch(inputs.file(), NoiseFrames())]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Measure every grey level, and read the curve at 18 % grey."""
    from seeworthy.measure.noise_curve import at_grey, dynamic_range
    from seeworthy.media.light import light_of
    from seeworthy.procedures import noise_levels

    watcher: NoiseFrames = seen.watches[0].observer  # type: ignore[assignment]
    if watcher.stage is None or not watcher.count:
        raise CannotMeasure("The file holds no whole frame.", "Film it again.")
    noise_levels.check_frames(watcher)
    light = light_of(watcher.stage)
    levels, scale, how = _measure(inputs, watcher, light)
    greys: dict[str, AtGrey] = {}
    missing = ""
    for channel, found in levels.by_channel.items():
        try:
            greys[channel] = at_grey(found, scale)
        except CannotMeasure as error:
            missing = missing or error.message
    # The tiles of a scene have each their own story in the dark; known patches are needed.
    dark_step = noise_levels.step_at(light, 1e-4)
    span = dynamic_range(levels.luminance, dark_step) if how != "scene" else None
    pattern = how != "scene" or noise_levels.is_even(levels)
    if noise_levels.LUMINANCE not in greys and span is None:
        raise CannotMeasure(
            missing, "Film a grey step scale (seeworthy target greys) in even light.",
            (picture(watcher, levels),),
        )  # fmt: skip
    trouble = noise_levels.trouble_of(levels.luminance)
    warnings = [
        *([missing] if noise_levels.LUMINANCE not in greys else []),
        *noise_levels.doubts(trouble, watcher.keys, watcher.count),
        *_doubts(levels, greys.get(noise_levels.LUMINANCE), how, pattern),
        *light.assumptions,
    ]
    return Outcome(
        _results(greys, span, pattern, _conditions(inputs)),
        _findings(levels, watcher, how, scale),
        tuple(warnings),
        (picture(watcher, levels),),
        (figure(levels, greys.get(noise_levels.LUMINANCE)),),
        how,
        sentence(greys.get(noise_levels.LUMINANCE), span),
    )


def _measure(inputs: Inputs, watcher: NoiseFrames, light: Light) -> tuple[Levels, Scale, str]:
    """Return the levels, what 18 % is taken of, and where the patches come from."""
    from seeworthy.procedures import noise_levels
    from seeworthy.targets.grey_patches import GreyPatch, grey_patch, step_patches
    from seeworthy.targets.marked import marked_box

    noise_levels.check_still(watcher)
    mean = watcher.mean()
    densities = _densities(inputs)
    marked = [marked_box(text, mean.shape) for text in inputs.options.get("region", ())]
    if marked and densities:
        if len(marked) != len(densities):
            raise WrongCall(
                f"{len(densities)} densities were typed for {len(marked)} regions.",
                "Type one for each region, in the same order.",
            )
        known = [
            grey_patch(f"region {i}", box, density)
            for i, (box, density) in enumerate(zip(marked, densities, strict=True), 1)
        ]
        return noise_levels.of_patches(watcher, light, known), "reflectance", "marked regions"
    if marked:
        plain = [GreyPatch(f"region {i}", box) for i, box in enumerate(marked, 1)]
        return noise_levels.of_patches(watcher, light, plain), "signal", "marked regions"
    steps = step_patches(mean, densities, mirrored=inputs.option("mirrored") == "yes")
    if steps:
        return noise_levels.of_patches(watcher, light, steps), "reflectance", "grey steps"
    if densities:
        raise CannotMeasure(
            "Densities were typed, but no grey step scale of ours is in the picture.",
            "Mark the steps with --option region=x,y,w,h, once each, in the densities' order.",
        )
    return noise_levels.of_scene(watcher, light), "signal", "scene"


def _densities(inputs: Inputs) -> list[tuple[float, float]]:
    """Read the densities as typed: numbers in order, one ± at the end for all."""
    from seeworthy.targets.grey_patches import U_MEASURED

    reading = inputs.reading("densities")
    if reading is None:
        return []
    body, _, tail = reading.text.partition("±")
    parts = [p for p in re.split(r"[;\s]+|,\s+", body.strip()) if p]
    try:
        found = [float(p.replace(",", ".")) for p in parts]
        u = float(tail.replace(",", ".")) if tail.strip() else U_MEASURED
    except ValueError:
        raise BadQuantity(f"'{reading.text}' is not a list of densities.", _DENSITIES) from None
    if not found or not all(0 <= d < 5 for d in found) or not 0 <= u < 1:
        raise BadQuantity(f"'{reading.text}' is not a list of densities.", _DENSITIES)
    return [(d, u) for d in found]


_DENSITIES = "Write them in order with spaces: '0.09 0.19 0.31 ± 0.02'."


def _conditions(inputs: Inputs) -> dict[str, Any]:
    from seeworthy.measure.light_reading import parse_light

    reading = inputs.reading("light")
    return {} if reading is None else {"light": parse_light(reading.text).value}


_GREYS = {"reflectance": "18 % surface", "signal": "18 % of full scale"}


def _results(
    greys: dict[str, AtGrey], span: Range | None, pattern: bool, conditions: dict[str, Any]
) -> tuple[Result, ...]:
    found: list[Result] = []
    for channel, at in greys.items():
        where = {**conditions, "grey": _GREYS[at.scale], "channel": channel}
        found.append(_snr(at, where))
        if channel != "luminance":
            continue
        if pattern and not at.bound:
            found.append(
                result(
                    "snr_18", at.total, at.u_total, n=at.levels, dof=max(at.dof, 1.0),
                    conditions={**where, "noise": "total"}, evidence=_EVIDENCE,
                )
            )  # fmt: skip
        found.append(_temporal(at, where))
        if pattern:
            value, u = 100 * at.fixed, 100 * at.u_fixed
            interval = (max(0.0, value - 1.96 * u), value + 1.96 * u)
            found.append(
                result(
                    "fixed_pattern_noise", value, u, n=at.levels, interval=interval,
                    conditions=where, evidence=_EVIDENCE,
                )
            )  # fmt: skip
    if span is not None:
        found.append(
            result(
                "dynamic_range", span.stops, span.u, interval=span.interval,
                conditions={**conditions, "channel": "luminance"}, evidence=_EVIDENCE,
            )
        )  # fmt: skip
    return tuple(found)


def _snr(at: AtGrey, where: dict[str, Any]) -> Result:
    conditions = {**where, "noise": "temporal", **({"bound": "lower"} if at.bound else {})}
    return result(
        "snr_18", at.snr, at.u_snr, n=at.levels, interval=at.interval(), conditions=conditions,
        evidence=_EVIDENCE,
    )  # fmt: skip


def _temporal(at: AtGrey, where: dict[str, Any]) -> Result:
    from seeworthy.quantities import coverage_factor

    value, u = 100 * at.temporal, 100 * at.u_temporal
    half = coverage_factor(max(at.dof, 1.0)) * u
    if at.bound:
        interval = (0.0, value + 2 * u)
        where = {**where, "bound": "upper"}
    else:
        interval = (max(0.0, value - half), value + half)
    return result(
        "temporal_noise", value, u, n=at.levels, interval=interval, conditions=where,
        evidence=_EVIDENCE,
    )  # fmt: skip


def _findings(levels: Levels, watcher: NoiseFrames, how: str, scale: str) -> dict[str, Any]:
    from seeworthy.measure.noise_curve import pattern_parts
    from seeworthy.procedures.noise_levels import trouble_of

    trouble = trouble_of(levels.luminance)
    parts = pattern_parts(levels.luminance) if how != "scene" else None
    return {
        "snr_per_level_db": {v.name: _decibels(v.signal / v.temporal) for v in levels.luminance},
        "masked_levels": [v.name for v in levels.luminance if v.masked],
        "patches_from": how,
        "grey_is": _GREYS[scale],
        "left_out": dict(levels.refused),
        "frames": watcher.count,
        "frames_from": [int(watcher.numbers[0]), int(watcher.numbers[-1])],
        "key_frames": watcher.keys,
        "repeated_frames": watcher.repeated,
        "repeated_blocks_percent": round(100 * trouble.repeated, 1),
        "noise_between_neighbours_percent": round(100 * trouble.neighbours, 1),
        "noise_smear": round(trouble.smear, 3),
        "coded": trouble.coded,
        "filtered": trouble.filtered,
        "coding_took_at_least_db": round(trouble.loss, 1),
        "flicker_percent": round(100 * trouble.flicker, 3),
        "bands_percent": round(100 * trouble.bands, 3),
        "tone_slope": _tone_slope(levels) if scale == "reflectance" else None,
        "dsnu_percent": None if parts is None else round(100 * parts[0], 4),
        "prnu_percent": None if parts is None else round(100 * parts[1], 3),
    }


def _decibels(ratio: float) -> float:
    return round(20 * math.log10(ratio), 2)


def _tone_slope(levels: Levels) -> float | None:
    """Slope of the picture's light over the scene's, both in logarithms, around 18 % grey.

    1 where the tone curve that was undone is the one that the camera used.
    """
    near = [v for v in levels.luminance if v.reflectance and 0.06 < v.reflectance < 0.5]
    if len(near) < 3:
        return None
    x = [math.log(v.reflectance or 1.0) for v in near]
    y = [math.log(v.signal) for v in near]
    mx, my = sum(x) / len(x), sum(y) / len(y)
    top = sum((a - mx) * (b - my) for a, b in zip(x, y, strict=True))
    return round(top / sum((a - mx) ** 2 for a in x), 3)


def _doubts(levels: Levels, at: AtGrey | None, how: str, pattern: bool) -> list[str]:
    said = [f"Left out, {name}: {why}" for name, why in levels.refused.items()]
    if at is not None and at.bound:
        said.append(
            f"At 18 % grey the noise is smaller than whole code values can show: SNR is at least "
            f"{at.snr:.0f} dB."
        )
    if at is not None and at.beyond:
        said.append("18 % grey lies a little outside the levels that were measured.")
    if how == "scene":
        said.append(
            "No grey scale was found: 18 % is taken of full scale in the picture, not of a "
            "surface, and depends on how the camera exposes."
        )
    if not pattern:
        said.append(
            "The fixed pattern cannot be told from what the scene itself shows; film an even "
            "surface out of focus, or a step scale."
        )
    slope = _tone_slope(levels) if at is not None and at.scale == "reflectance" else None
    if slope is not None and not 0.8 < slope < 1.25:
        factor = 20 * math.log10(slope)
        said.append(
            f"The picture's light grows as the {slope:.2f}th power of the scene's: the camera's "
            "tone curve is not the one that the file names (or light or densities are off). "
            f"Against the scene, SNR is about {factor:+.1f} dB from the figure given."
        )
    return said


PROCEDURE = Procedure(
    id="noise",
    title="Noise",
    question="How grainy is the picture, and how far down do its darks reach?",
    version=1,
    yields=("snr_18", "temporal_noise", "fixed_pattern_noise", "dynamic_range"),
    findings={
        "snr_per_level_db": "Signal over temporal noise of every patch.",
        "masked_levels": "Patches whose noise is too small, or too often repeated, to be told.",
        "patches_from": "Our grey steps, marked regions, or flat places of any still scene.",
        "grey_is": "What 18 % is taken of: a surface, or full scale of the picture.",
        "left_out": "Patches that were clipped or too small.",
        "frames": "Frames that were kept, in pairs of neighbours.",
        "frames_from": "First and last of them in the clip.",
        "key_frames": "Key frames seen.",
        "repeated_frames": "Frames equal to the one before to the last bit; left out.",
        "repeated_blocks_percent": "Blocks that the encoder repeated unchanged.",
        "noise_between_neighbours_percent": (
            "Noise between neighbouring frames, of that between far ones; 100 without encoder."
        ),
        "noise_smear": "Correlation of the noise of neighbouring pixels.",
        "coded": "Whether an encoder took noise away.",
        "filtered": "Whether noise is tied over time or space, as by denoising.",
        "coding_took_at_least_db": "Least by which the encoder lifted SNR over the sensor's own.",
        "flicker_percent": "The light's own flicker from frame to frame, rms.",
        "bands_percent": "What whole rows do together, rms.",
        "tone_slope": "Power of the picture's light over the scene's; 1 is as the file says.",
        "dsnu_percent": "Spread of the pixels' dark levels, of full scale.",
        "prnu_percent": "Spread of the pixels' sensitivities, of the light.",
    },
    files=(Files("", ("clip",), "Ten still seconds of the grey steps, on a tripod."),),
    readings=(
        Reading("light", "text", "What the light meter shows at the scale.", "9.7 EV dome"),
        Reading(
            "densities", "text", "The measured density of every step, in order.",
            "0.09 0.19 0.31 0.40 0.52 0.66 0.80 0.97 1.10 1.26 1.43 1.70 ± 0.02",
        ),
    ),
    options=(
        Option("region", "A patch, even and flat: x,y,w,h in px.", "600,300,60,60", (), True),
        Option("mirrored", "The camera mirrors its picture.", "yes", ("yes", "no")),
    ),
    steps=(
        Step("Print the grey steps (seeworthy target greys), matt, and fix them flat on a wall."),
        Step("Light them evenly by daylight or lamps that do not flicker; no gloss."),
        Step("Read the light meter at the scale."),
        Step("Camera on a tripod, the scale filling the frame, a little out of focus."),
        Step("Switch sharpening and denoising off if it can be; the highest bit rate."),
        Step("Record ten seconds or more without touching anything."),
    ),
    kit=("the printed grey steps", "a tripod or clamp", "even light", "a light meter"),
    setup="greys",
    minutes=6.0,
    prepare=prepare,
    conclude=conclude,
)  # fmt: skip
