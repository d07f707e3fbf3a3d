"""Small coloured objects on black cloth, seen by a good still camera and by a washed-out one.

Paints are reflectance spectra, the lamp is a black body, both cameras integrate spectra: the
good one with the CIE 1931 observer (the analytic fit of Wyman, Sloan and Shirley 2013, J.
Comput. Graph. Tech. 2(2), from memory), the small one with three bell-shaped sensitivities
and its maker's matrix, which never quite makes up for them. What each camera gets of each
paint is known before anything is drawn; nothing here is shared with the measures.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.virtual.coders import record
from seeworthy.virtual.optics import Sensor, develop, encode_tone

Array = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]

WAVES = np.arange(400.0, 701.0, 10.0)
WIDTH_MM, HEIGHT_MM = 320.0, 180.0
CLOTH, PRINT = 0, 1
"""Paints that are no object: the black cloth, and dark print on objects."""

# IEC 61966-2-1: linear RGB to XYZ (the virtual side's own copy of the standard).
_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
_LUMA = _XYZ[1]


def _bell(at: float, below: float, above: float) -> Array:
    spread = np.where(at > WAVES, below, above)
    return np.asarray(np.exp(-0.5 * ((WAVES - at) / spread) ** 2))


def observer() -> Array:
    """Return the CIE 1931 colour matching functions, (31, 3)."""
    x = 1.056 * _bell(599.8, 37.9, 31.0) + 0.362 * _bell(442.0, 16.0, 26.7)
    x = x - 0.065 * _bell(501.1, 20.4, 26.2)
    y = 0.821 * _bell(568.8, 46.9, 40.5) + 0.286 * _bell(530.9, 16.3, 31.1)
    z = 1.217 * _bell(437.0, 11.8, 36.0) + 0.681 * _bell(459.0, 26.0, 13.8)
    return np.stack([x, y, z], axis=1)


def lamp(kelvin: float = 6500.0) -> Array:
    """Return the spectrum of a black body (Planck), (31,), 1 at 560 nm."""
    metres = WAVES * 1e-9
    light = metres**-5 / np.expm1(0.0143877 / (metres * kelvin))
    return np.asarray(light / light[16])


def random_paints(rng: np.random.Generator, count: int) -> Array:
    """Return `count` reflectance spectra, (count, 31): dyes with one or two flanks, some greys."""
    paints = []
    for i in range(count):
        low, high = rng.uniform(0.05, 0.22), rng.uniform(0.3, 0.75)
        if i % 8 == 0:
            paints.append(np.full(WAVES.size, low + rng.uniform(0.05, 0.55)))
            continue
        width = rng.uniform(12.0, 30.0)
        shape = _flank(rng.uniform(480, 620), width)
        if i % 4 == 1:  # a band: greens and blues
            centre, half = rng.uniform(440, 560), rng.uniform(35, 60)
            shape = _flank(centre - half, width) * (1 - _flank(centre + half, width))
        elif i % 4 == 2:  # a gap: purples, pinks
            centre, half = rng.uniform(500, 570), rng.uniform(25, 50)
            shape = 1 - _flank(centre - half, width) * (1 - _flank(centre + half, width))
        paints.append(low + (high - low) * shape)
    return np.array(paints)


def _flank(at: float, width: float) -> Array:
    return np.asarray(1 / (1 + np.exp(-(WAVES - at) / width * 1.8)))


@dataclass(frozen=True, slots=True)
class SmallCamera:
    """What the camera under test makes of a spectrum.

    Attributes:
        saturation: 1 keeps the maker's colours, 0 is grey.
        white: (red, blue). Gains of the white balance that are left over, against green.
        exposure: Linear gain against the reference.
        flare: Veiling light added everywhere, linear.
        peaks: (red, green, blue) in nm
    """

    saturation: float = 0.6
    white: tuple[float, float] = (1.0, 1.0)
    exposure: float = 1.0
    flare: float = 0.0
    peaks: tuple[float, float, float] = (598.0, 538.0, 457.0)

    def linear(self, paints: Array, kelvin: float = 6500.0) -> Array:
        """Return linear RGB of spectra, (n, 3), not clipped.

        Args:
            paints: array, (n, 31)
            kelvin: The lamp that shines; the camera takes one of 6500 K for white.
        """
        eyes = np.stack(
            [_bell(p, w, w) for p, w in zip(self.peaks, (33.0, 38.0, 27.0), strict=True)], axis=1
        )
        white = lamp(6500.0) @ eyes
        seen = (paints * lamp(kelvin)) @ eyes / white
        grey = (1 - self.saturation) * np.outer(np.ones(3), _LUMA)
        made = seen @ self._makers(eyes).T @ (self.saturation * np.eye(3) + grey).T
        gains = np.array([self.white[0], 1.0, self.white[1]])
        return np.asarray(made * gains * self.exposure + self.flare)

    def _makers(self, eyes: Array) -> Array:
        """Return the maker's matrix: best for many paints, with white kept white."""
        training = random_paints(np.random.default_rng(99), 160)
        seen = (training * lamp()) @ eyes / (lamp() @ eyes)
        matrix = np.linalg.lstsq(seen, good_linear(training), rcond=None)[0].T
        return np.asarray(matrix / matrix.sum(axis=1, keepdims=True))


