"""How strongly the detail around a candidate's limit is tied together, where it is clearly coded.

Block coding ties frequencies too: a coefficient kept alone spreads over its block around the
middle of its band. The transforms have bands at multiples of 1/16 and 1/8 cy/px, so sizes at
multiples of 1/16 of the row are in doubt whenever the detail there is hardly above the
quantiser's step. Where it is well above, every coefficient is kept and the marks of the blocks
fade, while those of resizing grow: there the two part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from seeworthy.procedures.native.lines import window

Spectra = npt.NDArray[np.complex64]
Floats = npt.NDArray[np.float32]

CLEAR = 0.1
"""Power per sample, in squared quantiser steps, from which detail counts as clearly coded."""

_LENGTH = 128  # px: a window; longer ones see the picture change
_REACH = 0.07  # cy/px to either side of the limit
_ROWS = 1500  # rows in all that are enough
_BLOCK = 16  # px, of the coders that are read
_FEW = 0.002  # of the windows: some tens in a clip


@dataclass(frozen=True)
class Tie:
    """What is found around the limit of one candidate size.

    Attributes:
        coherence: 0: the pairs are independent, 1: one is the image of the other. Over the clearly
            coded windows where the quantiser is known, else over the stronger half.
        phase: Degrees, relative to samples centred on the frame.
        share: Share of windows with clearly coded detail; None where the quantiser is not known.
        power: Mean power per sample of the detail above the limit, squared code values.
        rest: Power above the limit that is no image, in squared quantiser steps: coding leaves
            some, detail of its own leaves more. None where the quantiser is not known.
        square: Mean squared quantiser step, squared code values.
    """

    coherence: float
    phase: float
    share: float | None
    power: float
    rest: float | None
    square: float | None = None


def find_tie(
    pictures: Sequence[npt.NDArray[np.generic]],
    steps: Sequence[npt.NDArray[np.float32] | None],
    size: float,
) -> Tie:
    """Look along the rows of pictures for one candidate size.

    Args:
        pictures: sequence of array (M, N)
        steps: sequence of array (M/16, N/16) or None. Quantiser steps in the pictures' code values.
        size: Native size; fractional where raster corners coincide.
    """
    share = size / pictures[0].shape[1]
    thin = max(1, sum(p.shape[0] for p in pictures) // _ROWS)
    looks = [
        _look(picture[::thin], _per_row(step, picture.shape[0])[::thin], share)
        for picture, step in zip(pictures, steps, strict=True)
    ]
    below, over, powers, squares = (np.concatenate(v) for v in zip(*looks, strict=True))
    share_clear = None
    if np.isnan(squares).any():
        clear = powers >= np.median(powers)
    else:
        clear = powers > CLEAR * squares
        share_clear = float(clear.mean())
        if share_clear < _FEW:  # too few windows for a figure: look at the strongest instead
            clear = powers >= np.quantile(powers, 0.98)
    power = float((np.abs(over) ** 2).mean())
    tied, phase = _coherence(below[clear], over[clear])
    rest = None
    if share_clear is not None:
        unexplained = float((np.abs(over[clear]) ** 2).mean()) * (1 - tied**2)
        rest = unexplained / float(squares[clear].mean())
    square = None if share_clear is None else float(squares.mean())
    return Tie(tied, phase, share_clear, power, rest, square)


def _coherence(below: Spectra, over: Spectra) -> tuple[float, float]:
    """Return how tightly pairs are tied (0 to 1), and their common phase in degrees.

    The median over the distances from the limit: a regular pattern in the scene ties only the
    few bins in which it lies.
    """
    total = (np.abs(below) ** 2).sum(axis=0) * (np.abs(over) ** 2).sum(axis=0)
    tied = (below * over).sum(axis=0) / np.sqrt(np.maximum(total, 1e-12))
    phase = float(np.angle(tied.sum()))
    middle = float(np.median((tied * np.exp(-1j * phase)).real))
    return min(1.0, max(0.0, middle)), float(np.degrees(phase))


def _per_row(step: npt.NDArray[np.float32] | None, rows: int) -> npt.NDArray[np.float32]:
    """Quantiser steps for every row, (rows, N/16); NaN where unknown."""
    if step is None:
        return np.full((rows, 1), np.nan, np.float32)
    return np.repeat(step, _BLOCK, axis=0)[:rows]


def _look(
    rows: npt.NDArray[np.generic], steps: npt.NDArray[np.float32], share: float
) -> tuple[Spectra, Spectra, Floats, Floats]:
    """Look at all windows of all rows.

    Returns:
        below, over: complex64 (windows, pairs). Bins on both sides of the limit, per sample; their
            products have phase 0 where the samples are centred on the frame.
        powers, squares: float32 (windows,). Power per sample around the limit, and mean squared
            quantiser step.
    """
    length = _length(share)
    low, high = _pairs(share, length)
    shape = window(length)
    # Power of white noise of variance 1 after differencing and window.
    gain = np.sqrt(4 * np.sin(np.pi * np.arange(length // 2 + 1) / length) ** 2 * (shape**2).sum())
    gain = gain.astype(np.float32)
    change = np.diff(rows.astype(np.float32), axis=1)
    belows, overs, powers, squares = [], [], [], []
    for start in range(0, change.shape[1] - length + 1, length // 2):
        spectrum = fft.rfft(change[:, start : start + length] * shape, axis=1)
        # Samples centred on the frame, and the half pixel by which a difference is late.
        turn = np.complex64(np.exp(2j * np.pi * share * (start - 1)))
        below = spectrum[:, low] * (turn / gain[low])
        over = spectrum[:, high] / gain[high]
        blocks = slice(start // _BLOCK, -(-(start + length) // _BLOCK))
        here = steps if steps.shape[1] == 1 else steps[:, blocks]
        belows.append(below)
        overs.append(over)
        powers.append(np.sqrt(_power(below) * _power(over)))
        squares.append((here**2).mean(axis=1))
    return (
        np.concatenate(belows), np.concatenate(overs), np.concatenate(powers),
        np.concatenate(squares),
    )  # fmt: skip


def _power(spectra: Spectra) -> Floats:
    """Return the mean power of each row, (M,)."""
    return np.asarray((spectra.real**2 + spectra.imag**2).mean(axis=1), np.float32)


def _length(share: float) -> int:
    """Window length near 128 in which the candidate's samples come out even."""
    lengths = np.arange(_LENGTH, _LENGTH + 33, 2)
    off = np.abs(lengths * share - np.round(lengths * share))
    return int(lengths[np.argmin(off + 1e-4 * (lengths - _LENGTH))])


def _pairs(share: float, length: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Return bins below and above the limit whose sum is the candidate size."""
    total = round(share * length)
    reach = max(2, round(_REACH * length))
    low = np.arange((total - 1) // 2, max(2, (total - 1) // 2 - reach), -1)
    high = total - low
    inside = high < length // 2
    return low[inside], high[inside]
