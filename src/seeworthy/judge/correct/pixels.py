"""One frame mended: planes in, planes out.

The order is that of the light's way back: code values to linear light; gain, in the
sensor's own geometry, where the fall-off was measured; colour; only then the geometry,
interpolated in linear light as the lens itself would have mixed it; and back to code
values. Tables and whole-plane operations do the work: signals are held as 16-bit numbers
with head and foot room, so that a table of 65536 entries is a tone curve.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.judge.correct.data import Floats as Doubles
from seeworthy.judge.correct.undistort import Undistortion
from seeworthy.media.light import Light, enlarge_chroma

Floats = npt.NDArray[np.float32]
Planes = tuple[npt.NDArray[Any], npt.NDArray[Any] | None, npt.NDArray[Any] | None]

_ZERO, _ONE = 8192, 40960  # 16-bit number of signal (or light) 0, and counts from 0 to 1
_BAND = 90  # rows that are worked on at a time, so that they stay in the cache; even


@dataclass(frozen=True, slots=True, eq=False)
class Mender:
    """Corrections of one clip, ready to be applied; safe to use from several threads.

    Attributes:
        gain: array (H, W, 3) float32. In linear light.
        colour: array (3, 3). In linear light.
        maps: (x, y) arrays (H, W) float32. Where each pixel comes from.
        hidden: array (H, W) bool. Where the old picture does not reach: the new one stays black.
        half_chroma: Chroma at half the resolution, across and down (4:2:0); else at full.
    """

    light: Light
    gain: tuple[Floats, Floats, Floats] | None
    colour: Doubles | None
    maps: tuple[Floats, Floats] | None
    hidden: npt.NDArray[np.bool_] | None
    half_chroma: bool
    _decode: Floats
    _encode: Floats

    @classmethod
    def of(
        cls,
        light: Light,
        gain: Floats | None = None,
        colour: Doubles | None = None,
        undistortion: Undistortion | None = None,
        *,
        half_chroma: bool = True,
    ) -> Mender:
        """Prepare tables and maps."""
        numbers = (np.arange(65536) - _ZERO) / _ONE
        span = light.white - light.black
        top = ((1 << light.bits) - 1 - light.black) / span  # the largest code there is
        encoded = (light.encode(numbers) - light.black) / span
        planes = None
        if gain is not None:
            red, green, blue = (np.ascontiguousarray(gain[..., k]) for k in range(3))
            planes = (red, green, blue)
        maps = None if undistortion is None else undistortion.maps()
        return cls(
            light,
            planes,
            colour,
            maps,
            None if maps is None else _beyond(*maps),
            half_chroma,
            light.decode_signal(numbers),
            np.clip(encoded, -light.black / span, top).astype(np.float32),
        )

    def apply(
        self, luma: npt.NDArray[Any], cb: Any, cr: Any, maps: tuple[Floats, Floats] | None = None
    ) -> Planes:
        """Return a frame's planes mended.

        Args:
            cb, cr: arrays at any lower resolution, or None for a grey clip. A grey clip must have
                no colour correction, and one gain for all channels.
            maps: This frame's own, in place of those of the undistortion.
        """
        maps = maps or self.maps
        height, width = luma.shape
        bands = [slice(r, min(r + _BAND, height)) for r in range(0, height, _BAND)]
        lit = (self._light_of(luma, cb, cr, band) for band in bands)
        if maps is None:
            done = [self._coded([_number(x) for x in planes]) for planes in lit]
        else:
            whole = np.empty((height, width, 1 if cb is None else 3), np.float32)
            for band, planes in zip(bands, lit, strict=True):
                cv2.merge(planes, whole[band])
            done = [self._coded(self._redrawn(whole, band, maps)) for band in bands]
        y, pb, pr = zip(*done, strict=True)
        if cb is None:
            return np.concatenate(y), None, None
        return np.concatenate(y), np.concatenate(pb), np.concatenate(pr)

    def _light_of(self, luma: npt.NDArray[Any], cb: Any, cr: Any, band: slice) -> list[Any]:
        """Return linear light of a band of rows, gain and colour done, one plane per channel."""
        grey = cb is None
        signals = [self._grey(luma[band])] if grey else self._signals(luma, cb, cr, band)
        linear: list[Any] = [_look_up(s, self._decode) for s in signals]
        if self.gain is not None:
            linear = [cv2.multiply(x, g[band]) for x, g in zip(linear, self.gain, strict=False)]
        if self.colour is not None and not grey:
            linear = [_mix(linear, row) for row in self.colour]
        return linear

    def _redrawn(
        self, whole: npt.NDArray[Any], band: slice, maps: tuple[Floats, Floats]
    ) -> list[Any]:
        """Return numbers of a band of rows of the new picture, one plane per channel."""
        x, y = maps
        drawn: Any = cv2.remap(
            whole, x[band], y[band], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        numbers = _number(drawn)
        if self.hidden is not None:
            numbers[self.hidden[band]] = _ZERO
        return list(cv2.split(numbers))

    def _coded(self, numbers: list[Any]) -> Planes:
        coded = [_look_up(x, self._encode) for x in numbers]
        if len(coded) == 1:
            return self._codes(coded[0], self.light.black, self._span), None, None
        return self._planes(coded)

    @property
    def _span(self) -> float:
        return float(self.light.white - self.light.black)

    def _chroma(self) -> tuple[float, float]:
        """Return code value of no colour, and codes from −½ to ½."""
        scale = 1 << (self.light.bits - 8)
        limited = self.light.range == "limited"
        return 128.0 * scale, 224.0 * scale if limited else float((1 << self.light.bits) - 1)

    def _grey(self, luma: npt.NDArray[Any]) -> npt.NDArray[Any]:
        y = luma.astype(np.float32)
        a = _ONE / self._span
        return _sum(y, a, y, 0, _ZERO - a * self.light.black, cv2.CV_16U)

    def _signals(
        self, luma: npt.NDArray[Any], cb: Any, cr: Any, band: slice
    ) -> list[npt.NDArray[Any]]:
        """Return R', G', B' as 16-bit numbers (the matrix of `media.light`, in one step each)."""
        half, swing = self._chroma()
        kr, kb = self.light.weights
        y = luma[band].astype(np.float32)
        pb, pr = (_enlarged(plane, luma.shape, band) for plane in (cb, cr))
        a = _ONE / self._span
        base = _ZERO - a * self.light.black
        red, blue = 2 * (1 - kr) * _ONE / swing, 2 * (1 - kb) * _ONE / swing
        green_r, green_b = -kr / (1 - kr - kb) * red, -kb / (1 - kr - kb) * blue
        both = _sum(pb, green_b, pr, green_r, -half * (green_b + green_r))
        return [
            _sum(y, a, pr, red, base - half * red, cv2.CV_16U),
            _sum(y, a, both, 1, base, cv2.CV_16U),
            _sum(y, a, pb, blue, base - half * blue, cv2.CV_16U),
        ]

    def _planes(self, coded: list[Floats]) -> Planes:
        kr, kb = self.light.weights
        red, green, blue = coded
        y = _sum(_sum(red, kr, green, 1 - kr - kb), 1, blue, kb)
        half, swing = self._chroma()
        to_b, to_r = swing / (2 * (1 - kb)), swing / (2 * (1 - kr))
        pb, pr = _sum(blue, to_b, y, -to_b), _sum(red, to_r, y, -to_r)
        if self.half_chroma:
            pb, pr = _halve(pb), _halve(pr)
        return (
            self._codes(y, self.light.black, self._span),
            self._codes(pb, half, 1.0),
            self._codes(pr, half, 1.0),
        )

    def _codes(self, signal: Floats, zero: float, counts: float) -> npt.NDArray[Any]:
        if self.light.bits == 8:
            return _sum(signal, counts, signal, 0, zero, cv2.CV_8U)
        deep = _sum(signal, counts, signal, 0, zero, cv2.CV_16U)
        return np.asarray(np.minimum(deep, np.uint16((1 << self.light.bits) - 1)))


