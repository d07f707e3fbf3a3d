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

from seeworthy.measure.native_lines import window

Array = npt.NDArray[np.float64]

CLEAR = 0.1
"""Power per sample, in squared quantiser steps, from which detail counts as clearly coded."""

_LENGTH = 128
_REACH = 0.07  # cy/px to either side of the limit
_ROWS = 1500  # rows in all that are enough
_BLOCK = 16
_FEW = 0.002


@dataclass(frozen=True)
class Tie:
    """What is found around the limit of one candidate size.

    Attributes
    ----------
    coherence : float
        0: the pairs are independent, 1: one is the image of the other. Over the clearly
        coded windows where the quantiser is known, else over the stronger half.
    phase : float
        Degrees, relative to samples centred on the frame.
    share : float or None
        Share of windows with clearly coded detail; None where the quantiser is not known.
    power : float
        Mean power per sample of the detail above the limit, squared code values.
    """

    coherence: float
    phase: float
    share: float | None
    power: float


def find_tie(
    pictures: Sequence[npt.NDArray[np.generic]],
    steps: Sequence[npt.NDArray[np.float32] | None],
    size: float,
) -> Tie:
    """Look along the rows of pictures for one candidate size.

    Parameters
    ----------
    pictures : sequence of array (M, N)
    steps : sequence of array (M/16, N/16) or None
        Quantiser steps in the pictures' code values.
    size : float
        Native size; fractional where raster corners coincide.
    """
    share = size / pictures[0].shape[1]
    thin = max(1, sum(p.shape[0] for p in pictures) // _ROWS)
    looks = [
        _look(picture[::thin], _per_row(step, picture.shape[0])[::thin], share)
        for picture, step in zip(pictures, steps, strict=True)
    ]
    products, powers, above, squares = (np.concatenate(v) for v in zip(*looks, strict=True))
    share_clear = None
    if np.isnan(squares).any():
        clear = powers >= np.median(powers)
    else:
        clear = powers > CLEAR * squares
        share_clear = float(clear.mean())
        if share_clear < _FEW:  # too few windows for a figure: look at the strongest instead
            clear = powers >= np.quantile(powers, 0.98)
    total = complex(products[clear].sum()) / max(float(powers[clear].sum()), 1e-12)
    phase = float(np.degrees(np.angle(total)))
    return Tie(min(1.0, abs(total)), phase, share_clear, float(above.mean()))


def _per_row(step: npt.NDArray[np.float32] | None, rows: int) -> npt.NDArray[np.float32]:
    """Quantiser steps for every row, (rows, N/16); NaN where unknown."""
    if step is None:
        return np.full((rows, 1), np.nan, np.float32)
    return np.repeat(step, _BLOCK, axis=0)[:rows]


def _look(
    rows: npt.NDArray[np.generic], steps: npt.NDArray[np.float32], share: float
) -> tuple[npt.NDArray[np.complex128], Array, Array, Array]:
    """Return, for all windows of all rows: summed products, power, power above, step squared."""
    length = _length(share)
    low, high = _pairs(share, length)
    shape = window(length)
    gain = 4 * np.sin(np.pi * np.arange(length // 2 + 1) / length) ** 2
    gain = gain * float((shape**2).sum())
    change = np.diff(rows.astype(np.float32), axis=1)
    products, powers, above, squares = [], [], [], []
    for start in range(0, change.shape[1] - length + 1, length // 2):
        spectrum = fft.rfft(change[:, start : start + length] * shape, axis=1)
        below, over = spectrum[:, low], spectrum[:, high]
        # Samples centred on the frame, and the half pixel by which a difference is late.
        turn = np.exp(2j * np.pi * share * (start - 1))
        products.append((below * over / np.sqrt(gain[low] * gain[high])).mean(axis=1) * turn)
        p = (np.abs(below) ** 2 / gain[low]).mean(axis=1)
        q = (np.abs(over) ** 2 / gain[high]).mean(axis=1)
        powers.append(np.sqrt(p * q))
        above.append(q)
        blocks = slice(start // _BLOCK, -(-(start + length) // _BLOCK))
        here = steps if steps.shape[1] == 1 else steps[:, blocks]
        squares.append((here**2).mean(axis=1))
    found = (np.concatenate(v) for v in (products, powers, above, squares))
    one, two, three, four = found
    return one, two, three, four


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
