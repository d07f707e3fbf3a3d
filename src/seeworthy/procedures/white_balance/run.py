"""Run of `white-balance`: what it asks to see, and what it concludes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.digits import number, spread_of
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.propagation import u_rectangular
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Picture, Result, result
from seeworthy.ground.uncertainty import coverage_factor, of_length
from seeworthy.media.light import Light
from seeworthy.observe.evidence import BLUE, canvas, encode
from seeworthy.observe.grey_patches import GreyPatch, step_patches
from seeworthy.observe.marked import marked_box
from seeworthy.observe.noise_frames import NoiseFrames
from seeworthy.optics.colour import lab_of
from seeworthy.optics.hues import hue_word
from seeworthy.optics.light_reading import parse_light
from seeworthy.optics.tone import Tone
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.white_balance.measure import (
    GreyTint,
    Tint,
    drift,
    mid_grey,
    moved,
    tint_of,
    u_along,
)

CHART_TINT = 0.014
"""Most that greys printed on office paper are from neutral, Δu'v': paper with brightener,
L*a*b* 93.5, 2.5, -10 (ISO 12647-2:2013 under M1, from memory), is 0.0136 off, by arithmetic."""
_EQUATION = 0.12  # of a tint, largest: Cr by BT.601 for BT.709 (1.402 over 1.5748, by arithmetic)
_CUT = 0.01  # share of pixels at the ends from which a patch is left out
_DROWNED = 0.5  # noise over light from which it is left out (a judgement)
_SEEN, _PLAIN = 0.0033, 0.0088
"""Three and eight steps of CIE TN 001:2014 (from memory): seen side by side, plain alone."""
_SURE = 3.0  # standard errors by which a tint must have moved to be told
_WORDS = {
    "red": "reddish", "yellow": "yellowish (warm)", "green": "greenish",
    "blue-green": "blue-greenish", "blue": "bluish (cold)", "purple": "purplish",
}  # fmt: skip


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Keep some frames in colour."""
    for text in inputs.options.get("region", ()):
        marked_box(text)
    for reading in inputs.all_readings("light"):
        parse_light(reading.text)
    return [Watch(inputs.file(), NoiseFrames(8))]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Measure the tint of every grey, and of mid-grey."""
    watcher: NoiseFrames = seen.watches[0].observer  # type: ignore[assignment]
    if watcher.stage is None or watcher.count < 2:
        raise CannotMeasure("The file holds fewer than two whole frames.", "Film it again.")
    tone = inputs.tone(watcher.stage)
    light = tone.light(watcher.stage)
    places, how = _places(inputs, watcher)
    drawn = (_picture(watcher, places),)
    left_out: dict[str, str] = {}
    tints = _tints(watcher, light, places, left_out)
    if not tints:
        why = "; ".join(f"{name}: {text}" for name, text in left_out.items())
        raise CannotMeasure(
            f"None of the greys can be used ({why}).",
            "Expose so that the middle steps are mid-grey, neither clipped nor black.", drawn,
        )  # fmt: skip
    middle, ends, went = mid_grey(tints), drift(tints), moved(tints)
    results = _results(inputs, middle, ends, went, light, tone)
    warnings = _doubts(inputs, went, light, tone)
    findings = {
        "hue": _hue(results[0], middle.off),
        "steps": {t.name: _step(t) for t in tints},
        "gains": _gains(tints),
        "chroma": round(_chroma(middle, tints), 2),
        "moved": round(went[0], 4),
        "left_out": left_out,
        "patches_from": how,
        "tone": tone.words,
    }
    return Outcome(
        results, findings, warnings, drawn, (_figure(tints),), how,
        _sentence(inputs, results[0], middle.off),
    )  # fmt: skip


def _places(inputs: Inputs, watcher: NoiseFrames) -> tuple[list[GreyPatch], str]:
    mean = watcher.mean()
    marked = [marked_box(text, mean.shape) for text in inputs.options.get("region", ())]
    if marked:
        return [GreyPatch(f"region {i}", b) for i, b in enumerate(marked, 1)], "marked regions"
    steps = step_patches(mean, [], mirrored=inputs.option("mirrored") == "yes")
    if steps is None:
        raise CannotMeasure(
            "The grey steps were not found in the picture.",
            "Film the target of `seeworthy target greys`, or mark grey patches of a chart with "
            "--option region=x,y,w,h; a camera that mirrors its picture needs --option "
            "mirrored=yes.",
        )
    return steps, "grey steps"


def _tints(
    watcher: NoiseFrames, light: Light, places: Sequence[GreyPatch], left_out: dict[str, str]
) -> list[GreyTint]:
    found = []
    for one in places:
        codes = watcher.luma(one.box)
        rgb = watcher.rgb(one.box, light)
        if rgb is None or not any(c.std() for k in watcher.kept for c in k.chroma):
            raise CannotMeasure(
                "The clip has no colour anywhere: that a grey in it is neutral says nothing.",
                "Switch the camera from black-and-white or night mode to colour and film again, "
                "with something coloured in the picture.",
            )
        rgb = np.asarray(rgb, np.float64)
        low = np.mean(codes <= light.black)
        high = max(np.mean(codes >= light.white - 1), float(np.mean(rgb.max(axis=-1) >= 1.0)))
        level = float(rgb.mean())
        scatter = float(rgb[..., 1].std(axis=0, ddof=1).mean())
        why = (
            "cut off at black" if low > _CUT
            else "clipped at white" if high > _CUT
            else "drowned in noise" if min(rgb.mean(axis=(0, 1, 2))) <= 0
            or scatter > _DROWNED * level
            else ""
        )  # fmt: skip
        if why:
            left_out[one.name] = why
        else:
            found.append(tint_of(one.name, rgb, light, one.reflectance))
    return found


def _shared(value: float, curves: Sequence[Component], light: Light) -> list[Component]:
    """Return what all greys have in common: curve, colour equation."""
    parts = list(curves)
    if any("luma equation" in text for text in light.assumptions):
        source = "BT.601 against BT.709: the file names neither"
        parts.append(
            Component("colour equation", u_rectangular(_EQUATION), "", value, "rectangular", source)
        )
    return parts


def _results(
    inputs: Inputs,
    middle: Tint,
    ends: tuple[Tint, Tint] | None,
    went: tuple[float, float],
    light: Light,
    tone: Tone,
) -> tuple[Result, ...]:
    typed = inputs.reading("chart_tint")
    chart = Component(
        "tint of the chart itself", u_rectangular(CHART_TINT if typed is None else typed.value),
        "", 1.0, "rectangular",
        "office paper with brightener" if typed is None else "reading", common="chart_tint",
    )  # fmt: skip
    reading = inputs.reading("light")
    where: dict[str, Any] = {} if reading is None else {"light": parse_light(reading.text).value}
    if inputs.option("illuminant"):
        where["illuminant"] = inputs.option("illuminant")
    source = "chroma codes, noise, scatter of the steps"
    parts = [
        Component("greys", middle.u, source=source),
        chart,
        *_shared(middle.length, [tone.of_share(middle.length, middle.level)], light),
        *tone.of_flat_look(middle.length),
    ]
    if went[0] > _SURE * went[1]:
        parts.append(
            Component(
                "white balance that moves", u_rectangular(went[0] / 2), "", 1.0, "rectangular",
                "first against last third of the clip",
            )
        )  # fmt: skip
    found = [_result("grey_tint", middle.length, parts, middle.count, where)]
    if ends is not None:
        bright, dark = ends
        off, covariance = bright.off - dark.off, bright.covariance + dark.covariance
        length = float(np.hypot(*off))
        parts = [
            Component("greys", u_along(off, covariance), source=source),
            # Another slope among the darks makes a tint of all greys look like a drift.
            *_shared(length, [tone.of_share(t.length, t.level) for t in ends], light),
            *tone.of_flat_look(length),
        ]
        found.append(_result("grey_tint_drift", length, parts, bright.count + dark.count, where))
    return tuple(found)


def _result(
    name: str, value: float, parts: Sequence[Component], n: int, where: dict[str, Any]
) -> Result:
    return result(
        name, value, n=n, interval=of_length(value, combined(parts)), conditions=where,
        evidence=["greys.png"], budget=parts,
    )  # fmt: skip


def _step(one: GreyTint) -> dict[str, Any]:
    length = float(np.hypot(*one.off))
    ends = of_length(length, u_along(one.off, one.covariance))
    return {
        "du": round(float(one.off[0]), 5), "dv": round(float(one.off[1]), 5),
        "tint": round(length, 5), "interval": [round(e, 5) for e in ends],
        "hue": _WORDS[hue_word(one.off)] if ends[0] > 0 else "cannot be told from neutral",
    }  # fmt: skip


def _gains(tints: Sequence[GreyTint]) -> list[float]:
    rgb = np.mean([t.rgb / t.level for t in tints], axis=0)
    return [round(float(rgb[1] / v), 4) for v in rgb]


def _chroma(middle: Tint, tints: Sequence[GreyTint]) -> float:
    nearest = min(tints, key=lambda t: abs(t.level - middle.level))
    lab = lab_of(nearest.rgb[None])[0]
    return float(np.hypot(lab[1], lab[2]))


def _hue(found: Result, off: Any) -> str:
    return _WORDS[hue_word(off)] if found.interval[0] > 0 else "cannot be told from neutral"


def _doubts(inputs: Inputs, went: tuple[float, float], light: Light, tone: Tone) -> tuple[str, ...]:
    said = []
    if inputs.reading("chart_tint") is None:
        said.append(
            "Printed greys have the tint of their paper and ink: a grey card of known tint "
            "(chart_tint=) makes the figure several times more certain."
        )
    if went[0] > max(_SURE * went[1], 0.001):
        said.append(
            f"The white balance moves by {went[0]:.4f} during the clip: wait until it has settled."
        )
    if not inputs.option("illuminant"):
        said.append(
            "The kind of light was not given (--option illuminant=): white balance holds for one."
        )
    return (*said, *light.assumptions, *tone.said)


def _sentence(inputs: Inputs, found: Result, off: Any) -> str:
    kind = inputs.option("illuminant")
    light = f"in this light ({kind})" if kind else "in this light"
    low, high = found.interval
    spread = spread_of(low, high, found.u)
    if low <= 0:
        return (
            f"Grey cannot be told from neutral {light}: it is off by {number(high, spread)} at "
            "most (Δu'v')."
        )
    seen = (
        "which is hardly seen" if found.value < _SEEN
        else "which is seen beside true grey" if found.value < _PLAIN
        else "which is plainly seen"
    )  # fmt: skip
    return (
        f"Grey comes out {_WORDS[hue_word(off)]} {light}: {number(found.value, spread)} from "
        f"neutral (Δu'v'), {seen}."
    )


def _picture(watcher: NoiseFrames, places: Sequence[GreyPatch]) -> Picture:
    drawn = canvas(watcher.mean())
    for x, y, w, h in (p.box for p in places):
        cv2.rectangle(drawn, (x, y), (x + w, y + h), BLUE, 2)
    return encode("greys.png", "The greys that were looked at.", drawn)


def _figure(tints: Sequence[GreyTint]) -> Figure:
    rows: dict[str, list[Any]] = {"light": [], "off": [], "low": [], "high": [], "way": []}
    for one in sorted(tints, key=lambda t: t.level):
        for i, way in enumerate(("Δu′, towards red", "Δv′, towards yellow")):
            half = coverage_factor() * float(one.covariance[i, i]) ** 0.5
            rows["light"].append(round(100 * one.level, 3))
            rows["off"].append(round(float(one.off[i]), 5))
            rows["low"].append(round(float(one.off[i]) - half, 5))
            rows["high"].append(round(float(one.off[i]) + half, 5))
            rows["way"].append(way)
    return Figure(
        "tint",
        "Tint of the greys",
        "At nought a grey is neutral; lines that part from light to dark cannot be balanced.",
        rows,
        Axis("light", "light of the grey in the picture", "%", "log"),
        Axis("off", "difference from neutral, u′v′"),
        (
            Mark("band", low="low", high="high", series="way"),
            Mark("line", y="off", series="way"),
            Mark("rule", value=0.0, label="neutral"),
        ),
    )
