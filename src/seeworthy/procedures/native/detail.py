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


class Detail:
    """The rows of a clip's pictures, as they are asked about every candidate size.

    Args:
        pictures: sequence of array (M, N)
        steps: sequence of array (M/16, N/16) or None. Quantiser steps in the pictures' code
            values; None for all or for none.
    """

    def __init__(
        self,
        pictures: Sequence[npt.NDArray[np.generic]],
        steps: Sequence[npt.NDArray[np.float32] | None],
    ) -> None:
        thin = max(1, sum(p.shape[0] for p in pictures) // _ROWS)
        self.size = pictures[0].shape[1]
        rows = np.concatenate([p[::thin] for p in pictures]).astype(np.float32, order="C")
        self._change = np.diff(rows, axis=1)
        known = [
            np.repeat(s, _BLOCK, axis=0)[: p.shape[0]][::thin] ** 2
            for p, s in zip(pictures, steps, strict=True)
            if s is not None
        ]
        self._squares = np.concatenate(known) if known else None

    def tie(self, size: float) -> Tie:
        """Look along the rows for one candidate size.

        Args:
            size: Native size; fractional where raster corners coincide.
        """
        below, over, powers, squares = self._look(size / self.size)
        share = square = rest = None
        if squares is None:
            clear = powers >= np.median(powers)
        else:
            square = float(squares.mean())
            clear = powers > CLEAR * squares
            share = float(clear.mean())
            if share < _FEW:  # too few windows for a figure: look at the strongest instead
                clear = powers >= np.quantile(powers, 0.98)
        power = float(_power(over).mean())
        chosen = over[clear]
        tied, phase = _coherence(below[clear], chosen)
        if squares is not None:
            unexplained = float(_power(chosen).mean()) * (1 - tied**2)
            rest = unexplained / float(squares[clear].mean())
        return Tie(tied, phase, share, power, rest, square)

    def _look(self, share: float) -> tuple[Spectra, Spectra, Floats, Floats | None]:
        """Look at all windows of all rows.

        Returns:
            below, over: complex64 (windows, pairs). Bins on both sides of the limit, per sample;
                their products have phase 0 where the samples are centred on the frame.
            powers, squares: float32 (windows,). Power per sample around the limit, and mean squared
                quantiser step.
        """
        length = _length(share)
        low, high = _pairs(share, length)
        shape = window(length)
        # Power of white noise of variance 1 after differencing and window.
        response = 4 * np.sin(np.pi * np.arange(length // 2 + 1) / length) ** 2
        gain = np.sqrt(response * (shape**2).sum())
        # A dozen bins of each window are asked for: a product, where a transform costs more.
        bins = np.concatenate([low, high])
        waves = np.exp(-2j * np.pi / length * np.outer(np.arange(length), bins))
        waves *= shape[:, None] / gain[bins]
        both = np.concatenate([waves.real, waves.imag], axis=1).astype(np.float32)
        starts = np.arange(0, self._change.shape[1] - length + 1, length // 2)
        spectra = np.empty((len(starts), len(self._change), len(bins)), np.complex64)
        for found, start in zip(spectra, starts, strict=True):
            part = self._change[:, start : start + length] @ both
            found.real, found.imag = part[:, : len(bins)], part[:, len(bins) :]
        below, over = spectra[..., : len(low)], spectra[..., len(low) :]
        # Samples centred on the frame, and the half pixel by which a difference is late.
        below *= np.exp(2j * np.pi * share * (starts - 1)).astype(np.complex64)[:, None, None]
        powers = np.sqrt(_power(below) * _power(over))
        squares = None
        if self._squares is not None:
            ends = -(-(starts + length) // _BLOCK)
            blocks = [slice(a // _BLOCK, b) for a, b in zip(starts, ends, strict=True)]
            squares = np.concatenate([self._squares[:, part].mean(axis=1) for part in blocks])
        pairs = (-1, len(low))
        return below.reshape(pairs), over.reshape(pairs), powers.ravel(), squares


def _coherence(below: Spectra, over: Spectra) -> tuple[float, float]:
    """Return how tightly pairs are tied (0 to 1), and their common phase in degrees.

    The median over the distances from the limit: a regular pattern in the scene ties only the
    few bins in which it lies.
    """
    total = _squared(below).sum(axis=0) * _squared(over).sum(axis=0)
    tied = (below * over).sum(axis=0) / np.sqrt(np.maximum(total, 1e-12))
    phase = float(np.angle(tied.sum()))
    middle = float(np.median((tied * np.exp(-1j * phase)).real))
    return min(1.0, max(0.0, middle)), float(np.degrees(phase))


def _squared(spectra: Spectra) -> Floats:
    return np.asarray(spectra.real**2 + spectra.imag**2, np.float32)


def _power(spectra: Spectra) -> Floats:
    """Return the mean power over the bins, which stand last."""
    return np.asarray(_squared(spectra).mean(axis=-1), np.float32)


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
