"""How far one gain, three gains and a 3×3 matrix bring measured colours to the reference.

All work in linear light. The gain makes the mean ΔE00 least. The matrix makes the sum of
ΔE00 least as far as CIEDE2000 is locally quadratic around each reference colour: weighted
least squares, reweighted towards the mean instead of the mean square. What the colours do
not show about the matrix stays at 'no change' (a weak prior), so that a correction never
acts on what the fit did not see.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.optics.colour import de00, lab_of, luminance

Floats = npt.NDArray[np.float64]

_STEP = 0.01  # of the colour's own level: finite differences of ΔE00
_FLOOR_STEP = 0.0005  # the same near black
_PRIOR = 0.5  # how far entries of a camera's matrix lie from 'no change' (a judgement)
_ROUNDS = 10  # of reweighting (a judgement)
_LEAST_ERROR = 0.3  # ΔE00 that coding alone makes; smaller ones get no more weight
_GOLDEN = (np.sqrt(5) - 1) / 2


def differences(reference: Floats, test: Floats) -> Floats:
    """Return ΔE00 of linear RGB pairs, (...), from (..., 3)."""
    return de00(lab_of(reference), lab_of(test))


def exposure_gain(reference: Floats, test: Floats) -> Floats:
    """Return the one gain in linear light that makes the mean ΔE00 least.

    Args:
        reference, test: array, (..., n, 3). Linear RGB; leading axes are repeats.

    Returns:
        array, (...). Searched within two stops of equal median luminance.
    """
    lab = lab_of(reference)
    bottom = np.maximum(np.median(luminance(test), axis=-1), 1e-6)
    start = np.log(np.maximum(np.median(luminance(reference), axis=-1), 1e-6) / bottom)

    def cost(log_gain: Floats) -> Floats:
        moved = lab_of(np.exp(log_gain)[..., None, None] * test)
        return np.asarray(de00(lab, moved).mean(axis=-1))

    low, high = start - np.log(4), start + np.log(4)
    a, b = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    at_a, at_b = cost(a), cost(b)
    for _ in range(26):
        left = at_a < at_b
        high, low = np.where(left, b, high), np.where(left, low, a)
        new = np.where(left, high - _GOLDEN * (high - low), low + _GOLDEN * (high - low))
        at_new = cost(new)
        a, b = np.where(left, new, b), np.where(left, a, new)
        at_a, at_b = np.where(left, at_new, at_b), np.where(left, at_a, at_new)
    return np.asarray(np.exp((low + high) / 2))


def metric(reference: Floats) -> Floats:
    """Return ΔE00² around colours as a quadratic form in linear RGB, (n, 3, 3)."""
    h = np.maximum(_STEP * np.abs(reference).max(axis=-1, keepdims=True), _FLOOR_STEP)
    basis = np.eye(3)
    pairs = [(i, j) for i in range(3) for j in range(i, 3)]
    lab = lab_of(reference)

    def squared(direction: Floats) -> Floats:
        ahead = de00(lab, lab_of(reference + h * direction))
        back = de00(lab, lab_of(reference - h * direction))
        return np.asarray((ahead**2 + back**2) / 2 / h[:, 0] ** 2)

    form = np.zeros((len(reference), 3, 3))
    own = [squared(basis[i]) for i in range(3)]
    for i, j in pairs:
        if i == j:
            form[:, i, i] = own[i]
        else:
            form[:, i, j] = form[:, j, i] = (squared(basis[i] + basis[j]) - own[i] - own[j]) / 2
    return form


@dataclass(frozen=True)
class MatrixFit:
    """The best 3×3, and what it does to colours that it was not fitted to.

    Attributes:
        matrix: array, (..., 3, 3). ``corrected = matrix @ test``.
        left_out: array, (..., n, 3). Each colour, corrected by the matrix that was fitted without
            it.
    """

    matrix: Floats
    left_out: Floats


def fit_matrix(reference: Floats, test: Floats, form: Floats | None = None) -> MatrixFit:
    """Fit the 3×3 that brings `test` to `reference`, with every colour left out once.

    Args:
        reference, test: array, (..., n, 3). Linear RGB, the exposure matched already; leading axes
            are repeats.
        form: array, (n, 3, 3). From `metric` of the reference.
    """
    if form is None:
        form = metric(reference.reshape(-1, *reference.shape[-2:])[0])
    # m is the matrix row by row: (M x)_i = Σ_j M_ij x_j.
    squares = np.einsum("nik,...nj,...nl->...nijkl", form, test, test)
    squares = squares.reshape(*squares.shape[:-4], 9, 9)
    sides = np.einsum("nik,...nk,...nj->...nij", form, reference, test)
    sides = sides.reshape(*sides.shape[:-2], 9)
    weight = np.ones(test.shape[:-1])
    none = np.eye(3).ravel()
    prior = np.full(test.shape[:-2], _LEAST_ERROR / _PRIOR**2)
    matrix = np.broadcast_to(none, (*test.shape[:-2], 9))
    for _ in range(_ROUNDS):
        left = np.einsum("...n,...nab->...ab", weight, squares) + prior[..., None, None] * np.eye(9)
        right = np.einsum("...n,...na->...a", weight, sides) + prior[..., None] * none
        matrix = _solve(left, right)
        off = np.einsum("...ij,...nj->...ni", matrix.reshape(*matrix.shape[:-1], 3, 3), test)
        error = np.sqrt(
            np.maximum(
                np.einsum("...ni,nij,...nj->...n", off - reference, form, off - reference), 0
            )
        )
        # Weights towards the mean ΔE00 (iteratively reweighted least squares).
        weight = 1 / np.maximum(error, _LEAST_ERROR)
        # Cells that fit without error still tell nothing of what they do not show.
        spread = np.maximum(np.mean(weight * error**2, axis=-1), _LEAST_ERROR)
        prior = spread / _PRIOR**2
    without = left[..., None, :, :] - weight[..., None, None] * squares
    without_right = right[..., None, :] - weight[..., None] * sides
    each = _solve(without, without_right)
    left_out = np.einsum("...nij,...nj->...ni", each.reshape(*each.shape[:-1], 3, 3), test)
    return MatrixFit(matrix.reshape(*matrix.shape[:-1], 3, 3), left_out)


def _solve(left: Floats, right: Floats) -> Floats:
    return np.asarray(np.linalg.solve(left, right[..., None])[..., 0])


def white_gains(reference: Floats, test: Floats) -> Floats:
    """Return gains per channel, (3,), that bring `test` nearest to `reference`.

    Medians of ratios of channels, held at equal luminance of white: what a different light
    or white balance does to all colours alike.
    """
    ratio = np.maximum(reference, 1e-4) / np.maximum(test, 1e-4)
    gains = np.exp(np.median(np.log(ratio), axis=0))
    return np.asarray(gains / luminance(gains))
