"""The camera's roll from a level line that the picture shows: a sea horizon, a rail set level.

Rows are read one after the other, so motion along the rows moves a level line along itself and
leaves its tilt alone: it tells the roll while uprights pass. That the line is level nobody but the
user knows; a road, a roof or a row of hills is not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.statistics import robust_spread
from seeworthy.procedures.readout.level import UPRIGHT, SpiritLevel

Doubles = npt.NDArray[np.float64]

# What is called level is so within this: far shores stand lower where they are nearer (0.1° from
# a height of 2 m), rails are set by a bubble (judgement, no source).
_LEVEL = math.radians(0.3)
_STEEPEST = 0.12  # rows per column searched: 7°
_PARTS = 32  # of the width, each looked at by itself
# So many parts must show one line (a judgement: passing posts hide some of it).
_SEEN = 0.6
_FEWEST = 2  # pictures that show it; one alone shows no scatter
_HINT = (
    "Film so that a sea horizon, or a rail set with a bubble level square to the view, runs "
    "through most of the picture's width; or give the camera's roll."
)


def level_line(pictures: Sequence[tuple[float, npt.NDArray[Any]]]) -> SpiritLevel:
    """Return the level that the longest nearly level line of the pictures shows.

    Args:
        pictures: (time, luma codes) of some frames.

    Raises:
        CannotMeasure: When fewer than two pictures show such a line.
    """
    tilts = np.array([t for _, codes in pictures if (t := _tilt(codes)) is not None])
    if len(tilts):
        middle = float(np.median(tilts))
        tilts = tilts[np.abs(tilts - middle) < math.radians(1.0)]
    if len(tilts) < max(_FEWEST, len(pictures) / 2):
        raise CannotMeasure("No line that runs level through the pictures was found.", _HINT)
    own = float(tilts.std(ddof=1))
    # Uprights stand across a level line.
    return SpiritLevel(
        -float(tilts.mean()), math.sqrt(own**2 + _LEVEL**2 + UPRIGHT**2), "a level line"
    )


def _tilt(codes: npt.NDArray[Any]) -> float | None:
    """Return the tilt of the line that most parts of the width show, rows per column."""
    height, width = codes.shape
    smooth = cv2.GaussianBlur(codes.astype(np.float32), (0, 0), 1.5)
    across = cv2.resize(smooth, (_PARTS, height), interpolation=cv2.INTER_AREA)
    slope = np.gradient(across, axis=0).T
    x = (np.arange(_PARTS) + 0.5) * width / _PARTS - width / 2
    agreed = slope / (np.abs(slope) + 2.5 * float(np.median(np.abs(slope))) + 1e-3)
    rows = np.arange(height)
    best = (0.0, 0.0, 0)
    for tilt in np.arange(-_STEEPEST, _STEEPEST, 2.0 / width):
        at = np.clip(rows[None, :] + np.rint(tilt * x).astype(int)[:, None], 0, height - 1)
        total = np.abs(np.take_along_axis(agreed, at, axis=1).sum(axis=0))
        total[: height // 20] = total[-(height // 20) :] = 0.0  # black borders are no horizon
        row = int(total.argmax())
        best = max(best, (float(total[row]), float(tilt), row))
    score, tilt, row = best
    if score < _SEEN * 0.5 * _PARTS:
        return None
    sign = np.sign(np.take_along_axis(
        agreed, np.clip(row + np.rint(tilt * x).astype(int), 0, height - 1)[:, None], axis=1
    ).sum())  # fmt: skip
    reach = np.arange(-6, 7)
    at = np.clip(np.rint(row + tilt * x).astype(int)[:, None] + reach, 0, height - 1)
    strength = np.clip(sign * np.take_along_axis(slope, at, axis=1), 0, None) ** 2
    weight = strength.sum(axis=1)
    place = (strength * at).sum(axis=1) / np.maximum(weight, 1e-9)
    good = weight > 0.1 * np.median(weight)
    for _ in range(4):
        if good.sum() < _SEEN * _PARTS:
            return None
        line = np.polyfit(x[good], place[good], 1)
        miss = np.abs(place - np.polyval(line, x))
        good = (weight > 0) & (miss < max(3 * robust_spread(miss[good], about=0), 0.5))
    return float(line[0])
