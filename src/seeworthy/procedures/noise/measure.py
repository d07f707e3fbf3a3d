"""Temporal and fixed-pattern noise of an even patch, as delivered in the file.

Terms of EMVA 1288 and ISO 15739 (from memory): temporal noise is how single pixels change from
frame to frame, the fixed pattern is what stays when frames are averaged. Everything is in linear
light, a share of full scale.

An encoder stands between sensor and file. Still blocks are copied from frame to frame, so the
difference of neighbours holds too little noise: frames far apart are compared (other groups of
pictures, coded anew). Quantisation takes noise away for good: what is left is noise *as
delivered*, the sensor's own is larger. How much neighbours hide, how many blocks stand still and
how far the noise is smeared over neighbouring pixels is measured and said.

The fixed pattern is the covariance of two means that share no frame: noise that is left in one
mean is not in the other, so nothing has to be subtracted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.noise.coding import CODED, REPEATED, sparseness

Floats = npt.NDArray[np.float64]

LEAST_FRAMES = 8  # four pairs half a clip apart (a judgement)
_LEAST_SIDE = 8  # px: one block of a coder's transform
_TILE = 8  # px: a coder's block
_REACH = 6  # px over which noise is tied: lags beyond were chance (a judgement)
_CLIPPED_SHARE = 0.005  # of the pixels: at 2.6 sigma from the end (derived, normal noise)
_ROWS_Z = 6.0  # standard errors by which rows must stand out (a judgement)
RESOLVED = 0.3
"""Code values rms below which rounding to whole codes hides how much noise there is."""


@dataclass(frozen=True, slots=True)
class NoiseLevel:
    """Noise of one patch.

    Attributes:
        signal, u_signal: Mean linear light, share of full scale, and its uncertainty by the noise.
        temporal, u_temporal, dof: Standard deviation over time of a pixel, linear; degrees of
            freedom behind it, with the noise's correlation over space and time.
        fixed, u_fixed: Standard deviation of the fixed pattern, 0 where it does not stand out.
        fixed_variance, u_fixed_variance: The same squared, may be below zero by chance.
        codes: Temporal noise in code values.
        step: Linear light of one code value at this level.
        neighbours: Noise between neighbouring frames over noise between far ones; below 1 where the
            encoder or a filter over time ties frames together.
        repeated: Share of 8×8 blocks that are the same, to the last bit, in neighbouring frames.
        frozen: The same for frames far apart.
        smear: Correlation of the noise with the next pixel (mean of across and down).
        flicker: Standard deviation of the patch mean from frame to frame, share of the signal.
        bands: Standard deviation of row means beyond the noise, share of the signal; 0 where none.
        sparse: Excess kurtosis of the noise in the coder's blocks; see `noise_coding`.
        reflectance, u_reflectance: Of the patch, where it is known.
    """

    name: str
    signal: float
    u_signal: float
    temporal: float
    u_temporal: float
    dof: float
    fixed: float
    u_fixed: float
    fixed_variance: float
    u_fixed_variance: float
    codes: float
    step: float
    neighbours: float
    repeated: float
    frozen: float
    smear: float
    flicker: float
    bands: float
    sparse: float
    pixels: int
    frames: int
    reflectance: float | None = None
    u_reflectance: float | None = None

    @property
    def total(self) -> float:
        """Temporal noise and fixed pattern together."""
        return math.hypot(self.temporal, self.fixed)

    @property
    def masked(self) -> bool:
        """Whether the noise is too small, or too much of the picture stands still, to be told."""
        return self.codes < RESOLVED or self.frozen > 0.5

    @property
    def coded(self) -> bool:
        """Whether an encoder took of this step's own noise; in the darks it takes most."""
        return self.sparse > CODED or self.repeated > REPEATED

    @property
    def told(self) -> bool:
        """Whether this is noise as the camera made it: neither hidden nor taken."""
        return not (self.masked or self.coded)


