"""Shading of a flat field: fall-off in stops, tint in Δu'v', hot spots.

A smooth surface is fitted to block means of the temporal mean in linear light (terms of
ISO 17957, from memory). The optical centre is where the surface is brightest; what the
lamp does is told from the lens by a second take with the camera turned by 180°: the lamp
stays, the lens turns. Colour is CIE 1976 u'v' of the picture as recorded, against its
centre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.statistics import robust_spread

Floats = npt.NDArray[np.float64]

_DEGREE = 6
_FLOOR_STOPS = 0.007
_FLOOR_WORST = 0.010
_FLOOR_UV = 0.0003
_STEP_SHARE = 0.55
LEAST_SPOT = 0.002
_SPOT_Z = 7.0

# What a real fall-off differs from a polynomial: blocks within this are no outliers.
_LEAST_SCALE_STOPS = 0.004
_LEAST_SCALE_UV = 0.0002

# IEC 61966-2-1: linear RGB to XYZ.
XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


@dataclass(frozen=True, slots=True)
class Spot:
    """A compact deviation: place and size (full width at half height) in px, strength Δu'v'."""

    x: float
    y: float
    size: float
    strength: float


@dataclass(frozen=True)
class Shading:
    """What a flat field tells.

    Attributes
    ----------
    corner, u_corner : float
        Stops by which the corners are darker than the optical centre, mean of four.
    worst, u_worst : float
        Darkest corner, stops.
    colour, u_colour : float
        Largest Δu'v' against the centre, of the smooth surface.
    centre : (x, y)
        Optical centre in px.
    lamp : (x, y)
        Stops from left to right and top to bottom that turned with the scene (or, with one
        take, that cannot be told from the lens).
    stops, tint : arrays, (rows, columns)
        Smooth fall-off (positive darker) and Δu'v' per block.
    spot : Spot or None
    turned : bool
    blocks : int
    light : float
        Luminance at the optical centre, share of white.
    """

    corner: float
    u_corner: float
    worst: float
    u_worst: float
    colour: float
    u_colour: float
    centre: tuple[float, float]
    lamp: tuple[float, float]
    stops: Floats
    tint: Floats
    spot: Spot | None
    turned: bool
    blocks: int
    light: float


def measure_shading(field: Floats, size: tuple[int, int], turned: Floats | None = None) -> Shading:
    """Measure a flat field.

    Parameters
    ----------
    field : array, (rows, columns, 3)
        Block means of linear RGB over the whole frame.
    size : (width, height)
        Of the frame, px.
    turned : array, same shape, optional
        The same with the camera turned by 180°, in the camera's own frame.

    Raises
    ------
    CannotMeasure
        Too dark, clipped, or not a flat field.
    """
    fields = [field] if turned is None else [field, turned]
    for f in fields:
        _check(f)
    logs = [np.log2(_luminance(f)) for f in fields]
    # In the camera's frame the lens stays and the lamp turns: the mean keeps the lens and
    # the even part of the lamp, half the difference is the lamp's odd part.
    mean = np.mean(logs, axis=0)
    rows, columns = mean.shape
    x, y = np.meshgrid(_axis(columns), _axis(rows))
    uv = np.mean([uv_of(f) for f in fields], axis=0)
    fit = _surface(x, y, mean, _DEGREE, _LEAST_SCALE_STOPS)
    place = _brightest(x, y, fit.smooth)
    found = _find_spot(uv, _radial_terms(x, y, place, size[1] / size[0]), size)
    spot, bump = found if found is not None else (None, None)
    if bump is not None:
        fit = _surface(x, y, mean, _DEGREE, _LEAST_SCALE_STOPS, bump)
    lamp = _lamp(logs, x, y, fit.smooth)
    level = fit.smooth
    if turned is None:
        # With one take a slope cannot be told from a shifted lens; the mean of four corners
        # does not feel it, the worst corner does.
        level = level - lamp[0] / 2 * x - lamp[1] / 2 * y
    centre = _brightest(x, y, level)
    top = fit.at(*centre)
    if turned is None:
        top -= lamp[0] / 2 * centre[0] + lamp[1] / 2 * centre[1]
    corners = top - np.array([fit.at(cx, cy) for cx in (-1, 1) for cy in (-1, 1)])
    if turned is None:
        slope = np.array([lamp[0] / 2 * cx + lamp[1] / 2 * cy for cx in (-1, 1) for cy in (-1, 1)])
        # The truth lies between 'all of the slope is the lens' and 'none of it'.
        corners = corners + slope / 2
    u_corner = math.hypot(_FLOOR_STOPS, fit.u_corner)
    # Mostly it is the one or the other: the distribution between these limits is U-shaped.
    doubt = 0.0 if turned is not None else (abs(lamp[0]) + abs(lamp[1])) / 4 / math.sqrt(2)
    tint = _tint(x, y, uv, centre, size[1] / size[0], bump)
    steps = [chroma_step(f) for f in fields]
    u_tint = math.hypot(_FLOOR_UV, _STEP_SHARE * float(np.mean(steps)), 0.01 * float(tint.max()))
    return Shading(
        float(corners.mean()),
        u_corner,
        float(corners.max()),
        math.hypot(_FLOOR_WORST, fit.u_corner, doubt),
        float(tint.max()),
        u_tint,
        ((centre[0] + 1) / 2 * (size[0] - 1), (centre[1] + 1) / 2 * (size[1] - 1)),
        lamp,
        top - level,
        tint,
        spot,
        turned is not None,
        mean.size,
        float(2.0**top),
    )


def _axis(n: int) -> Floats:
    return (np.arange(n) + 0.5) / n * 2 - 1


def _luminance(field: Floats) -> Floats:
    return np.asarray(np.maximum(field @ XYZ[1], 1e-6))


def _check(field: Floats) -> None:
    light = _luminance(field)
    if float(np.median(light)) < 0.01:
        raise CannotMeasure(
            "The picture is too dark for its shading.", "Film a bright white wall or overcast sky."
        )
    if float(np.mean(field.max(axis=2) > 0.98)) > 0.01:
        raise CannotMeasure(
            "Part of the picture is clipped.", "Use less light or a grey surface; mid-grey is best."
        )
    fine = np.log2(light)
    step = np.abs(np.diff(fine, axis=1)).max(), np.abs(np.diff(fine, axis=0)).max()
    if max(step) > 0.5:
        raise CannotMeasure(
            "This is not an even surface: something stands in the picture.",
            "Film a plain white wall, an overcast sky, or through a sheet of paper on the lens.",
        )


@dataclass(frozen=True)
class _Fit:
    smooth: Floats
    coefficients: Floats
    degree: int
    u_corner: float

    def at(self, x: float, y: float) -> float:
        terms = _terms(np.array([[float(x)]]), np.array([[float(y)]]), self.degree)
        return float((terms @ self.coefficients)[0])


def _terms(x: Floats, y: Floats, degree: int) -> Floats:
    columns = [(x**i * y**j).ravel() for i in range(degree + 1) for j in range(degree + 1 - i)]
    return np.stack(columns, axis=1)


def _surface(
    x: Floats, y: Floats, z: Floats, degree: int, least_scale: float, bump: Floats | None = None
) -> _Fit:
    """Fit a polynomial surface, robust against compact deviations (Tukey's biweight).

    A hot spot's shape is fitted along as `bump` and left out of the surface.
    """
    terms = _terms(x, y, degree)
    a = terms if bump is None else np.column_stack([terms, bump])
    c, weight, scale = _robust(a, z.ravel(), least_scale)
    c = c[: terms.shape[1]]
    normal = np.linalg.pinv(terms.T @ (terms * weight[:, None]))
    corner = _terms(np.array([[1.0]]), np.array([[1.0]]), degree)[0]
    # Blocks next to each other share coding and wall texture: a quarter of them count.
    u = 2 * scale * math.sqrt(float(corner @ normal @ corner))
    return _Fit(np.asarray((terms @ c).reshape(z.shape)), c, degree, u)


def _lamp(logs: list[Floats], x: Floats, y: Floats, smooth: Floats) -> tuple[float, float]:
    """Stops from left to right and from top to bottom."""
    source = smooth if len(logs) == 1 else (logs[0] - logs[1]) / 2
    a = np.stack([np.ones(x.size), x.ravel(), y.ravel()], axis=1)
    c = np.linalg.lstsq(a, source.ravel(), rcond=None)[0]
    return 2 * float(c[1]), 2 * float(c[2])


def _brightest(x: Floats, y: Floats, level: Floats) -> tuple[float, float]:
    """Place of the top of the surface, by a paraboloid through its upper part."""
    inner = (np.abs(x) < 0.5) & (np.abs(y) < 0.5)
    a = np.stack([np.ones(inner.sum()), x[inner], y[inner], x[inner] ** 2, y[inner] ** 2], axis=1)
    c = np.linalg.lstsq(a, level[inner], rcond=None)[0]
    cx = float(np.clip(-c[1] / (2 * c[3]), -0.4, 0.4)) if c[3] < -1e-4 else 0.0
    cy = float(np.clip(-c[2] / (2 * c[4]), -0.4, 0.4)) if c[4] < -1e-4 else 0.0
    return cx, cy


def uv_of(field: Floats) -> Floats:
    """Return CIE 1976 u', v' of linear RGB, (..., 2) of (..., 3)."""
    xyz = np.maximum(field, 0) @ XYZ.T
    bottom = xyz @ np.array([1.0, 15.0, 3.0])
    return np.stack([4 * xyz[..., 0] / bottom, 9 * xyz[..., 1] / bottom], axis=-1)


def _tint(
    x: Floats, y: Floats, uv: Floats, centre: tuple[float, float], tall: float, bump: Floats | None
) -> Floats:
    """Return Δu'v' of the smooth surface per block, at the frame's corners in the corner blocks.

    Colour differences are coded coarsely: in a dark corner one step of a chroma code is
    several thousandths of Δu'v', and an encoder draws terraces. A surface of few terms goes
    through the terraces instead of along them.
    """
    terms = _tint_terms(x, y, centre, tall)
    a = terms if bump is None else np.column_stack([terms, bump])
    # The frame's corners lie half a block beyond the last block's centre.
    ends = np.array([(cx, cy) for cy in (-1.0, 1.0) for cx in (-1.0, 1.0)] + [centre])
    at_ends = _tint_terms(ends[:, 0], ends[:, 1], centre, tall)
    tint: Floats = np.zeros(x.size)
    corners: Floats = np.zeros(4)
    for k in range(2):
        c = _robust(a, uv[..., k].ravel(), _LEAST_SCALE_UV)[0][: terms.shape[1]]
        far = at_ends @ c
        tint, corners = np.hypot(tint, terms @ c - far[4]), np.hypot(corners, far[:4] - far[4])
    tint = tint.reshape(x.shape)
    tint[[0, 0, -1, -1], [0, -1, 0, -1]] = corners
    return np.asarray(tint)


def _tint_terms(x: Floats, y: Floats, centre: tuple[float, float], tall: float) -> Floats:
    """Plane, bowl in any direction, and the cube of the distance from the optical centre."""
    across, down = (x - centre[0]).ravel(), (tall * (y - centre[1])).ravel()
    cube = np.hypot(across, down) ** 3
    return np.stack(
        [np.ones_like(across), across, down, across**2, across * down, down**2, cube], axis=1
    )


def chroma_step(field: Floats) -> float:
    """Return how far, Δu'v', half a step of both 8-bit chroma codes moves the darkest corner.

    BT.709-6: red and blue move by 1.5748 and 1.8556 of a chroma step, coded in 224 steps.
    """
    corners = np.array([field[:2, :2], field[:2, -2:], field[-2:, :2], field[-2:, -2:]])
    rgb = corners.mean(axis=(1, 2))
    dark = np.maximum(rgb[int(np.argmin(rgb.sum(axis=1)))], 1e-4)
    signal = 1.099 * np.maximum(dark, 0.018) ** 0.45 - 0.099
    step = np.array([1.5748, 0.0, 1.8556]) / 224 * dark / (0.45 * (signal + 0.099))
    here = uv_of(dark[None])[0]
    return float(
        math.hypot(*(np.hypot(*(uv_of((dark + 0.5 * s)[None])[0] - here)) for s in np.diag(step)))
    )


def _radial_terms(x: Floats, y: Floats, centre: tuple[float, float], tall: float) -> Floats:
    r2 = (x - centre[0]) ** 2 + (tall * (y - centre[1])) ** 2
    columns = [np.ones(x.size), x.ravel(), y.ravel(), r2.ravel(), (r2**2).ravel()]
    return np.stack(columns, axis=1)


def _robust(a: Floats, b: Floats, least_scale: float) -> tuple[Floats, Floats, float]:
    """Return coefficients, weights and scale (Tukey's biweight).

    Residuals are weighed against their scale, but never against less than `least_scale`.
    """
    weight = np.ones_like(b)
    scale = 0.0
    for _ in range(10):
        root = np.sqrt(weight)
        c = np.linalg.lstsq(a * root[:, None], b * root, rcond=None)[0]
        rest = b - a @ c
        scale = robust_spread(rest, about=0) + 1e-9
        weight = np.clip(1 - (rest / (5 * max(scale, least_scale))) ** 2, 0, None) ** 2
    return np.asarray(c, np.float64), weight, scale


def _find_spot(uv: Floats, terms: Floats, size: tuple[int, int]) -> tuple[Spot, Floats] | None:
    """Return the strongest compact tint that stands out of the noise and its shape, or None.

    A lens tints along the radius; a hot spot must not be taken for that, so spots are looked
    for against a stiff surface, the combination of `terms`.
    """
    rows, columns = uv.shape[:2]
    smooth = [terms @ _robust(terms, uv[..., k].ravel(), 0.0)[0] for k in range(2)]
    place = _strongest(uv - np.stack(smooth, axis=-1).reshape(uv.shape))
    if place is None:
        return None
    row, column, area = place
    x, y, sigma, strength = _fit_spot(uv, terms, row, column, math.sqrt(area / math.pi) / 1.18)
    half = 1.18 * sigma
    if not (half < x + 0.5 < columns - half and half < y + 0.5 < rows - half):
        return None  # not seen whole: it cannot be told from the tint of a corner
    scale = (size[0] / columns, size[1] / rows)
    spot = Spot(
        (x + 0.5) * scale[0] - 0.5, (y + 0.5) * scale[1] - 0.5, 2.355 * sigma * scale[0], strength
    )
    return spot, _bump(rows, columns, x, y, sigma)


def _strongest(residual: Floats) -> tuple[int, int, int] | None:
    """Return row, column and area in blocks of the spot that stands out most."""
    rows, columns = residual.shape[:2]
    best: tuple[float, tuple[int, int, int]] | None = None
    for sigma in (1.0, 2.0, 4.0):
        smooth = np.stack(
            [cv2.GaussianBlur(residual[..., k].copy(), (0, 0), sigma) for k in range(2)], axis=-1
        )
        strength = np.hypot(smooth[..., 0], smooth[..., 1])
        noise = np.array([robust_spread(smooth[..., k]) for k in range(2)])
        row, column = (int(i) for i in np.unravel_index(int(strength.argmax()), strength.shape))
        height = float(strength[row, column])
        if height < LEAST_SPOT or height < _SPOT_Z * float(np.hypot(*noise)):
            continue
        # Compact: it falls to half within a quarter of the frame.
        _, labels = cv2.connectedComponents((strength > height / 2).astype(np.uint8))
        area = int((labels == labels[row, column]).sum())
        if area > 0.08 * rows * columns:
            continue
        if best is None or height > best[0]:
            best = height, (row, column, area)
    return None if best is None else best[1]


def _fit_spot(
    uv: Floats, terms: Floats, row: int, column: int, sigma: float
) -> tuple[float, float, float, float]:
    """Fit a round Gaussian on the stiff surface: x, y, sigma in blocks, height in Δu'v'."""
    rows, columns = uv.shape[:2]
    seen = uv.reshape(-1, 2)

    def fitted(p: Floats) -> tuple[Floats, Floats]:
        a = np.column_stack([terms, _bump(rows, columns, p[0], p[1], p[2])])
        c = np.linalg.lstsq(a, seen, rcond=None)[0]
        return a @ c - seen, c[-1]

    low = (column - 4.0, row - 4.0, 0.4)
    high = (column + 4.0, row + 4.0, 0.25 * columns)
    start = (float(column), float(row), float(np.clip(sigma, 0.6, 0.2 * columns)))
    found = least_squares(
        lambda p: fitted(p)[0].ravel(), start, bounds=(low, high), x_scale=(1.0, 1.0, 1.0),
        diff_step=1e-3,
    )  # fmt: skip
    height = fitted(found.x)[1]
    return float(found.x[0]), float(found.x[1]), float(found.x[2]), float(np.hypot(*height))


def _bump(rows: int, columns: int, x: float, y: float, sigma: float) -> Floats:
    """Return a round Gaussian of height 1 at every block, (rows · columns,)."""
    down, across = np.mgrid[:rows, :columns]
    return np.asarray(np.exp(-((across - x) ** 2 + (down - y) ** 2) / (2 * sigma**2)).ravel())
