"""What a block coder took from the noise, told from the noise that is left.

Sensor noise has a normal distribution in every frequency of a block. A coder rounds each
frequency to whole steps and small ones to nothing: what is left is many zeros and a few large
values, and the kurtosis tells it. A filter over space or time leaves it normal. In H.264 the
steps are the same for all frequencies unless the camera says otherwise, so the spectrum tells
nothing.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft, stats

Floats = npt.NDArray[np.float64]

BLOCK = 8  # px, of the transform of H.264 high profile, HEVC and Motion JPEG
CODED = 0.15
"""Kurtosis from which noise is no longer taken for normal."""
REPEATED = 0.05
"""Share of blocks that stay the same to the last bit from which an encoder copied them; noise of a
third of a code value and more leaves no block of 64 pixels alike (derived)."""
# Share of a step that is added before rounding down. Coders use 1/3 or less (1/3 in the H.264
# reference encoder's key frames, from memory); less takes more noise for the same kurtosis.
_ROUNDING = 1 / 3


def sparseness(codes: npt.NDArray[np.integer], corner: tuple[int, int]) -> float:
    """Return the excess kurtosis of the noise in 8×8 blocks: 0 for sensor noise.

    Args:
        codes: array (T, h, w). Code values of an even patch.
        corner: (x, y). Place of the patch in the frame: blocks lie on a grid of 8.

    Returns:
        0 where no whole block lies in the patch.
    """
    frames, height, width = codes.shape
    x, y = -corner[0] % BLOCK, -corner[1] % BLOCK
    rows, columns = (height - y) // BLOCK, (width - x) // BLOCK
    if rows < 1 or columns < 1:
        return 0.0
    cut = codes[:, y : y + rows * BLOCK, x : x + columns * BLOCK].astype(np.float64)
    blocks = (cut - cut.mean(axis=0)).reshape(frames, rows, BLOCK, columns, BLOCK)
    spectrum = fft.dctn(blocks, axes=(2, 4), norm="ortho")
    each = spectrum.transpose(2, 4, 0, 1, 3).reshape(BLOCK * BLOCK, -1)[1:]
    square = (each**2).mean(axis=1)
    seen = square > 1e-9
    if not seen.any():
        return 0.0
    kurtosis = (each[seen] ** 4).mean(axis=1) / square[seen] ** 2 - 3
    return float(kurtosis.mean())


def least_loss(kurtosis: float) -> float:
    """Return the decibels that a coder took at least, for such a kurtosis.

    The rounding of normal values to whole steps, with the rounding that takes least; coders
    that weigh bits against errors take more.
    """
    if kurtosis < CODED:
        return 0.0
    known, loss = _table()
    return float(np.interp(kurtosis, known, loss))


@lru_cache(maxsize=1)
def _table() -> tuple[Floats, Floats]:
    """Kurtosis and loss in dB of rounded normal values, for steps of 0 to 4 deviations."""
    x = np.linspace(-10, 10, 40001)
    weight = stats.norm.pdf(x)
    weight /= weight.sum()
    known, loss = [0.0], [0.0]
    for step in np.linspace(0.3, 4.0, 75):
        kept = np.sign(x) * np.floor(np.abs(x) / step + _ROUNDING) * step
        square = float((weight * kept**2).sum())
        kurtosis = float((weight * kept**4).sum()) / square**2 - 3
        if kurtosis > known[-1]:
            known.append(kurtosis)
            loss.append(-10 * float(np.log10(square)))
    return np.array(known), np.array(loss)
