"""What `dark` shows: the brightened picture with its hot pixels, the level over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.digits import earned
from seeworthy.ground.results import Axis, Figure, Mark, Picture, Result
from seeworthy.observe.evidence import ORANGE, canvas, encode
from seeworthy.procedures.dark.measure import Dot

_POINTS = 200  # of the line: more show nothing more (a judgement)
_RINGS = 100  # more hide the picture


@dataclass(frozen=True, slots=True)
class DarkSeen:
    """What is drawn: mean picture (codes), hot pixels, level of each frame (%), times (s)."""

    mean: npt.NDArray[np.float64]
    hot: Sequence[Dot]
    levels: npt.NDArray[np.float64]
    times: npt.NDArray[np.float64]


def sentence(results: Sequence[Result]) -> str:
    """Say it for a flyer."""
    by_name = {r.measurand: r for r in reversed(results)}
    level, hot = by_name["dark_level"], by_name["hot_pixels"]
    least = "at least " if hot.conditions.get("bound") == "lower" else ""
    dots = f"{least}{hot.value:.0f} hot pixel{'' if hot.value == 1 else 's'}"
    stands = f"stands {earned(level)} % above" if level.value > 0 else "is not above"
    text = f"Without light the picture {stands} black, with {dots}"
    growth = by_name.get("dark_growth")
    if growth is None:
        return f"{text}."
    if growth.interval[0] <= 0 <= growth.interval[1]:
        return f"{text}; its level did not change while it ran."
    sign = "+" if growth.value > 0 else ""
    return f"{text}; while it ran the level changed by {sign}{earned(growth)} % a minute."


def picture(seen: DarkSeen) -> Picture:
    """Draw the mean picture, brightened until its grain shows, with rings at hot pixels."""
    low, high = np.quantile(seen.mean, (0.01, 0.999))
    bright = (seen.mean - low) / max(float(high - low), 1.0) * 160 + 30
    drawn: Any = canvas(np.clip(bright, 0, 255).astype(np.float32))
    for dot in seen.hot[:_RINGS]:
        cv2.circle(drawn, (dot.x, dot.y), 7, ORANGE, 1, cv2.LINE_AA)
    return encode("dark.png", "The dark picture, much brightened; rings: hot pixels.", drawn)


def figure(seen: DarkSeen) -> Figure:
    """Level against time."""
    parts = np.array_split(np.arange(seen.levels.size), min(_POINTS, seen.levels.size))
    start = seen.times[0]
    columns = {
        "time": [round(float(seen.times[p].mean() - start), 2) for p in parts]
        if np.isfinite(seen.times).all()
        else [int(p[0]) for p in parts],
        "level": [round(float(seen.levels[p].mean()), 4) for p in parts],
    }
    timed = bool(np.isfinite(seen.times).all())
    return Figure(
        "dark_level",
        "Level of the dark over the clip",
        "A line that rises is a camera that warms up.",
        columns,
        Axis("time", "time in the clip" if timed else "frame", "s" if timed else ""),
        Axis("level", "level above black", "% of the range"),
        (Mark("line", y="level"),),
    )
