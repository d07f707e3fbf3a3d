"""Moving scenes with something burned into the picture, or with the aircraft in view.

A large painted scene is seen through a camera that drifts, turns and closes in as in flight. Over
it come, each on demand: a part of the airframe, soft dirt on the lens, dark corners, hot pixels,
letterbox bars, and last, as a camera does it, the overlay of date, time or logo.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.media.write import ClipWriter
from seeworthy.virtual.airframe import Airframe, airframe

Picture = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]
Place = Literal["top left", "top right", "bottom left", "bottom right", "bottom", "top"]

# A hardware encoder as small cameras have: no bidirectional frames, one key a second.
CAMERA_LIKE = {"bf": "0", "g": "30", "preset": "ultrafast"}


@dataclass(frozen=True)
class Overlay:
    """Lettering as a camera burns it in.

    Attributes:
        lines: ``seconds -> lines of text``.
        height: Height of capitals, px.
        margin: Distance from the border, px.
        colour, edge: (r, g, b). Of the strokes and of their outline.
        outline: Width of the outline, px; 0 for none.
        plate: Opacity of a dark plate behind the text.
        font: An OpenCV stroke font; None for Pillow's outline font.
        bold: Stroke thickness of a stroke font.
        logo: A mark instead of text: a disc with a wave cut out.
    """

    lines: Callable[[float], tuple[str, ...]]
    height: int = 24
    place: Place = "bottom right"
    margin: int = 16
    colour: tuple[int, int, int] = (255, 255, 255)
    edge: tuple[int, int, int] = (0, 0, 0)
    outline: int = 0
    opacity: float = 1.0
    plate: float = 0.0
    font: int | None = cv2.FONT_HERSHEY_SIMPLEX
    bold: int = 2
    logo: bool = False


def clock_text(style: str, start: dt.datetime) -> Callable[[float], tuple[str, ...]]:
    """Return what a camera's clock writes; `style` is a `strftime` pattern, ``|`` a new line."""

    def lines(seconds: float) -> tuple[str, ...]:
        now = start + dt.timedelta(seconds=math.floor(seconds))
        return tuple(now.strftime(part) for part in style.split("|"))

    return lines


@dataclass(frozen=True)
class StampFlight:
    """What is filmed and how.

    Attributes:
        speed: Typical image motion, px per frame; 0 is a tripod.
        shake: Standard deviation of the trembling, px.
        noise: Sensor noise, code values.
        vignette: Loss of light in the corners, 0 to 1.
        dirt: Soft spots on the lens.
        hot: Hot pixels.
        bars: Height of letterbox bars, px.
    """

    width: int = 1280
    height: int = 720
    rate: int = 30
    seconds: float = 4.0
    speed: float = 4.0
    shake: float = 0.5
    bit_rate: int = 5_000_000
    noise: float = 2.0
    airframe: Airframe | None = None
    vignette: float = 0.0
    dirt: int = 0
    hot: int = 0
    bars: int = 0
    seed: int = 1


def film(path: Path, scene: Picture, flight: StampFlight, overlay: Overlay | None = None) -> None:
    """Render a clip.

    Args:
        scene: uint8 array, (H, W, 3). Gamma-coded RGB, as large as the camera shall roam; at least
            half as large again as the frame in both directions.
    """
    rng = np.random.default_rng(flight.seed)
    path_of = _Path(scene.shape[1], scene.shape[0], flight, rng)
    held = None
    if flight.airframe is not None:
        held = airframe(flight.airframe, flight.width, flight.height, rng)
    part = _part(held[1]) if held is not None else (slice(0), slice(0))
    gain = _gain(flight, rng)
    size = (flight.width, flight.height)
    grain = rng.standard_normal((flight.height + 64, flight.width + 64)).astype(np.float32)
    with ClipWriter(
        path, *size, Fraction(flight.rate), bit_rate=flight.bit_rate, options=CAMERA_LIKE
    ) as writer:
        for k in range(round(flight.seconds * flight.rate)):
            seen = cv2.warpAffine(scene, path_of(k), size, flags=cv2.INTER_LINEAR)
            picture = seen.astype(np.float32)
            if gain is not None:
                picture *= gain[..., None]
            if held is not None:
                _cover(picture, *held, part)
            if flight.noise > 0:
                r, c = (int(v) for v in rng.integers(0, 64, 2))
                cut = grain[r : r + flight.height, c : c + flight.width]
                picture += (flight.noise * cut)[..., None]
            for y, x in _hot(flight):
                picture[y, x] = 255.0
            if flight.bars:
                picture[: flight.bars] = 0
                picture[-flight.bars :] = 0
            if overlay is not None:
                _burn(picture, overlay, k / flight.rate)
            writer.write_rgb(np.clip(picture + 0.5, 0, 255).astype(np.uint8))


