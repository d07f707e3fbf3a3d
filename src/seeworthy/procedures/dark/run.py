"""Run of `dark`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from seeworthy.ground.budget import Component
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Outcome, Result, result
from seeworthy.ground.uncertainty import coverage_factor, effective_dof, interval
from seeworthy.media.light import light_of
from seeworthy.observe.marked import marked_box
from seeworthy.procedures.dark import measure as dark
from seeworthy.procedures.dark.figures import DarkSeen as Shown
from seeworthy.procedures.dark.figures import figure, picture, sentence
from seeworthy.procedures.dark.sums import DarkSums
from seeworthy.procedures.declare import Inputs, Seen, Watch

HOT = 4.0
"""% of the range from which a pixel is hot: 9 code values of 8 bit, a dot that is seen on a dark
ground (a judgement; the finding `hot` tells how strong each is)."""
_DARK = 12.0
"""% of the range: a cell above it lies in light (a judgement: covered cameras at full gain stay
below it in the corner where the chip is warm)."""
_PATCH = 8.0
"""% above the picture's middle from which a connected patch is light …"""
_PATCH_AREA = 64
"""… if it has so many px: a hot pixel after demosaicing and coding has at most 5×5 (a judgement),
a warm corner rises smoothly and is under `_DARK`."""
_OPENED = 3.0
"""% by which a frame may stand above the median frame before the cover is thought to have come
off (a judgement; warming takes minutes and is far slower than frame to frame)."""
_LEAST_FRAMES = 40  # a fifth each for begin and end, eight frames each (a judgement)
_LEAST_SECONDS = 20.0
"""For a growth: the camera has had no time to warm in less (a judgement)."""
_WIPED = 16 / 3
"""A lone pixel of height A spreads over the 64 coefficients of an 8×8 transform, A/8 each in the
rms; encoders drop what is under 2/3 of the quantiser step (derived; the dead zone of the H.264
reference encoder for whole pictures, from memory)."""
_WIPED_BAND = 0.24
"""The same for rows that differ by a rms: all of it is in 8 coefficients, √8 of the rms each."""
_LOSSLESS = 0.625
"""The quantiser step at parameter 0: finer than a code value, or nothing is quantised at all."""
_DOT_CODED = 0.4
"""Rms error of a pixel, in quantiser steps, where every coefficient fell into the dead zone of
±2/3 step (derived: 2/3 over √3)."""
_LISTED = 400  # dots in the findings
_EVIDENCE = ("dark.png",)


@dataclass(frozen=True, slots=True)
class _Scale:
    """Code values to per cent of the range, and where the file's range is."""

    black: int
    percent: float
    assumed: tuple[str, ...]


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Sum up the whole clip."""
    boxes = [
        marked_box(text, name="leave_out", least=1) for text in inputs.options.get("leave_out", ())
    ]
    return [Watch(inputs.file(), DarkSums(boxes))]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Refuse what is not dark, then tell level, growth, hot pixels and bands."""
    sums: DarkSums = seen.watches[0].observer  # type: ignore[assignment]
    if sums.stage is None or sums.count < _LEAST_FRAMES or min(sums.counts) == 0:
        raise CannotMeasure(
            f"The clip has {sums.count} whole frames; {_LEAST_FRAMES} are needed.",
            "Film a minute or more with the lens covered.",
        )
    for text in inputs.options.get("leave_out", ()):
        marked_box(text, sums.mean.shape, "leave_out", 1)
    how = light_of(sums.stage)
    scale = _Scale(how.black, 100 / (how.white - how.black), how.assumptions)
    check_dark(sums, scale)
    mean, out = sums.mean, dark.stand_outs(sums.mean)
    out[~sums.use] = 0.0
    step = _step(sums)
    error = dark.error_of_mean(sums.halves, sums.deviation, sums.count)
    error = np.hypot(error, _DOT_CODED * (step or 0.0))
    hot, number = dark.hot_pixels(out, error, HOT / scale.percent)
    use = sums.use & ~_round_about(out > HOT / scale.percent / 2)
    warnings: list[str] = list(scale.assumed)
    results = [
        *_levels(sums, step, scale, warnings),
        _count(hot, number, step, scale, warnings),
        *_bands(sums, use, step, scale),
    ]
    shown = Shown(
        mean, hot, (np.array(sums.levels) - scale.black) * scale.percent, np.array(sums.times)
    )
    return Outcome(
        tuple(results), _findings(sums, hot, step, scale), tuple(warnings), (picture(shown),),
        (figure(shown),), sentence=sentence(results),
        correction=_correction(sums, hot, scale),
    )  # fmt: skip


