"""Colour of a camera against a reference: ΔE00 as recorded, exposure matched, corrected.

Figures are about the cells that were compared: their intervals hold what better pictures of
the same cells would say. What is uncertain about a cell (scatter over its sectors and over
frames, coding, the reference's noise) is drawn many times and every figure is computed anew.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.statistics import mean_t
from seeworthy.ground.uncertainty import interval
from seeworthy.optics.colour import chroma_of, de00, hue_of, lab_of, luminance
from seeworthy.procedures.colour.match import (
    differences,
    exposure_gain,
    fit_matrix,
    metric,
    white_gains,
)

Floats = npt.NDArray[np.float64]

LEAST_CELLS = 4  # a mean with a spread (a judgement)
LEAST_FOR_MATRIX = 12  # 36 readings for the nine entries of a matrix (a judgement)
COLOURED = 10.0  # C*ab from which a cell has a colour
NEUTRAL = 8.0  # C*ab up to which a cell of the reference counts as grey
_NEUTRAL_LIGHTNESS = 25.0  # L*: below, noise makes hues (a judgement)
_NO_COLOUR = 0.04  # chroma ratio of a monochrome clip
_DRAWS = 200  # 5 % of a spread (derived)
_WORTH = 0.9  # a correction is kept when it leaves at most this share on left-out cells


@dataclass(frozen=True)
class ColourPairs:
    """Cells of both pictures in linear RGB, (n, 3) each, with standard uncertainties.

    `u_common` is what all cells of the test picture share (a channel that the coding shifts
    as a whole); it does not average out.
    """

    reference: Floats
    test: Floats
    u_reference: Floats
    u_test: Floats
    u_common: Floats


@dataclass(frozen=True, slots=True)
class ColourValue:
    """A figure with its standard uncertainty and 95 % interval."""

    value: float
    u: float
    low: float
    high: float
    budget: tuple[Component, ...]


@dataclass(frozen=True)
class Colour:
    """What cells tell of a camera's colours.

    Attributes:
        figures: mapping of measurand id to Value
        per_cell: mapping of ``recorded``, ``matched``, ``corrected`` to arrays, (n,). ΔE00 of each
            cell; corrected ones by a matrix that was fitted without the cell.
        gain: Exposure match, linear.
        matrix: array, (3, 3), or None. After the gain; None where too few cells were seen.
        worth: The matrix brings left-out cells nearer to the reference.
        left_out: array, (n, 3), or None. Linear RGB of each cell after the matrix that was fitted
            without it.
        neutrals: Grey cells that the white shift comes from, 0: from the matrix.
        balanced: Mean ΔE00 when every channel has a gain of its own.
        tone_slope, u_tone_slope: Slope of log luminance against the reference's; 1 where the tone
            curve is as assumed.
        other_colours: 95 % interval of the mean ΔE00 for other colours like these.
    """

    figures: dict[str, ColourValue]
    per_cell: dict[str, Floats]
    gain: float
    matrix: Floats | None
    worth: bool
    left_out: Floats | None
    neutrals: int
    balanced: float
    tone_slope: float
    u_tone_slope: float
    other_colours: tuple[float, float]


def measure_colour(pairs: ColourPairs) -> Colour:
    """Compare cells with their reference.

    Raises:
        CannotMeasure: Too few cells, a reference without colours, or a monochrome test picture.
    """
    _check(pairs)
    rng = np.random.default_rng(0)
    shape = (_DRAWS, *pairs.test.shape)
    # Row 0 is what was measured.
    reference = np.concatenate(
        [pairs.reference[None], pairs.reference + pairs.u_reference * rng.standard_normal(shape)]
    )
    shared = pairs.u_common * rng.standard_normal((_DRAWS, 1, 3))
    noisy = pairs.test + pairs.u_test * rng.standard_normal(shape) + shared
    test = np.concatenate([pairs.test[None], noisy])
    gain = exposure_gain(reference, test)
    level = gain[:, None, None] * test
    columns, cells = _differences(reference, test, level)
    columns |= _chroma(reference, level)
    matrix, left_out = None, None
    if len(pairs.test) >= LEAST_FOR_MATRIX:
        fit = fit_matrix(reference, level, metric(pairs.reference))
        error = differences(reference, fit.left_out)
        columns["de00_mean_corrected"] = error.mean(axis=1)
        cells["corrected"] = error[0]
        matrix, left_out = fit.matrix[0], fit.left_out[0]
        columns |= {"_white_by_matrix": _white_by(fit.matrix)}
    neutrals = _neutral(pairs.reference)
    columns |= _white(reference, level, neutrals, columns.pop("_white_by_matrix", None))
    figures = {name: _value(column) for name, column in columns.items()}
    recorded, matched = (float(cells[k].mean()) for k in ("recorded", "matched"))
    worth = matrix is not None and bool(cells["corrected"].mean() < _WORTH * min(recorded, matched))
    balance = white_gains(pairs.reference, level[0])
    slope, u_slope = _tone(pairs.reference, pairs.test)
    return Colour(
        figures,
        cells,
        float(gain[0]),
        matrix,
        worth,
        left_out,
        int(neutrals.sum()),
        float(differences(pairs.reference, level[0] * balance).mean()),
        slope,
        u_slope,
        _others(cells["recorded"]),
    )


def _check(pairs: ColourPairs) -> None:
    n = len(pairs.test)
    if n < LEAST_CELLS:
        raise CannotMeasure(
            f"Evenly coloured places seen on both pictures: {n}; {LEAST_CELLS} are needed.",
            "Film more and larger plain-coloured objects, neither clipped nor dark, or mark cells.",
        )
    chroma = chroma_of(lab_of(pairs.reference))
    if int((chroma > COLOURED).sum()) < 3:
        raise CannotMeasure(
            "The reference shows hardly any colour.",
            "Use objects of strong and different colours; a grey scene tells nothing of colour.",
        )
    level = float(exposure_gain(pairs.reference, pairs.test))
    seen = chroma_of(lab_of(level * pairs.test))
    if float(seen.sum()) < _NO_COLOUR * float(chroma.sum()):
        raise CannotMeasure(
            "The clip has no colour: all its cells are grey.",
            "Switch the camera from black-and-white or night mode to colour and film again.",
        )


def _differences(
    reference: Floats, test: Floats, level: Floats
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    columns, cells = {}, {}
    lab = lab_of(reference)
    for suffix, name, other in (("", "recorded", test), ("_matched", "matched", level)):
        error = de00(lab, lab_of(other))
        columns[f"de00_mean{suffix}"] = error.mean(axis=1)
        columns[f"de00_p95{suffix}"] = np.quantile(error, 0.95, axis=1)
        columns[f"de00_max{suffix}"] = error.max(axis=1)
        cells[name] = error[0]
    return columns, cells


def _chroma(reference: Floats, level: Floats) -> dict[str, Floats]:
    """Ratio of the sums of C*ab, exposure matched, over the cells that have a colour."""
    ours, theirs = chroma_of(lab_of(level)), chroma_of(lab_of(reference))
    coloured = theirs[0] > COLOURED
    return {"chroma_ratio": ours[:, coloured].sum(axis=1) / theirs[:, coloured].sum(axis=1)}


def _neutral(reference: Floats) -> npt.NDArray[np.bool_]:
    lab = lab_of(reference)
    return np.asarray((chroma_of(lab) < NEUTRAL) & (lab[:, 0] > _NEUTRAL_LIGHTNESS))


def _white_by(matrix: Floats) -> Floats:
    """Return Δu'v' of what the camera makes of white, by the inverse of the matrix."""
    white = np.linalg.solve(matrix, np.ones((*matrix.shape[:-1], 1)))[..., 0]
    return _apart(hue_of(white) - hue_of(np.ones(3)))


def _apart(difference: Floats) -> Floats:
    return np.asarray(np.hypot(difference[..., 0], difference[..., 1]))


def _white(
    reference: Floats, level: Floats, neutrals: npt.NDArray[np.bool_], by_matrix: Floats | None
) -> dict[str, Floats]:
    if neutrals.any():
        shift = hue_of(level[:, neutrals]) - hue_of(reference[:, neutrals])
        return {"white_shift": _apart(shift.mean(axis=1))}
    return {} if by_matrix is None else {"white_shift": by_matrix}


def _value(column: Floats) -> ColourValue:
    """Make a figure from what was measured (row 0) and the draws."""
    seen, draws = float(column[0]), column[1:]
    # Noise lengthens differences: what it adds to the draws it has added to what was seen.
    bias = float(draws.mean()) - seen
    value = max(seen - bias, 0.5 * seen)
    parts = (
        Component("scatter and coding of the cells", float(draws.std(ddof=1)),
                  source="draws; coding fitted on 40 rendered takes (docs/accuracy/colour.md)"),
        Component("length that noise adds, taken off", abs(bias), source="draws"),
    )  # fmt: skip
    u = combined(parts)
    return ColourValue(value, u, *interval(value, u, least=0.0), parts)


def _tone(reference: Floats, test: Floats) -> tuple[float, float]:
    """Return the slope of log luminance against the reference's, and its u."""
    x, y = np.log(luminance(reference)), np.log(np.maximum(luminance(test), 1e-6))
    d = x - x.mean()
    if float((d * d).sum()) < 1e-6 or len(x) < 3:
        return 1.0, 1.0
    slope = float((d * y).sum() / (d * d).sum())
    rest = y - y.mean() - slope * d
    return slope, math.sqrt(float((rest * rest).sum()) / (len(x) - 2) / float((d * d).sum()))


def _others(error: Floats) -> tuple[float, float]:
    low, high = mean_t(error).interval
    return max(0.0, low), high


def combine(*parts: Sequence[float] | Floats) -> Floats:
    """Return the root of the sum of squares of standard uncertainties, (n, 3)."""
    return np.asarray(np.sqrt(sum(np.asarray(p, float) ** 2 for p in parts)))


def coding(linear: Floats, step: float | Floats) -> Floats:
    """Return what an error of `step` in the coded signal (0 to 1) is in linear light, (n, 3).

    `step` is one number, or one for each channel.
    The slope of the sRGB curve serves for all tone curves of this kind.
    """
    level = np.maximum(np.abs(linear), 0.003)
    return np.asarray(step * 2.4 / 1.055 * level ** (1 - 1 / 2.4))
