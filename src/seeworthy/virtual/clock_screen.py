"""The bench clock on a screen, filmed: updates, scan-out, answer of the pixels, rolling shutter.

Written from the description of the clock's page and sharing no code with what reads it. The
screen begins update ``n`` at ``n / refresh`` seconds and shows that time from its first line;
the last line follows `Screen.scan` of an update later. A pixel goes over to what it is told
exponentially. The camera gathers what each of its rows sees while that row is exposed.

All times are seconds of the screen's clock. Lengths on the screen are units of the layout,
32 by 18 of them, which take 78 % of the screen.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.media.write import ClipWriter
from seeworthy.virtual.pixel_answer import gathered_share
from seeworthy.virtual.sensor import Developer, RollingCamera

Array = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

_WIDE, _HIGH, _SHARE = 32.0, 18.0, 0.78
_MARKS = {31: (0.6, 0.6), 34: (27.2, 0.6), 37: (27.2, 13.2), 42: (0.6, 13.2)}
_MARK = 4.2
_LEFT, _ACROSS, _PAD = 6.0, 20.0, 0.5
_COUNT_TOP, _CELL_HIGH = 2.7, 1.1
_STRIPS = ((0.6, 1.6), (5.4, 6.6), (15.8, 1.6))
_FLASH_TOP, _FLASH_HIGH = 12.5, 2.8
_SWEEP_S, _COUNT_S = 0.384, 0.192
_RATES = (
    0, 24, 25, 30, 40, 48, 50, 60, 72, 75, 80, 85, 90, 96, 100, 110,
    120, 144, 150, 160, 165, 170, 175, 180, 200, 220, 240, 260, 280, 300, 330, 360,
)  # fmt: skip
_WHITE, _BLACK, _GREY = 0.83, 0.003, 0.22
"""Light of #ebebeb, #0a0a0a and #808080 on a screen of gamma 2.2."""
_COARSE = 8


@dataclass(frozen=True, slots=True)
class Screen:
    """A laptop or phone that shows the clock.

    Attributes:
        refresh: Updates per second.
        scan: Time from first to last line as a share of the time between updates.
        response: Seconds in which a pixel goes 63 % of the way.
        direction: {"down", "up", "right", "left"}. Which way the update runs over the layout as it
            is read.
        flash: The field flashes at whole seconds; else it holds still.
        aspect: Width over height.
    """

    refresh: float = 60.0
    scan: float = 0.95
    response: float = 0.002
    direction: Literal["down", "up", "right", "left"] = "down"
    flash: bool = False
    aspect: float = 16 / 9


@dataclass(frozen=True, slots=True)
class ScreenView:
    """How the camera looks at the screen.

    Attributes:
        share: Width of the screen over that of the frame, were it not tilted.
        tilt: Degrees about the upright axis.
        roll: Degrees clockwise in the picture.
        gain: Light of a white screen relative to what fills the sensor, over 0.83.
        mirrored: The file shows the world as in a mirror.
        shake: Standard deviation of the picture's place from frame to frame, px.
    """

    share: float = 0.6
    tilt: float = 0.0
    roll: float = 0.0
    gain: float = 0.8
    mirrored: bool = False
    shake: float = 0.0


@dataclass(frozen=True, slots=True)
class ClockRecording:
    """What is recorded.

    Attributes:
        frames: Pictures taken; those in `hidden` and `lost` do not reach the file.
        start: Screen time at which the first row of the first picture is exposed, s.
        camera_ppm: How much the camera's clock runs fast.
        hidden: Pictures that are lost before they are stamped: the stamps leave no gap.
        lost: Pictures that are lost after they were stamped.
        jitter: Standard deviation of the moment of exposure, s, which the stamps do not follow.
        sound_offset: Seconds by which the sound comes late at the start; None for a clip without
            sound.
        sound_ppm: How much the clock of the sound runs fast.
    """

    frames: int = 150
    start: float = 51_234.5
    camera_ppm: float = 0.0
    hidden: frozenset[int] = frozenset()
    lost: frozenset[int] = frozenset()
    jitter: float = 0.0
    sound_offset: float | None = None
    sound_ppm: float = 0.0
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Filmed:
    """Truth of a clip, a row for every frame of the file.

    Attributes:
        time: ndarray (N,). Screen time at the middle of the exposure of the row where the clock's
            middle stands, s.
        stamp: ndarray (N,). Seconds that the file says.
        after: Frames of the file after which a picture is missing that the stamps hide.
        row: Row of the clock's middle without shake.
    """

    time: Array
    stamp: Array
    after: tuple[int, ...]
    row: float


