"""Slanted edges: from a region with one edge to its spread, and from there to the SFR.

ISO 12233, slanted-edge method (e-SFR): the edge is found in every row to a fraction of
a pixel and fitted with a line (a curve where the lens bends it); distances from it give
a four times oversampled edge spread; its derivative, windowed, is transformed. The
finite difference and the bins are corrected for (from memory; the values follow from
arithmetic, tests/published/mtf_analytic.csv). Everything is linear light.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.statistics import robust_spread

Floats = npt.NDArray[np.float64]

BIN = 0.25  # px
_LEAST_ROWS = 20  # at 3° they cross a pixel once (derived)
_LEAST_CONTRAST = 0.06  # (high - low) / (high + low)
_LEAST_STEP_TO_NOISE = 8.0  # below, noise bends the curve (a judgement)
_FREQUENCIES = np.arange(0.0, 1.0001, 0.005)
_HOW = "Use an edge 2° to 15° off the upright or level, 50 px long, not clipped, evenly lit."


@dataclass(frozen=True, slots=True)
class Edge:
    """A fitted edge: x over y, both in px of the region (rows and columns for upright edges).

    Attributes:
        fit: array (k,). Polynomial coefficients of x(y), highest first; y from the middle row.
        middle: The middle row.
        angle: Degrees off the upright.
        low, high: Light on both sides.
        noise: Standard deviation of single pixels on the plateaus.
    """

    fit: Floats
    middle: float
    angle: float
    low: float
    high: float
    noise: float
    rows: int

    def x(self, y: npt.ArrayLike) -> Floats:
        """Return the edge's place in rows y."""
        return np.asarray(np.polyval(self.fit, np.asarray(y, float) - self.middle))


@dataclass(frozen=True, slots=True)
class EdgeSpread:
    """An oversampled edge spread: distance in px (dark to bright) and light, 0 to 1."""

    distance: Floats
    light: Floats


@dataclass(frozen=True, slots=True)
class Sfr:
    """Spatial frequency response of one edge.

    Attributes:
        frequency, response: cy/px along the edge's normal, response 1 at 0.
        mtf50: First frequency at which the response falls to a half, cy/px.
        overshoot: Mean of over- and undershoot, % of the step.
        peak: Largest response; over 1 the picture was sharpened.
        mtf10: First frequency at which a tenth is left, cy/px.
    """

    frequency: Floats
    response: Floats
    mtf50: float
    overshoot: float
    peak: float
    mtf10: float = 1.0


def fit_edge(light: Floats, mask: npt.NDArray[np.bool_] | None = None) -> Edge:
    """Fit the one near-upright edge of a region.

    Args:
        light: array, (h, w). Linear light. Transpose for near-level edges.
        mask: bool array, (h, w). Pixels that belong to the region.

    Raises:
        CannotMeasure: Too short, too flat, too noisy, or at an angle that cannot be oversampled.
    """
    width = light.shape[1]
    inside = np.ones_like(light, bool) if mask is None else mask
    rows = np.flatnonzero(inside.sum(axis=1) >= 12)
    if len(rows) < _LEAST_ROWS:
        raise CannotMeasure(f"The edge is too short ({len(rows)} rows).", _HOW)
    slope = np.zeros_like(light)
    slope[:, 1:-1] = (light[:, 2:] - light[:, :-2]) / 2
    inner = inside.copy()
    inner[:, 1:-1] &= inside[:, 2:] & inside[:, :-2]
    inner[:, [0, -1]] = False
    slope = np.where(inner, slope, 0.0)
    sign = 1.0 if slope.sum() >= 0 else -1.0
    rising = np.clip(sign * _smooth_rows(slope), 0, None)
    fit = _first_line(rising, rows)
    middle = float(rows.mean())
    # Two passes with a window that follows the edge; the second sees it centred.
    for reach, degree in ((max(8.0, width / 5), 1), (8.0, 1), (6.0, 2)):
        found, at = _centroids(sign * slope, rows, fit, middle, reach)
        if len(found) < _LEAST_ROWS:
            raise CannotMeasure("No single straight edge runs through the region.", _HOW)
        fit = _robust_poly(at - middle, found, degree)
    angle = math.degrees(math.atan(float(np.polyval(np.polyder(fit), 0.0))))
    low, high, noise = _plateaus(light, inside, fit, middle, rows, sign)
    edge = Edge(fit, middle, angle, low, high, noise, len(rows))
    _check(edge)
    return edge