def measure_level(
    name: str,
    light: npt.NDArray[np.floating],
    codes: npt.NDArray[np.integer] | None = None,
    index: npt.NDArray[np.integer] | None = None,
    *,
    limits: tuple[float, float] = (0.0, 1.0),
    step: float = 0.0,
    corner: tuple[int, int] = (0, 0),
) -> NoiseLevel:
    """Measure one even patch.

    Args:
        light: array (T, h, w). Linear light of the patch in T frames, in order of time.
        codes: integer array, (T, h, w). Code values of the same, to tell blocks that repeat.
        index: integer array, (T,). Numbers of the frames in the clip; consecutive ones are
            neighbours. Default 0, 1, 2 …
        limits: (low, high). Light at and beyond which pixels are clipped.
        step: Linear light of one code value at this level.
        corner: (x, y). Place of the patch in the frame, for the coder's grid of blocks.

    Raises:
        CannotMeasure: Too few frames, too small, or clipped.
    """
    x = np.asarray(light, np.float64)
    frames, height, width = x.shape
    _check(x, limits)
    when = np.arange(frames) if index is None else np.asarray(index)
    means = x.mean(axis=(1, 2))
    signal = float(means.mean())
    pixels = height * width
    still = x - means[:, None, None]
    apart = frames // 2
    far = (still[apart : 2 * apart] - still[:apart]) / math.sqrt(2)
    far, bands = _without_bands(far, signal)
    variance = float((far**2).mean()) * pixels / (pixels - 1)
    smear, spread = _correlation(far)
    dof = _dof(far, pixels, spread)
    near = np.flatnonzero(np.diff(when) == 1)
    close = _neighbours(still, near, bands) if len(near) else variance
    tied = variance * _left_over(when, apart, 1 - close / max(variance, 1e-18))
    fixed_variance, u_fixed_variance = _fixed(still, apart)
    fixed_variance -= tied
    temporal = math.sqrt(max(variance, 1e-18))
    noise_of_mean = variance * spread / pixels
    times = max(1.0, min(dof * spread / pixels, float(frames)))
    flicker = float(means.var(ddof=1)) - noise_of_mean
    fixed = math.sqrt(max(fixed_variance, 0.0))
    return NoiseLevel(
        name, signal, math.sqrt(noise_of_mean / times),
        temporal, temporal / math.sqrt(2 * dof), dof,
        fixed, _u_root(fixed_variance, u_fixed_variance), fixed_variance, u_fixed_variance,
        temporal / step if step else math.inf, step,
        math.sqrt(close / max(variance, 1e-18)),
        _same(codes, near, 1) if codes is not None else 0.0,
        _same(codes, np.arange(apart), apart) if codes is not None else 0.0,
        smear, math.sqrt(max(flicker, 0.0)) / signal, bands,
        sparseness(codes, corner) if codes is not None else 0.0, pixels, frames,
    )  # fmt: skip


def _neighbours(still: Floats, near: npt.NDArray[np.intp], bands: float) -> float:
    """Return the variance between neighbouring frames."""
    side = (still[near + 1] - still[near]) / math.sqrt(2)
    if bands:
        side = side - side.mean(axis=2, keepdims=True)
    return float((side**2).mean())


def _check(x: Floats, limits: tuple[float, float]) -> None:
    frames, height, width = x.shape
    if frames < LEAST_FRAMES:
        raise CannotMeasure(
            f"Noise needs {LEAST_FRAMES} frames at least; the clip has {frames} that can be used.",
            "Record ten seconds of the still scene.",
        )
    if min(height, width) < _LEAST_SIDE:
        raise CannotMeasure(
            f"The patch is only {width}×{height} px.", "Go closer, or mark a larger region."
        )
    low = float(np.mean(x <= limits[0]))
    high = float(np.mean(x >= limits[1]))
    if max(low, high) > _CLIPPED_SHARE:
        end = "white" if high > low else "black"
        raise CannotMeasure(
            f"{100 * max(low, high):.0f} % of the patch is clipped at {end}: the noise there is "
            "cut off.",
            "Less light, so that nothing is quite white." if high > low else "Give it more light.",
            reason=end,
        )
    if not float(x.mean()) > 0:
        raise CannotMeasure("The patch is black.", "Give it more light.", reason="black")


def _without_bands(far: Floats, signal: float) -> tuple[Floats, float]:
    """Take out what whole rows do together (a lamp's bands) where that stands out.

    Rows are exposed one after the other, columns are not: noise makes both kinds of means
    scatter alike, a flickering lamp only those of the rows.
    """
    count, height, width = far.shape
    rows, columns = far.mean(axis=2), far.mean(axis=1)
    by_row = float((rows**2).mean()) * width
    by_column = float((columns**2).mean()) * height
    fewest = count * min(height, width)
    if by_row <= by_column * (1 + _ROWS_Z * math.sqrt(4.0 / fewest)) + 1e-18:
        return far, 0.0
    bands = math.sqrt((by_row - by_column) / width) / signal
    return (far - rows[:, :, None]) * math.sqrt(width / (width - 1)), bands