def good_linear(paints: Array) -> Array:
    """Return linear BT.709 RGB as a colorimetric camera records spectra, (n, 3), white balanced."""
    cmf = observer()
    rgb = (paints * lamp(6500.0)) @ cmf @ np.linalg.inv(_XYZ).T
    white = lamp(6500.0) @ cmf @ np.linalg.inv(_XYZ).T
    return np.asarray(rgb / white)


@dataclass(frozen=True, slots=True)
class Thing:
    """One object: its outline in mm, its paint, its middle."""

    outline: tuple[tuple[float, float], ...]
    paint: int
    middle: tuple[float, float]


@dataclass(frozen=True)
class ObjectTable:
    """Objects on the cloth.

    Attributes:
        things: Drawn in order; print and lint come after the objects.
        paints: array, (n, 31). Paint 0 is the cloth, 1 the print on objects.
        slope: (x, y). Change of the light across and down the table, share from edge to edge.
    """

    things: Sequence[Thing]
    paints: Array
    slope: tuple[float, float] = (0.0, 0.0)

    def light_at(self, x: Array | float, y: Array | float) -> Array:
        """Return the light, 1 in the middle, at a place in mm."""
        across, down = np.asarray(x) / WIDTH_MM - 0.5, np.asarray(y) / HEIGHT_MM - 0.5
        return np.asarray(1 + self.slope[0] * across + self.slope[1] * down)

    def paint_at(self, x: float, y: float) -> int:
        """Return the topmost paint at a place in mm."""
        for thing in reversed(self.things):
            outline = np.array(thing.outline, np.float32)
            if cv2.pointPolygonTest(outline, (float(x), float(y)), False) >= 0:
                return thing.paint
        return CLOTH