@dataclass
class ClockStage:
    """Everything that stays the same from frame to frame."""

    camera: RollingCamera
    screen: Screen
    view: ScreenView
    scale: int = field(init=False)
    matrix: Array = field(init=False)

    def __post_init__(self) -> None:
        aspect = self.screen.aspect
        unit = _SHARE * min(aspect / _WIDE, 1 / _HIGH)  # in heights of the screen
        self.size = np.array([aspect, 1.0]) / unit  # of the screen, in units
        px = self.view.share * self.camera.width / self.size[0]
        self.scale = 20 if px <= 10 else 40  # every length of the layout in whole px
        layout = self.scale * np.array([_WIDE, _HIGH])
        self.margin = np.rint((self.size * self.scale - layout) / 2)
        self.texture = layout + 2 * self.margin
        self.matrix = self._project()
        self.static = self._static()
        self.rows, self.scan = self._moments()

    def _project(self) -> Array:
        """Texture px to px of the frame, enlarged two times."""
        wide, high = self.camera.width, self.camera.height
        half = self.size / self.size[0] / 2 * self.view.share * wide
        x = np.array([-1, 1, 1, -1]) * half[0]
        y = np.array([-1, -1, 1, 1]) * half[1]
        a, b = math.radians(self.view.tilt), math.radians(self.view.roll)
        distance = self.camera.focal
        depth = 1 + x * math.sin(a) / distance
        u, v = x * math.cos(a) / depth, y / depth
        spots = np.column_stack(
            [
                u * math.cos(b) - v * math.sin(b) + wide / 2,
                u * math.sin(b) + v * math.cos(b) + high / 2,
            ]
        )
        if self.view.mirrored:
            spots[:, 0] = wide - spots[:, 0]
        w, h = self.texture
        source = np.array([(0, 0), (w, 0), (w, h), (0, h)])
        found = cv2.getPerspectiveTransform(
            source.astype(np.float32), (2 * spots).astype(np.float32)
        )
        return np.asarray(found, np.float64)

    def _static(self) -> Floats:
        w, h = self.texture.astype(int)
        texture = np.full((h, w), _WHITE, np.float32)
        dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
        for number, (x, y) in _MARKS.items():
            rows, columns = self.box(x, y, _MARK, _MARK)
            side = (columns.stop - columns.start, rows.stop - rows.start)
            mark = cv2.aruco.generateImageMarker(dictionary, number, 6).astype(np.float32) / 255
            large = cv2.resize(mark, side, interpolation=cv2.INTER_NEAREST)
            texture[rows, columns] = _BLACK + (_WHITE - _BLACK) * large
        for top, height in _STRIPS:
            texture[self.box(_LEFT, top, _ACROSS, height)] = _BLACK
        texture[self.box(_LEFT, _FLASH_TOP, _ACROSS, _FLASH_HIGH)] = (
            _BLACK if self.screen.flash else _GREY
        )
        return texture

    def box(self, x: float, y: float, w: float, h: float) -> tuple[slice, slice]:
        """Return rows and columns of the texture that a box of the page covers."""
        left, right = (round(v * self.scale + self.margin[0]) for v in (x, x + w))
        top, bottom = (round(v * self.scale + self.margin[1]) for v in (y, y + h))
        return slice(top, bottom), slice(left, right)

    def _moments(self) -> tuple[Array, Array]:
        """Row of the frame and moment of the scan (0 to 1) over a coarse grid of the texture."""
        h, w = self.static.shape
        x = np.linspace(0, w - 1, max(2, w // _COARSE))
        y = np.linspace(0, h - 1, max(2, h // _COARSE))
        grid = np.stack(np.meshgrid(x, y), -1)
        seen = cv2.perspectiveTransform(grid.reshape(-1, 1, 2), self.matrix).reshape(grid.shape)
        across, down = grid[..., 0] / w, grid[..., 1] / h
        scan = {"down": down, "up": 1 - down, "right": across, "left": 1 - across}
        return seen[..., 1] / 2 - 0.5, scan[self.screen.direction]

    def middle_row(self) -> float:
        """Row of the middle of the layout."""
        spot = (self.texture / 2).reshape(1, 1, 2)
        return float(cv2.perspectiveTransform(spot, self.matrix)[0, 0, 1]) / 2 - 0.5


def film(
    path: Path, camera: RollingCamera, screen: Screen, view: ScreenView, take: ClockRecording
) -> Filmed:
    """Write a clip of the clock (7 Mbit/s H.264) and return its truth.

    Args:
        camera: Frame, rate, read-out time, exposure, blur and noise; its angle of view sets the
            perspective of a tilted screen.
    """
    stage = ClockStage(camera, screen, view)
    rng = np.random.default_rng(take.seed)
    develop = Developer(camera, rng)
    row = stage.middle_row()
    times: list[float] = []
    stamps: list[float] = []
    after: list[int] = []
    sound = None if take.sound_offset is None else (48_000, 1)
    with ClipWriter(path, camera.width, camera.height, camera.pace, sound=sound) as writer:
        for number, stamp, hides in _plan(camera, take):
            begin = take.start + number / camera.rate / (1 + take.camera_ppm * 1e-6)
            begin += take.jitter * float(rng.standard_normal())
            if hides:
                after.append(len(times) - 1)
            writer.write_luma(develop(picture(stage, begin, rng)), stamp)
            delay = row * camera.readout_time / camera.height
            times.append(begin + delay + camera.exposure / 2)
            stamps.append(stamp)
        if sound is not None:
            writer.write_sound(beeps(take, stamps[-1] + 1 / camera.rate))
    return Filmed(np.array(times), np.array(stamps), tuple(after), row)


def _plan(camera: RollingCamera, take: ClockRecording) -> Iterator[tuple[int, float, bool]]:
    """Number, stamp, and whether pictures before it are hidden, of every frame of the file."""
    late, hides = 0, False
    for number in range(take.frames):
        if number in take.hidden:
            late, hides = late + 1, True
        elif number not in take.lost:
            yield number, (number - late) / camera.rate, hides
            hides = False


def beeps(take: ClockRecording, seconds: float) -> npt.NDArray[np.float32]:
    """Sound of the clip: 1 kHz for 50 ms from every whole second of the screen's clock."""
    rate = 48_000
    rng = np.random.default_rng((take.seed, 7))
    samples = 0.002 * rng.standard_normal(round(seconds * rate))
    offset = take.sound_offset or 0.0
    first = math.ceil(take.start - offset)
    for second in range(first, math.ceil(take.start + seconds) + 1):
        heard = (second - take.start) * (1 + take.sound_ppm * 1e-6) + offset
        index = np.arange(max(0, math.ceil(heard * rate)), math.ceil((heard + 0.05) * rate))
        index = index[index < samples.size]
        samples[index] += 0.3 * np.sin(2 * np.pi * 1000 * (index / rate - heard))
    return samples.astype(np.float32)


def picture(stage: ClockStage, begin: float, rng: np.random.Generator) -> Floats:
    """Linear light of one frame, (H, W), without noise."""
    camera = stage.camera
    texture = _gathered(stage, begin)
    matrix = stage.matrix
    if stage.view.shake:
        move = np.eye(3)
        move[:2, 2] = 2 * stage.view.shake * rng.standard_normal(2)
        matrix = move @ matrix
    # The matrix counts from the edges of the first pixel, OpenCV from its centre.
    shift = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1.0]])
    back = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    size = (2 * camera.width, 2 * camera.height)
    large = cv2.warpPerspective(
        texture, shift @ matrix @ back, size, flags=cv2.INTER_LINEAR, borderValue=(0.02,)
    )
    frame = cv2.resize(large, (camera.width, camera.height), interpolation=cv2.INTER_AREA)
    frame = cv2.GaussianBlur(frame, (0, 0), camera.psf)
    return np.asarray(frame * np.float32(stage.view.gain / _WHITE), np.float32)


def _gathered(stage: ClockStage, begin: float) -> Floats:
    """Light of the texture, each place averaged while the row that sees it is exposed."""
    camera, screen = stage.camera, stage.screen
    step = 1 / screen.refresh
    start = (
        begin
        + stage.rows * (camera.readout_time / camera.height)
        - stage.scan * (screen.scan * step)
    )
    first = math.floor((float(start.min()) - 8 * screen.response) / step)
    last = math.floor((float(start.max()) + camera.exposure) / step)
    texture = stage.static.copy()
    _show(stage, texture, first * step)
    for number in range(first + 1, last + 1):
        share = gathered_share(start - number * step, camera.exposure, screen.response)
        _go_over(stage, texture, number, share.astype(np.float32))
    return texture


def _show(stage: ClockStage, texture: Floats, time: float) -> None:
    for place, light in _parts(stage, time).items():
        rows, columns = stage.box(*place)
        texture[rows, columns] = light


def _go_over(stage: ClockStage, texture: Floats, number: int, share: Floats) -> None:
    """Add `share` of the step from the update before to update `number`."""
    step = 1 / stage.screen.refresh
    old, new = _parts(stage, (number - 1) * step), _parts(stage, number * step)
    h, w = stage.static.shape
    to_grid = np.array([share.shape[1] - 1, share.shape[0] - 1]) / np.array([w - 1, h - 1])
    for place, light in new.items():
        change = light - old[place]
        if not np.any(change):
            continue
        rows, columns = stage.box(*place)
        x = np.arange(columns.start, columns.stop, dtype=np.float32) * np.float32(to_grid[0])
        y = np.arange(rows.start, rows.stop, dtype=np.float32) * np.float32(to_grid[1])
        fine = cv2.remap(share, *np.meshgrid(x, y), cv2.INTER_LINEAR)
        texture[rows, columns] += fine * change


def _parts(stage: ClockStage, time: float) -> dict[tuple[float, float, float, float], Floats]:
    """What changes with time: place on the layout, and light along its width."""
    parts: dict[tuple[float, float, float, float], Floats] = {}
    bar = _bar(stage, time)
    for top, height in _STRIPS:
        parts[_LEFT, top, _ACROSS, height] = bar
    upper = _cells(stage, time)
    parts[_LEFT, _COUNT_TOP, _ACROSS, _CELL_HIGH] = upper
    parts[_LEFT, _COUNT_TOP + _CELL_HIGH, _ACROSS, _CELL_HIGH] = (_WHITE + _BLACK) - upper
    if stage.screen.flash:
        on = time % 1.0 < 0.05
        light = np.float32(_WHITE if on else _BLACK)
        parts[_LEFT, _FLASH_TOP, _ACROSS, _FLASH_HIGH] = np.full_like(bar, light)
    return parts


def _edges(stage: ClockStage) -> Array:
    _, columns = stage.box(_LEFT, 0, _ACROSS, 1)
    return np.linspace(0, 1, columns.stop - columns.start + 1)


def _bar(stage: ClockStage, time: float) -> Floats:
    """Strip with the bar, exactly covered pixel by pixel."""
    edges = (_edges(stage) * _ACROSS - _PAD) / (_ACROSS - 2 * _PAD)
    middle = time % _SWEEP_S / _SWEEP_S
    covered = np.zeros(len(edges) - 1)
    for turn in (-1, 0, 1):
        low, high = middle + turn - 1 / 48, middle + turn + 1 / 48
        low, high = max(low, 0.0), min(high, 1.0)
        covered += np.clip(np.minimum(edges[1:], high) - np.maximum(edges[:-1], low), 0, None)
    light = _BLACK + (_WHITE - _BLACK) * covered / np.diff(edges)
    return light.astype(np.float32)


def _cells(stage: ClockStage, time: float) -> Floats:
    """Upper row of the cells: 20 of the count in Gray code, 5 of the rate."""
    count = int(time / _COUNT_S + 1e-9) % (1 << 20)
    text = f"{count ^ count >> 1:020b}{_RATES.index(round(stage.screen.refresh)):05b}"
    at = (np.convolve(_edges(stage), [0.5, 0.5], "valid") * len(text)).astype(int)
    on = np.array([digit == "1" for digit in text])[at]
    return np.where(on, _WHITE, _BLACK).astype(np.float32)