def _smooth_rows(x: Floats) -> Floats:
    out = x.copy()
    out[:, 1:-1] = (x[:, :-2] + 2 * x[:, 1:-1] + x[:, 2:]) / 4
    return out


def _first_line(rising: Floats, rows: npt.NDArray[np.intp]) -> Floats:
    peaks = rising[rows].argmax(axis=1).astype(float)
    weight = rising[rows].max(axis=1)
    keep = weight > 0.3 * np.median(weight)
    y = rows - rows.mean()
    return _robust_poly(y[keep], peaks[keep], 1)


def _robust_poly(y: Floats, x: Floats, degree: int) -> Floats:
    keep = np.ones(len(y), bool)
    fit = np.zeros(degree + 1)
    for _ in range(4):
        if keep.sum() < degree + 3:
            break
        fit = np.polyfit(y[keep], x[keep], degree)
        off = np.abs(x - np.polyval(fit, y))
        limit = max(0.15, 3.5 * robust_spread(off[keep], about=0))
        again = off <= limit
        if (again == keep).all():
            break
        keep = again
    return np.asarray(fit)


def _centroids(
    slope: Floats, rows: npt.NDArray[np.intp], fit: Floats, middle: float, reach: float
) -> tuple[Floats, Floats]:
    """Return edge places by centroid of the derivative under a window about the fit."""
    x = np.arange(slope.shape[1], dtype=float)
    centre = np.polyval(fit, rows - middle)
    offset = x[None, :] - centre[:, None]
    window = np.where(np.abs(offset) < reach, np.cos(np.pi * offset / (2 * reach)) ** 2, 0.0)
    weight = slope[rows] * window
    total = weight.sum(axis=1)
    strong = total > 0.35 * float(np.median(total)) if len(total) else np.zeros(0, bool)
    strong &= (centre > reach / 2) & (centre < slope.shape[1] - 1 - reach / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        place = (weight * x).sum(axis=1) / total
    return place[strong], rows[strong].astype(float)


def _plateaus(
    light: Floats,
    inside: npt.NDArray[np.bool_],
    fit: Floats,
    middle: float,
    rows: npt.NDArray[np.intp],
    sign: float,
) -> tuple[float, float, float]:
    y, x = np.nonzero(inside)
    d = sign * (x - np.polyval(fit, y - middle))
    values = light[y, x]
    far = max(4.0, 0.5 * float(np.abs(d).max()))
    dark, bright = values[d < -far], values[d > far]
    if len(dark) < 20 or len(bright) < 20:
        raise CannotMeasure("The region reaches too little to both sides of the edge.", _HOW)
    noise = 0.5 * (_mad(dark) + _mad(bright))
    return float(np.median(dark)), float(np.median(bright)), noise


def _mad(x: Floats) -> float:
    return robust_spread(x)


def _check(edge: Edge) -> None:
    tilt = abs(edge.angle)
    phase = edge.rows * math.tan(math.radians(tilt))
    if tilt > 40 or abs(tilt - 26.565) < 0.6 or phase < 1.0:
        raise CannotMeasure(
            f"The edge stands at {tilt:.1f}°: too few sub-pixel places are sampled.", _HOW
        )
    step = edge.high - edge.low
    if step <= 0 or step < _LEAST_CONTRAST * (edge.high + edge.low):
        raise CannotMeasure("The edge has too little contrast.", _HOW)
    if step < _LEAST_STEP_TO_NOISE * edge.noise / math.sqrt(edge.rows / 4):
        raise CannotMeasure("The edge drowns in noise.", "Give it more light, or more frames.")


def spread(light: Floats, edge: Edge, mask: npt.NDArray[np.bool_] | None = None) -> EdgeSpread:
    """Return the oversampled edge spread of a region.

    Args:
        light, mask: As for `fit_edge`.
    """
    inside = np.ones_like(light, bool) if mask is None else mask
    y, x = np.nonzero(inside)
    cosine = math.cos(math.radians(edge.angle))
    d = (x - edge.x(y)) * cosine
    if light[y, x][d > 0].mean() < light[y, x][d < 0].mean():
        d = -d
    limit = min(float(-d.min()), float(d.max()), 24.0)
    bins = int(limit / BIN)
    # Every pixel is shared between its two nearest bins, so that bins which the slant fills
    # unevenly do not pull the spread to one side.
    place = d / BIN + bins
    chosen = (place >= 0) & (place < 2 * bins)
    place, value = place[chosen], light[y, x][chosen]
    lower = np.floor(place).astype(int)
    share = place - lower
    count = np.bincount(lower, 1 - share, 2 * bins + 1) + np.bincount(
        lower + 1, share, 2 * bins + 1
    )
    total = np.bincount(lower, (1 - share) * value, 2 * bins + 1) + np.bincount(
        lower + 1, share * value, 2 * bins + 1
    )
    distance = np.asarray(np.arange(-bins, bins + 1) * BIN, np.float64)
    full = count > 0.05
    mean = np.interp(distance, distance[full], total[full] / count[full])
    scaled = np.asarray((mean - edge.low) / (edge.high - edge.low), np.float64)
    return EdgeSpread(distance, scaled)


def response(found: EdgeSpread) -> Sfr:
    """Return the SFR of an edge spread (means of several frames or edges may be handed in).

    Raises:
        CannotMeasure: The spread does not reach from dark to bright.
    """
    light = found.light
    slope = np.zeros_like(light)
    slope[1:-1] = (light[2:] - light[:-2]) / 2
    rise = _rise(found)
    if not math.isfinite(rise) or slope.sum() < 0.5:
        raise CannotMeasure("The region does not hold both sides of an edge.", _HOW)
    centre = float((found.distance * np.clip(slope, 0, None)).sum() / np.clip(slope, 0, None).sum())
    window = _flat_top(found.distance - centre, rise, found.distance)
    line = slope * window
    turn = np.exp(-2j * np.pi * np.outer(_FREQUENCIES, found.distance))
    spectrum = np.abs(turn @ line)
    # [-1, 0, 1]/2 over quarter pixels, and the triangle by which pixels are shared.
    correction = np.sinc(2 * BIN * _FREQUENCIES) * np.sinc(BIN * _FREQUENCIES) ** 2
    curve = spectrum / spectrum[0] / correction
    return Sfr(
        _FREQUENCIES, curve, _crossing(curve, 0.5), _overshoot(found, centre, rise),
        float(curve.max()), _crossing(curve, 0.1),
    )  # fmt: skip


def _rise(found: EdgeSpread) -> float:
    """10 to 90 % distance in px."""
    smooth = np.convolve(found.light, np.ones(3) / 3, "same")
    smooth[[0, -1]] = found.light[[0, -1]]
    above = np.flatnonzero(smooth >= 0.9)
    below = np.flatnonzero(smooth <= 0.1)
    if not len(above) or not len(below):
        return math.inf
    return max(BIN, float(found.distance[above[0]] - found.distance[below[-1]]))


def _flat_top(x: Floats, rise: float, distance: Floats) -> Floats:
    """Flat to 2.5 times the rise, then a cosine to 4 times: keeps the tails, drops the noise."""
    room = min(-float(distance[0]), float(distance[-1])) - BIN
    outer = min(max(4.0 * rise, 6.0), room)
    flat = min(2.5 * rise + 2.0, 0.75 * outer)
    taper = np.clip((np.abs(x) - flat) / max(outer - flat, BIN), 0, 1)
    return np.asarray(0.5 * (1 + np.cos(np.pi * taper)))


def _crossing(curve: Floats, level: float) -> float:
    below = np.flatnonzero(curve < level)
    if not len(below):
        return float(_FREQUENCIES[-1])
    i = int(below[0])
    if i == 0:
        return 0.0
    share = (curve[i - 1] - level) / (curve[i - 1] - curve[i])
    return float(_FREQUENCIES[i - 1] + share * (_FREQUENCIES[i] - _FREQUENCIES[i - 1]))


def _overshoot(found: EdgeSpread, centre: float, rise: float) -> float:
    smooth = np.convolve(found.light, np.ones(3) / 3, "same")
    x = found.distance - centre
    near = np.abs(x) < 3 * rise + 3
    far = (np.abs(x) > 3 * rise + 3) & (np.abs(x) < np.abs(x).max() - 2 * BIN)
    if far.sum() < 8:
        far = np.abs(x) > 0.7 * np.abs(x).max()
    if not (far & (x > 0)).any() or not (far & (x < 0)).any():
        raise CannotMeasure("The region reaches too little to both sides of the edge.", _HOW)
    high, low = float(found.light[far & (x > 0)].mean()), float(found.light[far & (x < 0)].mean())
    # The largest of some noisy bins lies above them all by chance.
    noise = 2.0 * float(np.std(smooth[far & (x > 0)])) if (far & (x > 0)).sum() > 3 else 0.0
    over = max(0.0, float(smooth[near].max()) - high - noise)
    under = max(0.0, low - float(smooth[near].min()) - noise)
    return 50.0 * (over + under) / max(high - low, 1e-9)