def random_table(rng: np.random.Generator, columns: int = 6, rows: int = 4) -> ObjectTable:
    """Return objects of many shapes, some with print, and lint on the cloth."""
    count = columns * rows
    cloth = np.full((1, WAVES.size), 0.012)
    ink = np.full((1, WAVES.size), 0.03)
    paints = np.concatenate([cloth, ink, random_paints(rng, count)])
    order = 2 + rng.permutation(count)
    pitch = (WIDTH_MM - 30) / columns, (HEIGHT_MM - 20) / rows
    things = []
    for i in range(count):
        middle = (
            15 + (i % columns + 0.5) * pitch[0] + rng.uniform(-4, 4),
            10 + (i // columns + 0.5) * pitch[1] + rng.uniform(-3, 3),
        )
        things.extend(_thing(rng, middle, int(order[i]), 0.36 * min(pitch)))
    for _ in range(40):
        spot = (rng.uniform(5, WIDTH_MM - 5), rng.uniform(5, HEIGHT_MM - 5))
        things.insert(0, _blob(rng, spot, 2 + int(rng.integers(count)), rng.uniform(0.5, 1.0), 5))
    slope = (float(rng.uniform(-0.15, 0.15)), float(rng.uniform(-0.15, 0.15)))
    return ObjectTable(things, paints, slope)


def _thing(
    rng: np.random.Generator, middle: tuple[float, float], paint: int, size: float
) -> list[Thing]:
    corners = int(rng.choice([3, 4, 5, 6, 8, 28]))
    made = [_blob(rng, middle, paint, size * rng.uniform(0.85, 1.1), corners)]
    if rng.random() < 0.5:
        turn = rng.uniform(0, 2 * math.pi)
        off = size * 0.55
        spot = (middle[0] + off * math.cos(turn), middle[1] + off * math.sin(turn))
        made.append(_blob(rng, spot, PRINT, size * 0.16, int(rng.choice([3, 4, 12]))))
    return made


def _blob(
    rng: np.random.Generator, middle: tuple[float, float], paint: int, size: float, corners: int
) -> Thing:
    start = rng.uniform(0, 2 * math.pi)
    wobble = 0.0 if corners > 12 else 0.25
    angles = start + 2 * math.pi * (np.arange(corners) + rng.uniform(-wobble, wobble, corners))
    angles = start + (angles - start) / corners
    outline = [(middle[0] + size * math.cos(a), middle[1] + size * math.sin(a)) for a in angles]
    return Thing(tuple((float(x), float(y)) for x, y in outline), paint, middle)


@dataclass(frozen=True)
class Viewpoint:
    """A camera's place: mm on the table to px, as a homography.

    Attributes:
        matrix: array, (3, 3)
    """

    matrix: Array
    width: int
    height: int

    @classmethod
    def near(cls, rng: np.random.Generator, width: int, height: int) -> Viewpoint:
        """Return a view of the whole table from about above, off by 3 % of the width."""
        scale = min(width / WIDTH_MM, height / HEIGHT_MM) * 0.97
        x0 = (width - WIDTH_MM * scale) / 2
        y0 = (height - HEIGHT_MM * scale) / 2
        corners = np.array(
            [[0, 0], [WIDTH_MM, 0], [WIDTH_MM, HEIGHT_MM], [0, HEIGHT_MM]], np.float32
        )
        there = corners * scale + [x0, y0] + rng.uniform(-1, 1, (4, 2)) * 0.03 * width / 2
        matrix = cv2.getPerspectiveTransform(corners, there.astype(np.float32))
        return cls(np.asarray(matrix, float), width, height)

    def to_px(self, points: npt.ArrayLike) -> Array:
        """Return px of places in mm, (n, 2)."""
        return _project(self.matrix, points)

    def to_mm(self, points: npt.ArrayLike) -> Array:
        """Return places in mm of px, (n, 2)."""
        return _project(np.asarray(np.linalg.inv(self.matrix), float), points)


def _project(matrix: Array, points: npt.ArrayLike) -> Array:
    p = np.asarray(points, float).reshape(-1, 2)
    q = np.column_stack([p, np.ones(len(p))]) @ matrix.T
    return np.asarray(q[:, :2] / q[:, 2:])


def picture(table: ObjectTable, colours: Array, view: Viewpoint, *, blur: float = 0.7) -> Image:
    """Draw the table in linear light, (H, W, 3), without noise.

    Args:
        colours: array, (paints, 3). Linear RGB of each paint.
        blur: Standard deviation of the point spread, px.
    """
    fine = 3
    labels = np.zeros((view.height * fine, view.width * fine), np.uint8)
    for thing in table.things:
        # A fine pixel's centre lies at (i + 0.5) / 3 - 0.5 px.
        at = (view.to_px(thing.outline) + 0.5) * fine - 0.5
        fixed = np.rint(at * 16).astype(np.int32).reshape(-1, 1, 2)
        cv2.fillPoly(labels, [fixed], thing.paint, shift=4)
    size = (view.width, view.height)
    seen = np.stack(
        [
            cv2.resize(
                cv2.LUT(labels, _table_256(colours[:, c])), size, interpolation=cv2.INTER_AREA
            )
            for c in range(3)
        ],
        axis=-1,
    )
    if blur > 0:
        seen = cv2.GaussianBlur(seen, (0, 0), blur, borderType=cv2.BORDER_REPLICATE)
    x, y = np.meshgrid(np.arange(view.width), np.arange(view.height))
    places = view.to_mm(np.column_stack([x.ravel(), y.ravel()]))
    light = table.light_at(places[:, 0], places[:, 1]).reshape(view.height, view.width, 1)
    return np.asarray(seen * light.astype(np.float32), np.float32)


def _table_256(values: Array) -> Image:
    full = np.zeros(256, np.float32)
    full[: len(values)] = values
    return full


@dataclass(frozen=True)
class Shoot:
    """Where files of one shoot go and how they are made.

    Attributes:
        sensor: Of the camera under test.
        good_sensor: Of the reference camera.
    """

    frames: int = 6
    bit_rate: int = 7_000_000
    sensor: Sensor = field(default_factory=lambda: Sensor(6000.0, 8.0))
    good_sensor: Sensor = field(default_factory=lambda: Sensor(40000.0, 5.0))


def write_still(
    path: Path, light: Image, rng: np.random.Generator, *, sensor: Sensor, bits: Literal[8, 16] = 8
) -> None:
    """Write a picture as sRGB (PNG or JPEG), 8 or 16 bit."""
    if bits == 16:
        coded = encode_tone(sensor.expose(light, rng), "srgb")
        pixels: npt.NDArray[np.uint16] = np.rint(coded * 65535).astype(np.uint16)
        cv2.imwrite(str(path), pixels[:, :, ::-1])
        return
    codes = develop(light, rng, sensor=sensor, tone="srgb", full_range=True)
    quality = [cv2.IMWRITE_JPEG_QUALITY, 97] if path.suffix in (".jpg", ".jpeg") else []
    cv2.imwrite(str(path), codes[:, :, ::-1], quality)


def write_clip(path: Path, light: Image, rng: np.random.Generator, shoot: Shoot) -> None:
    """Write a still scene as an H.264 clip, BT.709, 30 frames a second."""
    shown = (develop(light, rng, sensor=shoot.sensor) for _ in range(shoot.frames))
    record(path, shown, bit_rate=shoot.bit_rate)
