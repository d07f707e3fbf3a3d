"""Run of `noise`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.results import Outcome, Result, result
from seeworthy.ground.uncertainty import effective_dof, interval, lower, upper
from seeworthy.observe.grey_patches import GreyPatch, grey_patch, step_patches, typed_densities
from seeworthy.observe.marked import marked_box
from seeworthy.observe.noise_frames import NoiseFrames
from seeworthy.optics.light_reading import parse_light
from seeworthy.optics.tone import Tone
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.noise import levels as noise_levels
from seeworthy.procedures.noise.curve import (
    AtGrey,
    Range,
    Scale,
    at_grey,
    dynamic_range,
    pattern_parts,
)
from seeworthy.procedures.noise.figures import figure, picture, sentence
from seeworthy.procedures.noise.levels import Levels, trouble_of
from seeworthy.procedures.noise.referred import (
    coding_part,
    range_shown,
    referred,
    slope_at_grey,
    snr_result,
    with_dof,
)
from seeworthy.procedures.noise.rungs import Ladder, check_ladder, climb, ladder_figure

_EVIDENCE = ("patches.png",)
_SAID = 1.0  # dB by which SNR is referred to the scene, from which it is said (a judgement)


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Keep pairs of frames from all over the clip."""
    for text in inputs.options.get("region", ()):
        marked_box(text)
    for reading in inputs.all_readings("light"):
        parse_light(reading.text)
    typed_densities(inputs.reading("densities"))
    check_ladder(inputs)
    further = [Watch(f, NoiseFrames(8, colour=False)) for f in inputs.all_files("ladder")]
    return [Watch(inputs.file(), NoiseFrames()), *further]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Measure every grey level, and read the curve at 18 % grey."""
    watchers: list[NoiseFrames] = [w.observer for w in seen.watches]  # type: ignore[misc]
    watcher = watchers[0]
    if watcher.stage is None or not watcher.count:
        raise CannotMeasure("The file holds no whole frame.", "Film it again.")
    noise_levels.check_frames(watcher)
    tone = inputs.tone(watcher.stage)
    light = tone.light(watcher.stage)
    patches, scale, how = _places(inputs, watcher)
    levels = (
        noise_levels.of_patches(watcher, light, patches) if patches
        else noise_levels.of_scene(watcher, light)
    )  # fmt: skip
    trouble = noise_levels.trouble_of(levels.luminance)
    taken = trouble.coded or any(v.coded for v in levels.luminance)
    ladder = climb(inputs, watchers, patches, tone, trouble, taken=taken)
    greys: dict[str, AtGrey] = {}
    missing = ""
    for channel, found in levels.by_channel.items():
        try:
            greys[channel] = at_grey(found, scale)
        except CannotMeasure as error:
            missing = missing or error.message
    # The tiles of a scene have each their own story in the dark; known patches are needed.
    dark_step = noise_levels.step_at(light, 1e-4)
    span = None
    if how != "scene" and not trouble.coded:
        span = dynamic_range(levels.luminance, dark_step)
    pattern = how != "scene" or noise_levels.is_even(levels)
    if noise_levels.LUMINANCE not in greys and span is None and ladder.found is None:
        raise CannotMeasure(
            missing, "Film a grey step scale (seeworthy target greys) in even light.",
            (picture(watcher, levels),),
        )  # fmt: skip
    warnings = [
        *([missing] if noise_levels.LUMINANCE not in greys else []),
        *noise_levels.doubts(trouble, watcher.keys, watcher.count),
        *_doubts(levels, greys.get(noise_levels.LUMINANCE), how, pattern, tone),
        *light.assumptions,
        *tone.said,
        *([ladder.note] if ladder.note else []),
        *_no_range(levels, ladder),
    ]
    where = _conditions(inputs)
    results = (
        *_results(levels, greys, pattern, where, tone),
        *_range(levels, span, ladder, where, tone),
    )
    return Outcome(
        results,
        _findings(levels, watcher, how, scale, span, tone),
        tuple(warnings),
        (picture(watcher, levels),),
        (figure(levels, greys.get(noise_levels.LUMINANCE)), *ladder_figure(ladder)),
        how,
        sentence(results),
    )


def _places(inputs: Inputs, watcher: NoiseFrames) -> tuple[list[GreyPatch], Scale, str]:
    """Return the patches (none: tiles of the scene), what 18 % is taken of, and their origin."""
    noise_levels.check_still(watcher)
    mean = watcher.mean()
    densities = typed_densities(inputs.reading("densities"))
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
        return known, "reflectance", "marked regions"
    if marked:
        plain = [GreyPatch(f"region {i}", box) for i, box in enumerate(marked, 1)]
        return plain, "signal", "marked regions"
    steps = step_patches(mean, densities, mirrored=inputs.option("mirrored") == "yes")
    if steps:
        return steps, "reflectance", "grey steps"
    if densities:
        raise CannotMeasure(
            "Densities were typed, but no grey step scale of ours is in the picture.",
            "Mark the steps with --option region=x,y,w,h, once each, in the densities' order.",
        )
    return [], "signal", "scene"


def _conditions(inputs: Inputs) -> dict[str, Any]:
    reading = inputs.reading("light")
    return {} if reading is None else {"light": parse_light(reading.text).value}


_GREYS = {"reflectance": "18 % surface", "signal": "18 % of full scale"}


def _results(
    levels: Levels, greys: dict[str, AtGrey], pattern: bool, conditions: dict[str, Any], tone: Tone
) -> tuple[Result, ...]:
    found: list[Result] = []
    coding = coding_part(trouble_of(levels.luminance))
    for channel, at in greys.items():
        where = {**conditions, "grey": _GREYS[at.scale], "channel": channel}
        # One tone curve for all channels: that of luminance, which has the most steps.
        shift, curve, _ = referred(levels.luminance, at.scale, tone, at.signal)
        found.append(snr_result(at, where, shift, (curve, coding), _EVIDENCE))
        if channel != "luminance":
            continue
        if pattern and not at.bound:
            parts = (Component("noise and pattern", at.u_total, "dB", source="scatter"), curve)
            found.append(
                with_dof(
                    "snr_18", at.total + shift, (*parts, coding), max(at.dof, 1.0),
                    n=at.levels, conditions={**where, "noise": "total"}, evidence=_EVIDENCE,
                )
            )  # fmt: skip
        found.append(_temporal(at, where, tone))
        if pattern:
            parts = (
                Component("fixed pattern", 100 * at.u_fixed, "%", source="scatter"),
                tone.of_scale(100 * at.fixed, at.signal),
            )
            ends = interval(100 * at.fixed, combined(parts), least=0.0)
            found.append(
                result(
                    "fixed_pattern_noise", 100 * at.fixed, n=at.levels, conditions=where,
                    interval=ends, evidence=_EVIDENCE, budget=parts,
                )
            )  # fmt: skip
    return tuple(found)


def _range(
    levels: Levels, span: Range | None, ladder: Ladder, where: dict[str, Any], tone: Tone
) -> list[Result]:
    """Return the dynamic range: off a ladder; else at least what a step shows.

    That of a model of the noise only where the light that it finds was seen.
    """
    where = {**where, "channel": "luminance", **ladder.conditions}
    if ladder.found is not None and ladder.most:
        most = upper(ladder.found.stops, combined(ladder.found.parts))
        return [
            result(
                "dynamic_range", most, n=len(ladder.found.snr) + 1, interval=(0.0, most),
                conditions={**where, "bound": "upper"}, evidence=_EVIDENCE,
                budget=ladder.found.parts,
            )
        ]  # fmt: skip
    if ladder.found is not None:
        return [
            result(
                "dynamic_range", ladder.found.stops, n=len(ladder.found.snr) + 1, conditions=where,
                evidence=_EVIDENCE, budget=ladder.found.parts,
            )
        ]  # fmt: skip
    if span is None or ladder.limit > 1:
        return []
    if not span.extrapolated:
        budget = (
            Component("noise of the dark steps", span.u, "stops", source="draws"),
            tone.of_stops(span.stops, 1.0, span.least),
        )
        return [
            result(
                "dynamic_range", span.stops, conditions=where, evidence=_EVIDENCE, budget=budget
            )
        ]  # fmt: skip
    shown = range_shown(levels.luminance, tone, trouble_of(levels.luminance))
    if shown is None:
        return []
    stops, parts = shown
    least = max(lower(stops, combined(parts)), 0.0)
    return [
        result(
            "dynamic_range", least, interval=(least, math.inf), evidence=_EVIDENCE, budget=parts,
            conditions={**where, "bound": "lower"},
        )
    ]  # fmt: skip


def _no_range(levels: Levels, ladder: Ladder) -> list[str]:
    """Say why there is no dynamic range where an encoder hides the noise of every step."""
    if ladder.found is not None or any(v.told for v in levels.luminance):
        return []
    return [
        "No dynamic range: the encoder, or whole code values, hide the noise of every step, and a "
        "range from what is left would be too long. Film at the camera's highest bit rate."
    ]


def _temporal(at: AtGrey, where: dict[str, Any], tone: Tone) -> Result:
    value, dof = 100 * at.temporal, max(at.dof, 1.0)
    parts = (
        Component("noise", 100 * at.u_temporal, "%", source="scatter"),
        tone.of_scale(value, at.signal),
    )  # fmt: skip
    u = combined(parts)
    dof = effective_dof([(parts[0].part, dof), (parts[1].part, math.inf)])
    if at.bound:
        ends = (0.0, value + 2 * u)
        where = {**where, "bound": "upper"}
    else:
        ends = interval(value, u, dof, least=0.0)
    return result(
        "temporal_noise", value, n=at.levels, dof=dof, interval=ends, conditions=where,
        evidence=_EVIDENCE, budget=parts,
    )  # fmt: skip


def _model(span: Range | None) -> dict[str, Any] | None:
    """Return what photon noise would make of the dark; below the darkest step nobody looked."""
    if span is None:
        return None
    return {
        "value": round(span.stops, 2),
        "interval": [round(end, 2) for end in span.interval],
        "extrapolated": span.extrapolated,
    }


def _findings(
    levels: Levels, watcher: NoiseFrames, how: str, scale: str, span: Range | None, tone: Tone
) -> dict[str, Any]:
    trouble = trouble_of(levels.luminance)
    parts = pattern_parts(levels.luminance) if how != "scene" else None
    slope = slope_at_grey(levels.luminance) if scale == "reflectance" else None
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
        "tone_slope": None if slope is None else round(slope.value, 3),
        "tone": referred(levels.luminance, scale, tone, 0.18)[2],
        "dynamic_range_model_stops": _model(span),
        "dsnu_percent": None if parts is None else round(100 * parts[0], 4),
        "prnu_percent": None if parts is None else round(100 * parts[1], 3),
    }


def _decibels(ratio: float) -> float:
    return round(20 * math.log10(ratio), 2)


def _doubts(levels: Levels, at: AtGrey | None, how: str, pattern: bool, tone: Tone) -> list[str]:
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
    shift, _, _ = referred(levels.luminance, at.scale if at is not None else "signal", tone, 0.18)
    if abs(shift) > _SAID:
        said.append(
            f"The picture's light grows as the {10 ** (shift / 20):.2f}th power of the scene's: "
            "the camera's tone curve is not the one that the file names (or light or densities "
            f"are off). SNR is referred to the scene with it ({shift:+.1f} dB)."
        )
    return said