def check_dark(sums: DarkSums, scale: _Scale) -> None:
    """Refuse a clip into which light came.

    Raises:
        CannotMeasure: A part of the picture or of the clip is lit.
    """
    mean = (sums.mean - scale.black) * scale.percent
    hint = (
        "Cover the lens with a cap or thick black cloth, put the camera into a drawer, and film "
        "again. A burned-in stamp is left out with --option leave_out=x,y,width,height."
    )
    mean[~sums.use] = float(np.median(mean[sums.use]))
    cells = dark.surroundings(mean)
    y, x = np.unravel_index(int(np.argmax(cells)), cells.shape)
    if cells[y, x] > _DARK:
        raise CannotMeasure(
            f"The clip is not dark: at x {x}, y {y} the picture stands at {cells[y, x]:.0f} % of "
            f"the range; a covered camera stays below {_DARK:.0f} %.",
            hint,
        )
    lit = (mean - np.median(mean) > _PATCH).astype(np.uint8)
    _, _, stats, centres = cv2.connectedComponentsWithStats(lit, connectivity=8)
    for i in range(1, len(stats)):
        if stats[i, cv2.CC_STAT_AREA] >= _PATCH_AREA:
            raise CannotMeasure(
                f"The clip is not dark: a bright patch of {stats[i, cv2.CC_STAT_AREA]} px stands "
                f"at x {centres[i][0]:.0f}, y {centres[i][1]:.0f}.",
                hint,
            )
    levels = (np.array(sums.levels) - scale.black) * scale.percent
    opened = np.flatnonzero(levels > np.median(levels) + _OPENED)
    if opened.size:
        raise CannotMeasure(
            f"{opened.size} of {levels.size} frames are brighter than the others, the first at "
            f"{sums.times[opened[0]]:.1f} s: the cover came off, or the camera changed its gain.",
            "Cut these off, or film again without touching the camera.",
        )


def _step(sums: DarkSums) -> float | None:
    """Return the quantiser step in code values, 0 where nothing is lost, None where not told."""
    if not sums.steps or sums.stage is None:
        return None
    step = float(np.median(sums.steps))
    return step * 2.0 ** (sums.stage.bits - 8) if step > _LOSSLESS else 0.0


def _coding(step: float | None) -> float:
    """Return the standard uncertainty of a level by coding, code values.

    An 8×8 block's mean is kept to 1/8 of the quantiser step, and in an even picture all blocks
    err alike (derived, rectangular). Where the step is not told, a whole code value is taken.
    """
    return (1.0 if step is None else step / 8) / math.sqrt(12)


def _round_about(hot: Any) -> Any:
    return cv2.dilate(hot.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)


def _levels(sums: DarkSums, step: float | None, scale: _Scale, warnings: list[str]) -> list[Result]:
    """Return the level and, of a clip that is long enough, its growth."""
    levels, times = np.array(sums.levels), np.array(sums.times)
    by_codes = math.hypot(dark.rounding(sums.histogram, scale.black), _coding(step))
    if not np.isfinite(times).all():
        warnings.append("No growth: the file has no time stamps.")
        times = np.arange(levels.size, dtype=float)
        long_enough = False
    else:
        long_enough = bool(np.ptp(times) >= _LEAST_SECONDS)
        if not long_enough:
            warnings.append(
                f"No growth: the clip has {np.ptp(times):.0f} s; {_LEAST_SECONDS:.0f} s at least "
                "are needed, ten minutes are better."
            )
    found = dark.level(levels, times, by_codes)
    parts = (
        Component("scatter over the clip", found.scatter, "codes", scale.percent,
                  f"t ({found.dof:.0f} dof)", "scatter"),
        Component("codes and coding", found.rounding, "codes",
                  scale.percent, "rectangular",
                  "derived: spread of the code values, quantiser step"),
    )  # fmt: skip
    value = (found.value - scale.black) * scale.percent
    dof = effective_dof([(parts[0].part, found.dof), (parts[1].part, math.inf)])
    seen = [
        result("dark_level", value, n=levels.size, dof=dof, budget=parts, evidence=_EVIDENCE)
    ]  # fmt: skip
    if long_enough:
        rise, rounded = dark.growth(levels, times, by_codes)
        grown = (
            Component("scatter of the stretches", rise.u, "codes/min", scale.percent,
                      f"t ({rise.dof:.0f} dof)", "scatter"),
            Component("codes and coding", rounded, "codes/min", scale.percent, "rectangular",
                      "derived: spread of the code values, quantiser step"),
        )  # fmt: skip
        dof = effective_dof([(grown[0].part, rise.dof), (grown[1].part, math.inf)])
        seen.append(
            result("dark_growth", rise.value * scale.percent, n=dark.STRETCHES, dof=dof,
                   budget=grown, evidence=_EVIDENCE,
                   conditions={"duration": round(float(np.ptp(times)), 1)})
        )  # fmt: skip
    return seen