def _correlation(far: Floats) -> tuple[float, float]:
    """Return the correlation with the next pixel and the sum of squared correlations.

    The sum is the number of pixels that carry as much as one independent one (Bartlett 1935).
    """
    count, height, width = far.shape
    reach_y, reach_x = min(_REACH, height // 2), min(_REACH, width // 2)
    spectrum = np.fft.rfft2(far, (2 * height, 2 * width))
    raw = np.fft.irfft2((np.abs(spectrum) ** 2).mean(axis=0), (2 * height, 2 * width))
    y = np.minimum(np.arange(2 * height), 2 * height - np.arange(2 * height))
    x = np.minimum(np.arange(2 * width), 2 * width - np.arange(2 * width))
    pairs = np.maximum(height - y, 1)[:, None] * np.maximum(width - x, 1)[None, :]
    rho = raw / pairs
    if not rho[0, 0] > 0:
        return 0.0, 1.0
    rho = rho / rho[0, 0]
    near = (y <= reach_y)[:, None] & (x <= reach_x)[None, :]
    # A correlation that is only chance has a square of 1 / pairs.
    chance = 1.0 / (pairs * count)
    spread = float((rho[near] ** 2 - chance[near]).sum()) + float(chance[0, 0])
    return float(rho[0, 1] + rho[1, 0]) / 2, max(1.0, spread)


def _dof(far: Floats, pixels: int, spread: float) -> float:
    """Degrees of freedom of the mean square, by the correlation over time and space."""
    flat = far.reshape(len(far), -1)
    gram = flat @ flat.T / pixels
    trace = float(np.trace(gram))
    if not trace > 0:
        return 1.0
    # Satterthwaite: as many independent differences as the eigenvalues say.
    square = float((gram**2).sum()) - trace**2 * spread * (1 - 1 / len(gram)) / pixels
    times = min(float(len(gram)), trace**2 / max(square, trace**2 / len(gram)))
    dof = times * pixels / spread
    blocks = _block_means(far**2)
    if len(blocks) < 6:
        return dof
    # Blocks that differ more than chance has them (skipped or not, filtered or not).
    shares = float(blocks.var(ddof=1) / blocks.mean() ** 2)
    seen = 2 * len(blocks) / shares if shares > 0 else dof
    return seen if seen < 0.5 * dof else dof


def _block_means(square: Floats) -> Floats:
    """Mean of each 8×8 block over all differences, (blocks,)."""
    _, height, width = square.shape
    rows, columns = height // _TILE, width // _TILE
    if rows * columns < 1:
        return np.empty(0)
    cut = square.mean(axis=0)[: rows * _TILE, : columns * _TILE]
    return np.asarray(cut.reshape(rows, _TILE, columns, _TILE).mean(axis=(1, 3)).ravel())


def _part(apart: int) -> int:
    """Frames in each of the two means: the middle is left out, where a filter ties them most."""
    return max(2, (3 * apart) // 4)


def _left_over(when: npt.NDArray[np.integer], apart: int, tie: float) -> float:
    """Share of the temporal noise that the two means still have in common.

    A filter over time whose neighbours correlate by `tie` leaves a power of it further on.
    """
    if tie < 0.05:
        return 0.0
    part = _part(apart)
    gaps = np.abs(when[:part, None] - when[None, -part:])
    return float((min(tie, 0.99) ** gaps).mean())


def _fixed(still: Floats, apart: int) -> tuple[float, float]:
    """Variance of the fixed pattern and its uncertainty, from two parts of the frames."""
    _, height, width = still.shape
    part = _part(apart)
    first, last = (_without_surface(half.mean(axis=0)) for half in (still[:part], still[-part:]))
    free = height * width - 6
    covariance = float((first * last).sum()) / free
    _, spread = _correlation(((first + last) / 2)[None])
    own = float((first**2).sum() + (last**2).sum()) / 2 / free
    return covariance, math.sqrt((own**2 + covariance**2) * spread / free)


def _without_surface(mean: Floats) -> Floats:
    """Take out the smooth fall-off of light over the patch: a surface of second degree."""
    height, width = mean.shape
    y, x = np.meshgrid(np.linspace(-1, 1, height), np.linspace(-1, 1, width), indexing="ij")
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1).reshape(-1, 6)
    fit = np.linalg.lstsq(terms, mean.ravel(), rcond=None)[0]
    return np.asarray(mean - (terms @ fit).reshape(mean.shape), np.float64)


def _u_root(variance: float, u: float) -> float:
    """Uncertainty of a root whose square is known to `u` and may be near nothing."""
    upper = math.sqrt(max(variance, 0.0) + u)
    return max(upper - math.sqrt(max(variance, 0.0)), u / (2 * upper) if upper > 0 else 0.0)


def _same(codes: npt.NDArray[np.integer], first: npt.NDArray[np.integer], apart: int) -> float:
    """Share of 8×8 blocks that are the same in frames so far apart."""
    if not len(first):
        return 0.0
    _, height, width = codes.shape
    rows, columns = max(1, height // _TILE), max(1, width // _TILE)
    changed = codes[first + apart] != codes[first]
    cut = changed[:, : rows * _TILE, : columns * _TILE]
    blocks = cut.reshape(len(first), rows, cut.shape[1] // rows, columns, cut.shape[2] // columns)
    return float(np.mean(~blocks.any(axis=(2, 4))))
