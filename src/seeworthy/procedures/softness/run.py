"""Run of `softness`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import said_result
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Outcome, Result, result
from seeworthy.observe.edge_widths import EdgeWidthWatch
from seeworthy.observe.light_run import LightRun
from seeworthy.observe.motion_tracks import MotionWatch
from seeworthy.observe.soft_patches import PatchWatch, SoftPatches
from seeworthy.observe.steadied import MOST, tell_steadied
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.softness.blur import BlurExposure, measure_exposure
from seeworthy.procedures.softness.causes import (
    Cause,
    of_coding,
    of_focus,
    of_fog,
    of_motion,
    of_shake,
)
from seeworthy.procedures.softness.figures import causes_figure

Floats = npt.NDArray[np.float64]

_WAYS = 0.5  # px per frame interval: slower, motion has no direction to speak of
_FEWEST = 8  # points of a frame
_WORTH = 0.05  # of the contrast: less is not seen side by side (judgement)
_PLAIN = {
    "motion": "motion during the exposure",
    "everywhere": "focus or the lens",
    "shake": "shaking",
    "fog": "fog on the lens",
    "coding": "coarse coding",
}


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Ask for the whole clip."""
    source = inputs.file()
    return tuple(Watch(source, o) for o in (PatchWatch(), EdgeWidthWatch(), LightRun()))


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return exposure and blur, and what each cause takes off the contrast."""
    watch, edges, light = (w.observer for w in seen.watches)
    assert isinstance(watch, PatchWatch)
    assert isinstance(edges, EdgeWidthWatch)
    assert isinstance(light, LightRun)
    speeds, ways = _speeds(watch.motion)
    patches = watch.patches()
    exposed = _exposure(patches, watch.motion)
    results = _results(exposed, patches, speeds)
    low, high = (0.0, 0.0)
    if isinstance(exposed, BlurExposure):
        low, high = (0.0, exposed.most)
        if exposed.known:
            low, high = max(exposed.share - 2 * exposed.u, 0.0), exposed.share + 2 * exposed.u
    focus, width = of_focus(edges, ways)
    shake, rhythm = of_shake(patches, (low + high) / 2)
    causes = {
        "motion": of_motion(exposed, speeds, low, high),
        "everywhere": focus,
        "shake": shake,
        "fog": of_fog(light.table()),
        "coding": of_coding(patches),
    }
    if all(c.low is None for c in causes.values()):
        raise CannotMeasure(
            "Nothing in this clip tells why it is soft: no detail could be followed.",
            "Give some seconds over ground, houses or trees, in light.",
        )
    first = _first(causes)
    findings = _findings(causes, first, width, rhythm, exposed, speeds)
    return Outcome(
        tuple(results), findings, tuple(_warnings(exposed, first, causes)),
        figures=(causes_figure(causes),), method="footage",
        sentence=_sentence(first, causes, results),
    )  # fmt: skip


def _speeds(motion: MotionWatch) -> tuple[Floats, dict[float, float]]:
    """Return the median speed of every frame, px per interval, and its direction by time."""
    lengths = [p.end - p.start for p in motion.pairs]
    interval = float(np.median(lengths)) if lengths else 1.0
    speeds, ways = [], {}
    for pair, length in zip(motion.pairs, lengths, strict=True):
        if len(pair.points) < _FEWEST or length > 1.5 * interval:
            continue
        x, y = np.median(pair.points[:, 2:] - pair.points[:, :2], axis=0)
        speeds.append(float(math.hypot(x, y)))
        if speeds[-1] > _WAYS:
            ways[pair.end] = math.atan2(y, x)
    return np.array(speeds), ways


def _exposure(patches: SoftPatches | None, motion: MotionWatch) -> BlurExposure | str:
    if patches is None:
        return "nothing could be followed"
    told = tell_steadied(motion.pairs[:MOST], motion.width, motion.height)
    if told.state == "yes":  # what smears is not the motion that shows
        return f"the camera steadied the clip: {told.rests_on}"
    try:
        return measure_exposure(patches)
    except CannotMeasure as error:
        return error.message


def _results(
    exposed: BlurExposure | str, patches: SoftPatches | None, speeds: Floats
) -> list[Result]:
    if isinstance(exposed, str) or patches is None:
        return []
    fast = float(np.quantile(speeds, 0.95)) if len(speeds) else 0.0
    found = []
    for name, scale in (("flight_exposure", 1e3 * patches.interval), ("motion_blur", fast)):
        n = exposed.smear.blocks
        if not exposed.known:
            # Nothing is known but that it is no more: even between none and that.
            most = exposed.most * scale
            found.append(
                result(
                    name, most / 2, most / math.sqrt(12), n=n, interval=(0.0, most),
                    conditions={"bound": "upper"},
                )
            )  # fmt: skip
            continue
        budget = [
            Component(part, u, "", scale, "normal", "own rendered clips" if i else "scatter")
            for i, (part, u) in enumerate(exposed.parts)
        ]
        found.append(
            result(
                name, exposed.share * scale, n=n, dof=max(exposed.smear.blocks - 1, 1),
                budget=budget,
            )
        )  # fmt: skip
    return found


def _first(causes: Mapping[str, Cause]) -> str:
    """Return the cause that takes most for certain, "" where none takes enough to speak of."""
    least = {name: cause.low or 0.0 for name, cause in causes.items()}
    name = max(least, key=lambda n: least[n])
    return name if least[name] > _WORTH else ""


def _findings(
    causes: Mapping[str, Cause],
    first: str,
    width: float | None,
    rhythm: float | None,
    exposed: BlurExposure | str,
    speeds: Floats,
) -> dict[str, Any]:
    found: dict[str, Any] = {
        f"lost_{'everywhere' if name == 'everywhere' else 'to_' + name}": cause.words
        for name, cause in causes.items()
    }
    found["rests_on"] = {name: cause.rests_on for name, cause in causes.items()}
    found["softest_cause"] = _PLAIN.get(first, "none takes 5 % for certain")
    if width is not None:
        found["edge_px"] = round(width, 2)
    if rhythm is not None:
        found["shake_seen_hz"] = round(rhythm, 2)
    if len(speeds):
        found["speed_px"] = round(float(np.quantile(speeds, 0.95)), 2)
    if isinstance(exposed, BlurExposure):
        found["patches"] = exposed.smear.patches
        if exposed.known:
            found["exposure_share"] = round(exposed.share, 4)
        if math.isfinite(exposed.step):
            found["coder_step"] = round(exposed.step, 1)
    return found


def _warnings(exposed: BlurExposure | str, first: str, causes: Mapping[str, Cause]) -> list[str]:
    said = []
    if isinstance(exposed, str):
        said.append(f"The exposure cannot be told from this clip. {exposed}")
    elif not exposed.known:
        said.append(
            "Of the exposure only an upper bound can be told: the picture moved too little for "
            "its blur to stand above the coder's, or was coded too coarsely."
        )
    if not first:
        said.append("No cause is sure to take anything to speak of; see what each takes at most.")
        return said
    sure = causes[first].high or 0.0
    more = [
        f"{_PLAIN[n]} ({c.words})"
        for n, c in causes.items()
        if n != first and c.high is not None and c.high > sure
    ]
    if more:
        said.append(f"More than that may be lost to {', '.join(more)}: this clip cannot tell.")
    return said


def _sentence(first: str, causes: Mapping[str, Cause], results: Sequence[Result]) -> str:
    text = "Nothing is sure to make this picture soft"
    if first:
        text = f"For certain {_PLAIN[first]} takes most: {causes[first].words} of fine detail"
    if results:
        exposure = results[0]
        text += f"; each frame is exposed for {said_result(exposure)}"
    return text + "."
