"""What `noise` shows: the sentence, the picture with the patches, SNR against light."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np

from seeworthy.ground.digits import bound_of, earned, said_result
from seeworthy.ground.results import Axis, Figure, Mark, Picture, Result
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.observe.evidence import BLUE, canvas, draw_outline, encode
from seeworthy.observe.noise_frames import NoiseFrames
from seeworthy.procedures.noise.curve import AtGrey
from seeworthy.procedures.noise.levels import Levels


def sentence(results: Sequence[Result]) -> str:
    """Say it for a flyer."""
    parts = []
    snr = next((r for r in results if r.measurand == "snr_18"), None)
    if snr is not None:
        word = (
            "clean" if snr.value >= 38 else "a little grain" if snr.value >= 28
            else "clear grain" if snr.value >= 20 else "coarse grain"
        )  # fmt: skip
        least = "at least " if "bound" in snr.conditions and not bound_of(snr) else ""
        shown = said_result(snr)
        parts.append(f"mid-grey has {least}{shown} of signal over noise ({word})")
    span = next((r for r in results if r.measurand == "dynamic_range"), None)
    if span is not None and "bound" in span.conditions:
        parts.append(
            f"at least {earned(span)} stops lie between white and the darkest step that stands "
            "out of its noise"
        )
    elif span is not None:
        parts.append(f"from white down to where noise drowns it are {said_result(span)}")
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}."


def picture(watcher: NoiseFrames, levels: Levels) -> Picture:
    """Draw the patches on the mean of the frames."""
    drawn: Any = canvas(watcher.mean())
    named = len(levels.boxes) == len(levels.luminance)
    for i, (x, y, w, h) in enumerate(levels.boxes):
        corners = np.array([[x, y], [x + w - 1, y], [x + w - 1, y + h - 1], [x, y + h - 1]])
        draw_outline(drawn, corners, BLUE, 2 if named else 1)
        if named:
            level = levels.luminance[i]
            text = f"{20 * math.log10(level.signal / level.temporal):.0f} dB"
            at = (x + 3, y + h - 6)
            for colour, width in (((0, 0, 0), 3), ((255, 255, 255), 1)):
                cv2.putText(
                    drawn, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.42, colour, width, cv2.LINE_AA
                )
    words = "with signal over noise of each" if named else "tiles that are flat and still"
    return encode("patches.png", f"Where noise was measured, {words}.", drawn)


def figure(levels: Levels, at: AtGrey | None) -> Figure:
    """SNR against light, with band, and 18 % grey marked."""
    columns: dict[str, list[Any]] = {
        name: [] for name in ("light", "snr", "low", "high", "with_pattern")
    }
    for level in sorted(levels.luminance, key=lambda v: v.signal):
        value = 20 * math.log10(level.signal / level.temporal)
        half = coverage_factor() * 20 / math.log(10) * level.u_temporal / level.temporal
        columns["light"].append(round(100 * level.signal, 3))
        columns["snr"].append(round(value, 2))
        columns["low"].append(round(value - half, 2))
        columns["high"].append(round(value + half, 2))
        columns["with_pattern"].append(round(20 * math.log10(level.signal / level.total), 2))
    marks = [
        Mark("band", low="low", high="high"),
        Mark("line", y="snr", label="over time"),
        Mark("points", y="with_pattern", label="with the fixed pattern"),
    ]
    if at is not None:
        marks.append(Mark("rule", value=round(100 * at.signal, 2), across="x", label="18 % grey"))
    return Figure(
        "snr",
        "Signal over noise against light",
        "Higher is cleaner; the darks have less light and therefore more grain.",
        columns,
        Axis("light", "light in the picture", "% of full scale", "log"),
        Axis("snr", "signal over noise", "dB"),
        tuple(marks),
    )
