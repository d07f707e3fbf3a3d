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

import numpy as np
import numpy.typing as npt

from seeworthy.errors import CannotMeasure

Floats = npt.NDArray[np.float64]

_DEGREE = 6
_COLOUR_DEGREE = 4
_FLOOR_STOPS = 0.012
_FLOOR_UV = 0.0004
_LEAST_SPOT = 0.002
_SPOT_Z = 7.0

# IEC 61966-2-1: linear RGB to XYZ.
_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


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
    fit = _surface(x, y, mean, _DEGREE)
    lamp = _lamp(logs, x, y, fit.smooth)
    level = fit.smooth
    if turned is None:
        # With one take a slope cannot be told from a shifted lens; the mean of four corners
        # does not feel it, the worst corner does.
        level = level - lamp[0] / 2 * x - lamp[1] / 2 * y
    centre, top = _brightest(x, y, level)
    corners = top - np.array([fit.at(cx, cy) for cx in (-1, 1) for cy in (-1, 1)])
    if turned is None:
        slope = np.array([lamp[0] / 2 * cx + lamp[1] / 2 * cy for cx in (-1, 1) for cy in (-1, 1)])
        # The truth lies between 'all of the slope is the lens' and 'none of it'.
        corners = corners + slope / 2
    u_corner = math.hypot(_FLOOR_STOPS, fit.u_corner)
    doubt = 0.0 if turned is not None else (abs(lamp[0]) + abs(lamp[1])) / 4 / math.sqrt(3)
    uv = np.mean([_uv(f) for f in fields], axis=0)
    tint, u_tint, residual = _tint(x, y, uv, centre)
    spot = _find_spot(residual, size)
    return Shading(
        float(corners.mean()),
        u_corner,
        float(corners.max()),
        math.hypot(u_corner, doubt),
        float(tint.max()),
        math.hypot(u_tint, _FLOOR_UV + 0.01 * float(tint.max())),
        ((centre[0] + 1) / 2 * (size[0] - 1), (centre[1] + 1) / 2 * (size[1] - 1)),
        lamp,
        top - level,
        tint,
        spot,
        turned is not None,
        mean.size,
    )


def _axis(n: int) -> Floats:
    return (np.arange(n) + 0.5) / n * 2 - 1


def _luminance(field: Floats) -> Floats:
    return np.asarray(np.maximum(field @ _XYZ[1], 1e-6))


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


def _surface(x: Floats, y: Floats, z: Floats, degree: int) -> _Fit:
    """Fit a polynomial surface, robust against compact deviations (Tukey's biweight)."""
    a = _terms(x, y, degree)
    smooth, c, weight, scale = _robust(a, z.ravel())
    normal = np.linalg.pinv(a.T @ (a * weight[:, None]))
    corner = _terms(np.array([[1.0]]), np.array([[1.0]]), degree)[0]
    # Blocks next to each other share coding and wall texture: a quarter of them count.
    u = 2 * scale * math.sqrt(float(corner @ normal @ corner))
    return _Fit(smooth.reshape(z.shape), c, degree, u)


def _lamp(logs: list[Floats], x: Floats, y: Floats, smooth: Floats) -> tuple[float, float]:
    """Stops from left to right and from top to bottom."""
    source = smooth if len(logs) == 1 else (logs[0] - logs[1]) / 2
    a = np.stack([np.ones(x.size), x.ravel(), y.ravel()], axis=1)
    c = np.linalg.lstsq(a, source.ravel(), rcond=None)[0]
    return 2 * float(c[1]), 2 * float(c[2])


def _brightest(x: Floats, y: Floats, level: Floats) -> tuple[tuple[float, float], float]:
    """Place and height of the top of the surface, by a paraboloid through its upper part."""
    inner = (np.abs(x) < 0.5) & (np.abs(y) < 0.5)
    a = np.stack([np.ones(inner.sum()), x[inner], y[inner], x[inner] ** 2, y[inner] ** 2], axis=1)
    c = np.linalg.lstsq(a, level[inner], rcond=None)[0]
    cx = float(np.clip(-c[1] / (2 * c[3]), -0.4, 0.4)) if c[3] < -1e-4 else 0.0
    cy = float(np.clip(-c[2] / (2 * c[4]), -0.4, 0.4)) if c[4] < -1e-4 else 0.0
    near = np.hypot(x - cx, y - cy) < 0.12
    return (cx, cy), float(level[near].mean()) if near.any() else float(level[inner].max())


