"""Marks of resizing: pairs of frequencies that resizing ties together.

A row that was enlarged from n samples to N is a sum of kernels at n evenly spaced places. Its
spectrum below the native limit n/(2N) cy/px is repeated, mirrored, above it: Y(f) and the
conjugate of Y(n/N − f) come from the same samples, whatever the kernel and whatever a linear
filter did afterwards. Their product, summed over pairs and rows, keeps its phase and stands out
as a line at n against the neighbouring sizes, where phases are random. In other words: the
variance of the band around the native limit repeats n times over the row (Gallagher 2005;
Mahdian and Saic 2008, from memory).

A soft lens makes no such line. Block coding does, at multiples of 1/16 of the row
(`seeworthy.procedures.native.detail`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

Rows = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

LOWEST, HIGHEST = 0.3, 0.97
"""Native sizes that are looked for, as shares of the delivered size."""

_STEP, _HALF = 0.0125, 0.05  # bands: spacing of centres and half width, cy/px
_WORK = 6_000_000  # samples of rows that are enough for the search
_STRIP = 32  # rows; strips of a single picture go to the two halves by turns
_NEAR, _APART = 40, 4  # neighbours that show the background, and those too near


@dataclass(frozen=True)
class Lines:
    """Strength of every candidate size.

    Attributes:
        size: Samples of a row as delivered.
        sizes: ndarray (S,). Candidate native sizes, whole numbers.
        strength: ndarray (S,). Magnitude of the line over the median of its neighbours'.
        halves: ndarray (2, S) complex. The same for two halves of the rows, with phase.
        frequency, power: ndarray (F,). Mean power spectrum of the rows, cy/px and code values
            squared per bin of white noise, so that white noise of variance v stands at v.
    """

    size: int
    sizes: npt.NDArray[np.intp]
    strength: Array
    halves: npt.NDArray[np.complex128]
    frequency: Array
    power: Array


def find_lines(pictures: Sequence[npt.NDArray[np.generic]]) -> Lines:
    """Search pictures, each (M, N), for lines along their rows.

    Args:
        pictures: sequence of array (M, N). Luma code values; transposed pictures for the search
            down.
    """
    size = pictures[0].shape[1]
    thin = max(1, round(sum(p.size for p in pictures) / _WORK))
    power, count = np.zeros(size // 2 + 1), 0
    sums = [_Bands(size), _Bands(size)]
    spectra = []
    for number, picture in enumerate(pictures):
        for half in (0, 1):
            rows = picture[_half(number, picture.shape[0], len(pictures)) == half][::thin]
            if not len(rows):
                continue
            spectrum = _spectrum(rows)
            power += (np.abs(spectrum) ** 2).sum(axis=0)
            count += len(rows)
            spectra.append((half, spectrum))
    power /= max(1, count)
    white = (1 / np.sqrt(np.maximum(power, power.max() * 1e-9 + 1e-12))).astype(np.float32)
    for half, spectrum in spectra:
        sums[half].add(spectrum * white)
    sizes = np.arange(round(LOWEST * size), round(HIGHEST * size) + 1)
    halves = np.array([s.at(sizes) for s in sums])
    return Lines(
        size,
        sizes,
        _over_neighbours(np.abs(halves.sum(axis=0)), sizes, size),
        np.array([h / np.maximum(_background(np.abs(h), sizes, size), 1e-30) for h in halves]),
        np.arange(len(power)) / size,
        power / _response(size),
    )


def _half(number: int, rows: int, pictures: int) -> npt.NDArray[np.intp]:
    """Return the half, 0 or 1, that each row of a picture goes to.

    With several pictures, by picture: a pattern in the scene has moved, a raster has not.
    """
    if pictures > 1:
        return np.full(rows, number % 2)
    return (np.arange(rows) // _STRIP) % 2


def window(length: int) -> Rows:
    """Return the window put over rows: the square of a half sine."""
    return (np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2).astype(np.float32)


def _spectrum(rows: npt.NDArray[np.generic]) -> npt.NDArray[np.complex64]:
    """Spectra of differences along the rows: without them the strong low end leaks upwards."""
    change = np.diff(rows.astype(np.float32), axis=1, append=rows[:, -1:].astype(np.float32))
    return np.asarray(fft.rfft(change * window(rows.shape[1]), axis=1), np.complex64)


def _response(size: int) -> Array:
    """Power that white noise of variance 1 has after differencing and window."""
    frequency = np.arange(size // 2 + 1) / size
    whole = 4 * np.sin(np.pi * frequency) ** 2 * float((window(size) ** 2).sum())
    return np.asarray(np.maximum(whole, whole[1]))


class _Bands:
    """Sums of products of frequency pairs, band by band.

    The squared signal of a band holds, at frequency s, the sum over all its pairs f + g = s:
    one short transform does for all candidate sizes around 2 × centre.
    """

    def __init__(self, size: int) -> None:
        self.size = size
        self.half = max(4, round(_HALF * size))
        centres = np.arange(LOWEST / 2, HIGHEST / 2 + _STEP, _STEP)
        self.low = [max(2, round(c * size) - self.half) for c in centres]
        self.length = int(fft.next_fast_len(4 * self.half + 2))
        self.sum = np.zeros((len(self.low), self.length), np.complex128)

    def add(self, spectrum: npt.NDArray[np.complex64]) -> None:
        """Add whitened spectra, (M, F)."""
        for i, low in enumerate(self.low):
            band = spectrum[:, low : low + 2 * self.half + 1]
            signal = fft.ifft(band, self.length, axis=1)
            signal *= signal
            self.sum[i] += signal.sum(axis=0)

    def at(self, sizes: npt.NDArray[np.intp]) -> npt.NDArray[np.complex128]:
        """Return the summed products of all pairs with f + g = size, per candidate size."""
        pairs = fft.fft(self.sum, axis=1) * self.length
        low = np.array(self.low)
        band = np.abs(2 * (low + self.half)[:, None] - sizes[None, :]).argmin(axis=0)
        found = pairs[band, (sizes - 2 * low[band]) % self.length]
        top = np.minimum(low[band] + 2 * self.half, self.size // 2)
        reach = np.minimum(top, sizes - low[band]) - np.maximum(low[band], sizes - top) + 1
        return np.asarray(found / np.sqrt(np.maximum(reach, 1)))


def _over_neighbours(value: Array, sizes: npt.NDArray[np.intp], size: int) -> Array:
    return np.asarray(value / np.maximum(_background(value, sizes, size), 1e-30))


def _background(value: Array, sizes: npt.NDArray[np.intp], size: int) -> Array:
    """Median of the neighbours, leaving out the nearest (a line is a few sizes wide)."""
    apart = max(_APART, round(_APART * size / 1280))
    found = np.empty(len(value))
    inside = slice(_NEAR, len(value) - _NEAR)  # here all windows are alike
    if inside.stop > inside.start:
        windows = np.lib.stride_tricks.sliding_window_view(value, 2 * _NEAR + 1)
        off = np.abs(np.arange(-_NEAR, _NEAR + 1)) > apart
        found[inside] = np.median(windows[:, off], axis=1)
    for i in {*range(min(_NEAR, len(value))), *range(max(0, inside.stop), len(value))}:
        start = max(0, min(i - _NEAR, len(value) - 2 * _NEAR - 1))
        around = np.arange(start, min(len(value), start + 2 * _NEAR + 1))
        found[i] = np.median(value[around[np.abs(around - i) > apart]])
    return found