def _count(
    hot: Sequence[dark.Dot],
    number: dark.DarkFigure,
    step: float | None,
    scale: _Scale,
    warnings: list[str],
) -> Result:
    """Return how many pixels are hot; a bound where coding may have wiped some out."""
    ends = interval(number.value, number.u, least=0.0)
    where: dict[str, Any] = {"above_percent": HOT}
    if step is None or step * _WIPED * scale.percent > HOT:
        where["bound"] = "lower"
        ends = (ends[0], math.inf)
        how = (
            "the clip does not tell how coarsely it was coded"
            if step is None
            else f"coding may have wiped out dots under {step * _WIPED * scale.percent:.0f} %"
        )
        warnings.append(f"Hot pixels are at least so many: {how}. Use the highest bit rate.")
    part = Component("dots near the limit", number.u, "", source="scatter of their means")
    return result(
        "hot_pixels", number.value, interval=ends, conditions=where, budget=(part,),
        evidence=_EVIDENCE, n=max(len(hot), 1),
    )  # fmt: skip


def _bands(
    sums: DarkSums, use: Any, step: float | None, scale: _Scale
) -> list[Result]:  # fmt: skip
    halves = sums.halves
    sides = {
        "rows": dark.bands(halves, use),
        "columns": dark.bands((halves[0].T, halves[1].T), use.T),
    }
    return [_band(way, found, step, scale) for way, found in sides.items()]


def _band(way: str, found: dark.Bands, step: float | None, scale: _Scale) -> Result:
    """Return the rms of a direction's stripes; its square is what has a normal error."""
    value = math.sqrt(max(found.power, 0.0))
    by_trend = value * found.trend / math.sqrt(3)
    spread = math.hypot(found.u, 2 * value * by_trend)
    low, high = (math.sqrt(max(e, 0.0)) for e in interval(found.power, spread))
    hidden = math.inf if step is None else _WIPED_BAND * step
    parts = (
        Component("noise in the stripes", (high - low) / 2 / coverage_factor(), "codes",
                  scale.percent, source="scatter"),
    )  # fmt: skip
    ends = low * scale.percent, math.hypot(max(high, value), hidden) * scale.percent
    return result(
        "dark_banding", value * scale.percent, budget=parts, evidence=_EVIDENCE, interval=ends,
        conditions={"orientation": way, **({"bound": "lower"} if step is None else {})},
    )  # fmt: skip


def _findings(
    sums: DarkSums, hot: Sequence[dark.Dot], step: float | None, scale: _Scale
) -> dict[str, Any]:
    whole = sums.histogram.sum()
    found: dict[str, Any] = {
        "hot": [[d.x, d.y, round(d.strength * scale.percent, 2)] for d in hot[:_LISTED]],
        "hot_above_percent": HOT,
        "at_black_percent": round(100 * float(sums.histogram[: scale.black + 1].sum() / whole), 2),
        "noise_percent": round(float(np.median(sums.deviation)) * scale.percent, 3),
        "duration_s": round(float(np.nanmax(sums.times) - np.nanmin(sums.times)), 2)
        if np.isfinite(sums.times).any()
        else None,
        "frames": sums.count,
    }
    if step is not None:
        found["coding_hides_below_percent"] = round(step * _WIPED * scale.percent, 2)
    return found


def _correction(sums: DarkSums, hot: Sequence[dark.Dot], scale: _Scale) -> dict[str, Any]:
    """Return the places of hot pixels for the mending of clips of this frame size."""
    if not hot or sums.stage is None:
        return {}
    return {
        "kind": "hot-pixels",
        "size": [sums.stage.width, sums.stage.height],
        "places": [[d.x, d.y, round(d.strength * scale.percent, 2)] for d in hot[:_LISTED]],
    }