def box_of(
    overlay: Overlay, flight: StampFlight, seconds: float = 0.0, *, plate: bool = False
) -> tuple[int, int, int, int]:
    """Return where its strokes (or strokes and plate) stand: x, y, width, height in px."""
    layers = _layers(overlay, overlay.lines(seconds), flight.width, flight.height)
    alpha = layers[1 if plate else 2]
    rows, columns = np.flatnonzero(alpha.max(axis=1) > 0.3), np.flatnonzero(alpha.max(axis=0) > 0.3)
    return (
        int(columns[0]), int(rows[0]),
        int(columns[-1] - columns[0] + 1), int(rows[-1] - rows[0] + 1),
    )  # fmt: skip


def _burn(picture: Floats, overlay: Overlay, seconds: float) -> None:
    colour, alpha, _ = _layers(overlay, overlay.lines(seconds), picture.shape[1], picture.shape[0])
    _cover(picture, colour, alpha, _part(alpha))


def _part(alpha: Floats) -> tuple[slice, slice]:
    """Return the rows and columns in which something covers the picture."""
    rows, columns = np.flatnonzero(alpha.max(axis=1) > 0), np.flatnonzero(alpha.max(axis=0) > 0)
    if not len(rows):
        return slice(0), slice(0)
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


def _cover(picture: Floats, colour: Floats, alpha: Floats, part: tuple[slice, slice]) -> None:
    seen = picture[part]
    seen += (colour[part] - seen) * alpha[part][..., None]


@lru_cache(maxsize=4)
def _layers(
    overlay: Overlay, lines: tuple[str, ...], width: int, height: int
) -> tuple[Floats, Floats, Floats]:
    """Return colour (H, W, 3), opacity (H, W) and the strokes alone (H, W) of the overlay."""
    fill = _logo(overlay.height) if overlay.logo else _text(overlay, lines)
    pad = 2 + overlay.outline + (overlay.height // 3 if overlay.plate else 0)
    fill = np.pad(fill, pad)
    ring = fill
    if overlay.outline:
        k = 2 * overlay.outline + 1
        ring = np.asarray(
            cv2.dilate(fill, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (k, k))), np.float32
        )
    patch = np.asarray(overlay.edge, np.float32) * (1 - fill[..., None])
    patch = patch + np.asarray(overlay.colour, np.float32) * fill[..., None]
    opaque = ring * overlay.opacity
    if overlay.plate:
        dark = np.zeros(3, np.float32)
        patch = np.where(ring[..., None] > 0, patch * ring[..., None], dark)
        opaque = np.maximum(opaque, overlay.plate)
    colour = np.zeros((height, width, 3), np.float32)
    alpha = np.zeros((height, width), np.float32)
    y, x = _corner(overlay, fill.shape, (height, width))
    h, w = min(fill.shape[0], height - y), min(fill.shape[1], width - x)
    colour[y : y + h, x : x + w] = patch[:h, :w]
    alpha[y : y + h, x : x + w] = opaque[:h, :w]
    strokes = np.zeros((height, width), np.float32)
    strokes[y : y + h, x : x + w] = ring[:h, :w]
    return colour, alpha, strokes


def _corner(overlay: Overlay, patch: tuple[int, ...], frame: tuple[int, int]) -> tuple[int, int]:
    m = overlay.margin
    y = m if "top" in overlay.place else frame[0] - patch[0] - m
    x = frame[1] - patch[1] - m if "right" in overlay.place else m
    if overlay.place in ("top", "bottom"):
        x = (frame[1] - patch[1]) // 2
    return max(0, y), max(0, x)


