"""An upright edge that passes: thin bands of rows kept while it moves, and its profile.

Bands of four rows are short enough that the rolling shutter's lean and the tilt of the
edge do not blur them; the edge is found in every band, a line through the bands takes the
lean out, and the bands together then sample the edge several times per pixel.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.statistics import robust_spread
from seeworthy.media.frames import FrameView, Observer, Stage

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

BANDS = 32  # over the height, each the mean of so many rows, which a lean does not blur
ROWS = 4  # of a band: at 5° an edge moves by a third of a pixel over them (derived)
BIN = 0.25
"""Step of the profiles, px."""

_MOST = 240  # frames with motion: memory
_COARSE = 12.0  # px, of the Gaussian that finds edges: wider than the blur that is measured
_REACH = 120  # px to either side of an edge: the longest smear with its levels beside it
_LEAST_STEP = 0.05  # linear light: a weaker edge drowns in noise (a judgement)


class EdgeWatch(Observer):
    """Observer that keeps thin bands of a clip, in linear light.

    Args:
        to_linear: ``Stage -> (codes -> linear light)``.
        moving: Keep frames only while something moves; else keep the first ones.

    Attributes:
        frames: list of float32 arrays, (bands, W)
        picture: Luma of a kept frame from the middle of the pass, for evidence.
    """

    def __init__(
        self, to_linear: Callable[[Stage], Callable[[Any], Floats]], *, moving: bool
    ) -> None:
        self.stage: Stage | None = None
        self.frames: list[Floats] = []
        self.seconds: list[float] = []
        self.picture: npt.NDArray[np.uint8] | None = None
        self.rows: Doubles = np.zeros(0)
        self.looked = 0
        self._to_linear = to_linear
        self._moving = moving
        self._last: tuple[float, Floats] | None = None
        self._still = 0.0

    def begin(self, stage: Stage) -> None:
        """Choose the rows."""
        self.stage = stage
        self._linear = self._to_linear(stage)
        count = min(BANDS, stage.height // (2 * ROWS))
        first = np.linspace(0, stage.height - ROWS, count).astype(int)
        self._first = first
        self.rows = first + (ROWS - 1) / 2 - (stage.height - 1) / 2

    def frame(self, view: FrameView) -> bool | None:
        """Keep the bands of a frame in which something moved."""
        self.looked += 1
        if view.corrupt or view.seconds is None:
            self._last = None
            return None
        luma = view.luma
        bands = np.stack([self._linear(luma[r : r + ROWS]).mean(axis=0) for r in self._first])
        bands = np.asarray(bands, np.float32)
        if not self._moving:
            self._keep(view.seconds, bands, luma)
            return len(self.frames) < 40
        if self._last is not None:
            before, kept = self._last
            if _moved(kept, bands):
                if not self.seconds or self.seconds[-1] < before:
                    self._keep(before, kept, luma)
                self._keep(view.seconds, bands, luma)
        self._last = view.seconds, bands
        return len(self.frames) < _MOST

    def _keep(self, seconds: float, bands: Floats, luma: npt.NDArray[Any]) -> None:
        self.frames.append(bands)
        self.seconds.append(seconds)
        if len(self.frames) % 8 == 1:
            assert self.stage is not None
            self.picture = np.asarray(luma >> (self.stage.bits - 8), np.uint8).copy()


def _moved(a: Floats, b: Floats) -> bool:
    """Tell whether an edge moved: some columns changed far more than the rest."""
    change = np.abs(cv2.blur(b - a, (5, 1))).mean(axis=0)
    return float(np.quantile(change, 0.995)) > max(0.02, 4 * float(np.median(change)))


@dataclass(frozen=True)
class EdgeLine:
    """An upright edge in one frame.

    Attributes:
        x: Where it crosses mid-height, px.
        lean: array (3,). Polynomial over the row from mid-height, highest first; the last is `x`.
        sign: +1 dark to bright from left to right.
        low, high: Light of both plateaus.
        at, light: Profile: distance from the edge (px, step `BIN`) and light from 0 to 1, rising.
        noise: Scatter of the profile's samples.
    """

    frame: int
    x: float
    lean: Doubles
    sign: int
    low: float
    high: float
    at: Doubles
    light: Doubles
    noise: float
    bands: int


def find_lines(bands: Floats, rows: Doubles, frame: int = 0) -> list[EdgeLine]:
    """Find the upright edges of one frame.

    Args:
        bands: Linear light.
        rows: (B,) array. Row of each band from mid-height.
    """
    slope = _slope(bands)
    tracks = _chains(slope, rows)
    places = sorted(float(np.polyval(c, 0.0)) for c, _ in tracks)
    found = []
    for coefficients, sign in tracks:
        x = float(np.polyval(coefficients, 0.0))
        gaps = [abs(x - p) for p in places if abs(x - p) > 1e-9]
        reach = min([_REACH, *(0.5 * g - 2 for g in gaps)])
        line = _profile(bands, rows, coefficients, sign, int(reach), frame)
        if line is not None:
            found.append(line)
    return found


def _slope(bands: Floats) -> Floats:
    half = int(3 * _COARSE)
    u = np.arange(-half, half + 1, dtype=np.float32)
    kernel = u * np.exp(-0.5 * (u / _COARSE) ** 2)
    kernel /= np.sum(u * kernel)
    out = cv2.filter2D(bands, cv2.CV_32F, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)


def _chains(slope: Floats, rows: Doubles) -> list[tuple[Doubles, int]]:
    """Return line coefficients and sign of what goes through most bands, strongest first."""
    count, width = slope.shape
    least = max(0.4 * float(np.abs(slope).max()), _LEAST_STEP / (4 * _COARSE))
    found: list[tuple[float, Doubles, int]] = []
    for sign in (1, -1):
        signed = sign * slope
        peaks = [_peaks(row, least) for row in signed]
        used = [np.zeros(len(p), bool) for p in peaks]
        for seed in range(len(peaks[count // 2])):
            if used[count // 2][seed]:
                continue
            picks = _follow(peaks, used, count // 2, seed)
            if len(picks) < 0.6 * count:
                continue
            at = np.array([b for b, _ in picks])
            x = np.array([v for _, v in picks])
            c = np.polyfit(rows[at], x, 2 if len(at) > 8 else 1)
            good = np.abs(np.polyval(c, rows[at]) - x) < 6
            if good.sum() < 0.5 * count:
                continue
            c = np.polyfit(rows[at][good], x[good], 2 if good.sum() > 8 else 1)
            found.append((float(np.interp(c[-1], np.arange(width), signed.mean(axis=0))), c, sign))
    found.sort(key=lambda item: -item[0])
    return [(c, s) for _, c, s in found]


def _peaks(row: Floats, least: float) -> Doubles:
    inner = row[1:-1]
    top = (inner >= row[:-2]) & (inner > row[2:]) & (inner > least)
    return np.flatnonzero(top).astype(float) + 1


def _follow(
    peaks: list[Doubles], used: list[npt.NDArray[np.bool_]], middle: int, seed: int
) -> list[tuple[int, float]]:
    """Follow a peak from the middle band to both ends."""
    picks = [(middle, float(peaks[middle][seed]))]
    used[middle][seed] = True
    for step in (-1, 1):
        x, drift, b = picks[0][1], 0.0, middle + step
        while 0 <= b < len(peaks):
            if len(peaks[b]):
                miss = np.abs(peaks[b] - x - drift)
                k = int(miss.argmin())
                if miss[k] < 12 and not used[b][k]:
                    used[b][k] = True
                    drift = 0.7 * drift + 0.3 * (float(peaks[b][k]) - x)
                    x = float(peaks[b][k])
                    picks.append((b, x))
            b += step
    return sorted(picks)


def _profile(
    bands: Floats, rows: Doubles, start: Doubles, sign: int, reach: int, frame: int
) -> EdgeLine | None:
    """Refine the line and gather the bands along it into one fine profile."""
    width = bands.shape[1]
    places = np.polyval(start, rows)
    reach = int(min(reach, places.min() - 3, width - 4 - places.max()))
    if reach < 10:
        return None
    c, usable = start, np.ones(len(rows), bool)
    for _ in range(4):
        x, light = _gather(bands, np.asarray(np.polyval(c, rows)), reach, sign)
        mean = _binned(x[usable], light[usable], reach)
        if mean is None:
            return None
        grid, profile = mean
        low, high = _plateaus(grid, profile, reach)
        if high - low < _LEAST_STEP:
            return None
        shift = _shifts(grid, profile, x, light)
        centre = _crossing(grid, profile, (low + high) / 2)
        # A falling edge is looked at from behind: its distances are mirrored.
        offset = np.polyval(c, rows) + sign * (shift + centre)
        scatter = np.abs(shift - np.median(shift))
        usable = scatter < max(0.5, 4 * robust_spread(shift))
        if usable.sum() < 0.5 * len(rows):
            return None
        c = np.polyfit(rows[usable], offset[usable], min(2, len(start) - 1))
    x, light = _gather(bands, np.asarray(np.polyval(c, rows)), reach, sign)
    x, light = x[usable], light[usable]
    mean = _binned(x, light, reach)
    if mean is None:
        return None
    grid, profile = mean
    low, high = _plateaus(grid, profile, reach)
    noise = float(np.std(light - np.interp(x, grid, profile))) / (high - low)
    return EdgeLine(
        frame, float(c[-1]), np.asarray(c), sign, low, high, grid,
        np.asarray((profile - low) / (high - low)), noise, int(usable.sum()),
    )  # fmt: skip


def _gather(bands: Floats, places: Doubles, reach: int, sign: int) -> tuple[Doubles, Doubles]:
    """Return distances from the edge and light, each (B, 2·reach), the edge rising."""
    first = np.rint(places).astype(int) - reach
    columns = first[:, None] + np.arange(2 * reach + 1)
    light = np.take_along_axis(bands, np.clip(columns, 0, bands.shape[1] - 1), axis=1)
    x: Doubles = np.asarray(columns - places[:, None], np.float64)
    if sign < 0:
        return -x[:, ::-1], light[:, ::-1].astype(float)
    return x, light.astype(float)


def _binned(x: Doubles, light: Doubles, reach: int) -> tuple[Doubles, Doubles] | None:
    """Return the mean profile at steps of `BIN`, gaps bridged."""
    n = int((reach - 1) / BIN)
    index = np.rint(x / BIN).astype(int) + n
    inside = (index >= 0) & (index <= 2 * n)
    total = np.bincount(index[inside], light[inside], 2 * n + 1)
    count = np.bincount(index[inside], minlength=2 * n + 1)
    place = np.bincount(index[inside], x[inside], 2 * n + 1)
    full = count > 0
    if full.sum() < 0.4 * n:  # less than about one sample per pixel
        return None
    grid = (np.arange(2 * n + 1) - n) * BIN
    # Samples of a bin sit off its middle by a known mean: interpolate from where they are.
    mean = np.interp(grid, place[full] / count[full], total[full] / count[full])
    return np.asarray(grid, np.float64), np.asarray(mean, np.float64)


def _plateaus(grid: Doubles, profile: Doubles, reach: int) -> tuple[float, float]:
    outer = max(4.0, 0.2 * reach)
    return (
        float(np.median(profile[grid < grid[0] + outer])),
        float(np.median(profile[grid > grid[-1] - outer])),
    )


def _crossing(grid: Doubles, profile: Doubles, level: float) -> float:
    """Return the crossing of a level nearest to the middle."""
    above = profile >= level
    flips = np.flatnonzero(above[1:] & ~above[:-1])
    if not len(flips):
        return 0.0
    k = flips[np.abs(grid[flips]).argmin()]
    a, b = profile[k], profile[k + 1]
    return float(grid[k] + BIN * (level - a) / (b - a))


def _shifts(grid: Doubles, profile: Doubles, x: Doubles, light: Doubles) -> Doubles:
    """Return by how much each band's edge lies right of the mean profile's (rising frame)."""
    smooth = np.asarray(cv2.GaussianBlur(profile[None, :], (0, 0), 2 / BIN / 2))[0]
    slope = np.gradient(smooth, BIN)
    model = np.interp(x, grid, profile)
    steep = np.interp(x, grid, slope)
    shift = np.sum(steep * (model - light), axis=1) / np.maximum(np.sum(steep**2, axis=1), 1e-12)
    return np.asarray(np.clip(shift, -3, 3), np.float64)