@contextmanager
def one_thread_a_frame() -> Iterator[None]:
    """Keep OpenCV to one thread: frames are worked on side by side, and its threads wait awake."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)


def _enlarged(plane: npt.NDArray[Any], shape: tuple[int, ...], band: slice) -> Floats:
    """Return a band of a chroma plane at the size of luma; a row beyond is looked at."""
    down = -(-shape[0] // plane.shape[0])
    first = max(0, band.start // down - 1)
    last = min(plane.shape[0], -(-band.stop // down) + 1)
    rows = min(last * down, shape[0]) - first * down
    large = enlarge_chroma(plane[first:last], (rows, shape[1]))
    return large[band.start - first * down : band.stop - first * down]


def _beyond(x: Floats, y: Floats) -> npt.NDArray[np.bool_] | None:
    """Mark where the old picture does not reach, None where it reaches everywhere."""
    height, width = x.shape
    inside = (x > -0.5) & (x < width - 0.5) & (y > -0.5) & (y < height - 0.5)
    return None if inside.all() else np.asarray(~inside)


def _sum(
    a: npt.NDArray[Any], fa: float, b: npt.NDArray[Any], fb: float, plus: float = 0.0,
    kind: int = cv2.CV_32F,
) -> npt.NDArray[Any]:  # fmt: skip
    """Return ``a·fa + b·fb + plus``, rounded and held within the range of the kind."""
    total: Any = cv2.addWeighted(a, fa, b, fb, plus, dtype=kind)
    return np.asarray(total)


def _number(x: Floats) -> npt.NDArray[Any]:
    return _sum(x, _ONE, x, 0, _ZERO, cv2.CV_16U)


def _mix(linear: list[Any], row: Doubles) -> npt.NDArray[Any]:
    some = _sum(linear[0], float(row[0]), linear[1], float(row[1]))
    return _sum(some, 1, linear[2], float(row[2]))


def _look_up(numbers: npt.NDArray[Any], table: Floats) -> Floats:
    """Return table entries of 16-bit numbers; OpenCV 5 does it eight times as fast."""
    if int(cv2.__version__.split(".")[0]) >= 5:
        return np.asarray(cv2.LUT(numbers, table), np.float32)
    return np.take(table, numbers)


def _halve(plane: Floats) -> Floats:
    """Return chroma at half the size, sited as H.264 has it: on even columns, between rows."""
    height, width = plane.shape
    rows: Any = cv2.addWeighted(plane[::2], 0.5, plane[1::2], 0.5, 0)
    even, odd = cv2.split(rows.reshape(height // 2, width // 2, 2))
    before = np.empty_like(odd)
    before[:, 1:], before[:, 0] = odd[:, :-1], even[:, 0]
    return np.asarray(_sum(even, 0.5, _sum(odd, 0.25, before, 0.25), 1), np.float32)