def _uv(field: Floats) -> Floats:
    xyz = np.maximum(field, 0) @ _XYZ.T
    bottom = xyz @ np.array([1.0, 15.0, 3.0])
    return np.stack([4 * xyz[..., 0] / bottom, 9 * xyz[..., 1] / bottom], axis=-1)


def _tint(
    x: Floats, y: Floats, uv: Floats, centre: tuple[float, float]
) -> tuple[Floats, float, Floats]:
    """Return Δu'v' of the smooth surface per block, u of its largest, and the residual map."""
    fits = [_surface(x, y, uv[..., k], _COLOUR_DEGREE) for k in range(2)]
    away = [f.smooth - f.at(*centre) for f in fits]
    # A lens tints along the radius; a hot spot must not be taken for that, so spots are
    # looked for against a stiffer surface.
    residual = np.stack([uv[..., k] - _radial(x, y, uv[..., k], centre) for k in range(2)], axis=-1)
    # The corners of the frame lie half a block beyond the last block's centre.
    tint = np.hypot(*away)
    tint[[0, 0, -1, -1], [0, -1, 0, -1]] = [
        math.hypot(*(f.at(cx, cy) - f.at(*centre) for f in fits))
        for cy in (-1, 1) for cx in (-1, 1)
    ]  # fmt: skip
    return np.asarray(tint), math.hypot(*(f.u_corner for f in fits)), residual


def _radial(x: Floats, y: Floats, z: Floats, centre: tuple[float, float]) -> Floats:
    r2 = (x - centre[0]) ** 2 + (0.5625 * (y - centre[1])) ** 2
    a = np.stack([np.ones(x.size), x.ravel(), y.ravel(), r2.ravel(), (r2**2).ravel()], axis=1)
    return _robust(a, z.ravel())[0].reshape(z.shape)


def _robust(a: Floats, b: Floats) -> tuple[Floats, Floats, Floats, float]:
    """Return fitted values, coefficients, weights and scale (Tukey's biweight)."""
    weight = np.ones_like(b)
    scale = 0.0
    for _ in range(10):
        root = np.sqrt(weight)
        c = np.linalg.lstsq(a * root[:, None], b * root, rcond=None)[0]
        rest = b - a @ c
        scale = 1.4826 * float(np.median(np.abs(rest))) + 1e-9
        weight = np.clip(1 - (rest / (5 * scale)) ** 2, 0, None) ** 2
    return np.asarray(a @ c, np.float64), np.asarray(c, np.float64), weight, scale


def _find_spot(residual: Floats, size: tuple[int, int]) -> Spot | None:
    """Return the strongest compact tint that stands out of the noise, None without one."""
    import cv2

    rows, columns = residual.shape[:2]
    best: Spot | None = None
    for sigma in (1.0, 2.0, 4.0):
        smooth = np.stack(
            [cv2.GaussianBlur(residual[..., k].copy(), (0, 0), sigma) for k in range(2)], axis=-1
        )
        strength = np.hypot(smooth[..., 0], smooth[..., 1])
        noise = 1.4826 * np.median(np.abs(smooth - np.median(smooth, axis=(0, 1))), axis=(0, 1))
        row, column = np.unravel_index(int(strength.argmax()), strength.shape)
        height = float(strength[row, column])
        if height < _LEAST_SPOT or height < _SPOT_Z * float(np.hypot(*noise)):
            continue
        # Compact: it falls to half within a quarter of the frame.
        above = strength > height / 2
        _, labels = cv2.connectedComponents(above.astype(np.uint8))
        area = int((labels == labels[row, column]).sum())
        if area > 0.08 * rows * columns:
            continue
        raw = float(np.hypot(*_peak(residual, int(row), int(column))))
        width = 2 * math.sqrt(area / math.pi) * size[0] / columns
        if best is None or raw > best.strength:
            best = Spot(
                (float(column) + 0.5) / columns * size[0] - 0.5,
                (float(row) + 0.5) / rows * size[1] - 0.5,
                width,
                raw,
            )
    return best


def _peak(residual: Floats, row: int, column: int) -> Floats:
    near = residual[max(0, row - 1) : row + 2, max(0, column - 1) : column + 2]
    return np.asarray(near.mean(axis=(0, 1)))
