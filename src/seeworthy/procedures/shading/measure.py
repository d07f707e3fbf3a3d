"""Shading of a flat field: fall-off in stops, tint in Δu'v', hot spots.

A smooth surface is fitted to block means of the temporal mean in linear light (terms of
ISO 17957, from memory). The optical centre is where the surface is brightest; what the
lamp does is told from the lens by a second take with the camera turned by 180°: the lamp
stays, the lens turns. Colour is CIE 1976 u'v' of the picture as recorded, against its
centre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.optics.colour import XYZ_OF_RGB
from seeworthy.optics.hues import chroma_step, uv_of
from seeworthy.procedures.shading.spots import Spot, find_spot, is_centred, radial_terms
from seeworthy.procedures.shading.surface import fit_surface, robust_fit

Floats = npt.NDArray[np.float64]

_DEGREE = 6  # of the surface: r^6, as far as falls-off of lenses go (a judgement)
_FLOOR_STOPS = 0.007  # fitted on our own rendered walls (a test holds it)
_FLOOR_WORST = 0.010  # fitted on our own rendered walls
_FLOOR_UV = 0.0003  # Δu'v', fitted on our own rendered walls
_STEP_SHARE = 0.55  # of a step of chroma, fitted on our own rendered walls

# What a real fall-off differs from a polynomial: blocks within this are no outliers.
_LEAST_SCALE_STOPS = 0.004
_LEAST_SCALE_UV = 0.0002


@dataclass(frozen=True)
class MeasuredShading:
    """What a flat field tells.

    Attributes:
        corner, u_corner: Stops by which the corners are darker than the optical centre, mean of
            four.
        worst, u_worst: Darkest corner, stops.
        colour, u_colour: Largest Δu'v' against the centre, of the smooth surface.
        centre: (x, y). Optical centre in px.
        lamp: (x, y). Stops from left to right and top to bottom that turned with the scene (or,
            with one take, that cannot be told from the lens).
        stops, tint: arrays (rows, columns). Smooth fall-off (positive darker) and Δu'v' per block.
        light: Luminance at the optical centre, share of white.
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


def measure_shading(
    field: Floats, size: tuple[int, int], turned: Floats | None = None
) -> MeasuredShading:
    """Measure a flat field.

    Args:
        field: array (rows, columns, 3). Block means of linear RGB over the whole frame.
        size: (width, height). Of the frame, px.
        turned: The same with the camera turned by 180°, in the camera's own frame.

    Raises:
        CannotMeasure: Too dark, clipped, or not a flat field.
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
    fit = fit_surface(x, y, mean, _DEGREE, _LEAST_SCALE_STOPS)
    place = _brightest(x, y, fit.smooth)
    found = find_spot(uv, radial_terms(x, y, place, size[1] / size[0]), size)
    spot, bump = found if found is not None else (None, None)
    if bump is not None:
        fit = fit_surface(x, y, mean, _DEGREE, _LEAST_SCALE_STOPS, bump)
    lamp = _lamp(logs, x, y, fit.smooth)
    # With one take a slope cannot be told from a shifted lens; the mean of four corners
    # does not feel it, the worst corner does.
    tilt = (lamp[0] / 2, lamp[1] / 2) if turned is None else (0.0, 0.0)
    level = fit.smooth - tilt[0] * x - tilt[1] * y
    centre = _brightest(x, y, level)
    top = fit.at(*centre) - tilt[0] * centre[0] - tilt[1] * centre[1]
    ends = [(cx, cy) for cx in (-1, 1) for cy in (-1, 1)]
    # The truth lies between 'all of the slope is the lens' and 'none of it'.
    corners = top - np.array([fit.at(*e) - (tilt[0] * e[0] + tilt[1] * e[1]) / 2 for e in ends])
    u_corner = math.hypot(_FLOOR_STOPS, fit.u_corner)
    # Mostly it is the one or the other: the distribution between these limits is U-shaped.
    doubt = 0.0 if turned is not None else (abs(lamp[0]) + abs(lamp[1])) / 4 / math.sqrt(2)
    middle = (centre[0] + 1) / 2 * (size[0] - 1), (centre[1] + 1) / 2 * (size[1] - 1)
    if spot is not None:
        spot = replace(spot, centred=is_centred(spot.x, spot.y, middle, size[0]))
    tint = _tint(x, y, uv, centre, size[1] / size[0], bump)
    steps = [chroma_step(f) for f in fields]
    u_tint = math.hypot(_FLOOR_UV, _STEP_SHARE * float(np.mean(steps)), 0.01 * float(tint.max()))
    return MeasuredShading(
        float(corners.mean()), u_corner,
        float(corners.max()), math.hypot(_FLOOR_WORST, fit.u_corner, doubt),
        float(tint.max()), u_tint, middle, lamp, top - level, tint, spot, turned is not None,
        mean.size, float(2.0**top),
    )  # fmt: skip


def _axis(n: int) -> Floats:
    return (np.arange(n) + 0.5) / n * 2 - 1


def _luminance(field: Floats) -> Floats:
    return np.asarray(np.maximum(field @ XYZ_OF_RGB[1], 1e-6))


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
        c = robust_fit(a, uv[..., k].ravel(), _LEAST_SCALE_UV)[0][: terms.shape[1]]
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