def _text(overlay: Overlay, lines: tuple[str, ...]) -> Floats:
    """Return the strokes as opacity, lines one below the other."""
    rows = [_line(overlay, text) for text in lines]
    gap = max(2, overlay.height // 3)
    width = max(r.shape[1] for r in rows)
    stacked: list[Floats] = []
    for row in rows:
        left = width - row.shape[1] if "right" in overlay.place else 0
        stacked.append(np.pad(row, ((0, gap), (left, width - row.shape[1] - left))))
    return np.concatenate(stacked)[:-gap]


def _line(overlay: Overlay, text: str) -> Floats:
    if overlay.font is None:
        from PIL import Image, ImageDraw, ImageFont

        font = ImageFont.load_default(size=overlay.height / 0.72)
        left, top, right, bottom = (math.floor(v) for v in font.getbbox(text))
        image = Image.new("L", (right - left + 2, bottom - top + 2))
        ImageDraw.Draw(image).text((-left, -top), text, fill=255, font=font)
        return np.asarray(image, np.float32) / np.float32(255)
    scale = cv2.getFontScaleFromHeight(overlay.font, overlay.height, overlay.bold)
    (w, h), base = cv2.getTextSize(text, overlay.font, scale, overlay.bold)
    image8 = np.zeros((h + base + 4, w + 4), np.uint8)
    cv2.putText(image8, text, (2, h + 2), overlay.font, scale, (255,), overlay.bold, cv2.LINE_AA)
    return np.asarray(image8, np.float32) / np.float32(255)


def _logo(height: int) -> Floats:
    """Return an invented mark: a disc with a wave cut out, beside a bar."""
    big = 4 * height
    image = np.zeros((big, 2 * big), np.uint8)
    cv2.circle(image, (big // 2, big // 2), big // 2 - 2, (255,), -1, cv2.LINE_AA)
    x = np.arange(big)
    for level in (0.4, 0.65):
        y = big * (level + 0.07 * np.sin(x / big * 4 * np.pi))
        line = np.stack([x, y], axis=1).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(image, [line], False, (0,), big // 10, cv2.LINE_AA)
    for k in range(3):
        left = int(big * (1.15 + 0.28 * k))
        top = int(big * (0.15 + 0.2 * k))
        cv2.rectangle(image, (left, top), (left + big // 7, big - big // 8), (255,), -1)
    small = cv2.resize(image, (2 * height, height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32) / np.float32(255)


class _Path:
    """Where the camera looks at frame k: a smooth walk over the scene, turned and zoomed."""

    def __init__(self, w: int, h: int, flight: StampFlight, rng: np.random.Generator) -> None:
        n = round(flight.seconds * flight.rate) + 1
        self._size = (flight.width, flight.height)
        reach = max(0.0, min(w - flight.width, h - flight.height) / 2 - 8)
        heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.04, n))
        step = flight.speed * np.stack([np.cos(heading), np.sin(heading)], axis=1)
        walk = np.cumsum(step, axis=0) + rng.uniform(-0.3, 0.3, 2) * reach
        span = np.array([(w - flight.width) / 2, (h - flight.height) / 2]) * 0.8 + 1e-6
        # Reflected at the borders of the scene.
        self._at = span * (2 / np.pi) * np.arcsin(np.sin(walk / span * (np.pi / 2)))
        self._at += np.array([w, h]) / 2
        moving = flight.speed > 0
        self._shake = rng.normal(0, flight.shake if moving else 0.0, (n, 2))
        t = np.arange(n) / flight.rate
        sway = rng.uniform(0.3, 1.0, 2)
        swing = moving * rng.uniform(0.02, 0.1)
        self._turn = swing * np.sin(2 * np.pi * sway[0] * t + rng.uniform(0, 6))
        self._zoom = 1 + moving * 0.06 * np.sin(2 * np.pi * 0.3 * sway[1] * t + rng.uniform(0, 6))

    def __call__(self, k: int) -> npt.NDArray[np.float64]:
        (x, y), zoom = self._at[k] + self._shake[k], self._zoom[k]
        turned = cv2.getRotationMatrix2D((x, y), math.degrees(self._turn[k]), zoom)
        turned[:, 2] += np.array(self._size) / 2 - (x, y)
        return np.asarray(turned)


def _gain(flight: StampFlight, rng: np.random.Generator) -> Floats | None:
    """Return vignetting and dirt as a gain on the code values, (H, W)."""
    if not flight.vignette and not flight.dirt:
        return None
    y, x = np.mgrid[: flight.height, : flight.width].astype(np.float32)
    r2 = ((x / flight.width - 0.5) ** 2 + (y / flight.height - 0.5) ** 2) * 2
    gain = 1 - flight.vignette * r2
    for _ in range(flight.dirt):
        cx, cy = rng.uniform(0, flight.width), rng.uniform(0, flight.height)
        sigma = rng.uniform(0.02, 0.05) * flight.width
        spot = np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * sigma**2))
        gain = gain * (1 - rng.uniform(0.2, 0.5) * spot)
    return np.asarray(gain, np.float32)


@lru_cache(maxsize=2)
def _hot(flight: StampFlight) -> tuple[tuple[int, int], ...]:
    rng = np.random.default_rng([flight.seed, 5])
    return tuple(
        (int(rng.integers(flight.height)), int(rng.integers(flight.width)))
        for _ in range(flight.hot)
    )
