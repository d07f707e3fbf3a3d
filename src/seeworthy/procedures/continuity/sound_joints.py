"""Two pieces of sound on one time scale: where a piece stands in a longer recording.

What was heard by two microphones at once, or by one microphone in two files that overlap,
fits at one lag only. Room sound is compared by phase (whitened), so that another tone of
microphone does not matter; a known sweep by its own shape.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import signal

Floats = npt.NDArray[np.float64]

RATE = 8000
"""Samples per second at which sounds are compared."""
_BAND = (150.0, 3600.0)  # Hz: above hum and wind, below what coders drop (a judgement)
_CLEAR = 8.0  # peak over the scatter of the rest: chance reaches 6 in a minute of lags
_ALONE = 0.7  # a second peak this high makes the place ambiguous (hum, music, a beep)
_APART = 0.02  # seconds from the peak at which another one is another place
_FADE = 0.1  # seconds
_RMS_LEAST = 1e-5  # quieter than this of full scale is silence
SWEEP_LOW, SWEEP_HIGH, SWEEP_S = 20.0, 20000.0, 20.0
"""Sweep of the clock page: hertz, hertz, seconds; the frequency grows by equal ratios."""


@dataclass(frozen=True, slots=True)
class JointPlace:
    """Where a piece begins in a reference.

    Attributes:
        seconds: From the start of the reference to the start of the piece; may be negative.
        u: Standard uncertainty.
        clear: How far the peak stands above the rest, in standard deviations of the rest.
    """

    seconds: float
    u: float
    clear: float


def resampled(samples: npt.NDArray[np.floating], rate: float) -> Floats:
    """Bring one channel to `RATE`."""
    if round(rate) == RATE or not samples.size:
        return np.asarray(samples, float)
    common = math.gcd(RATE, round(rate))
    return np.asarray(signal.resample_poly(samples, RATE // common, round(rate) // common), float)


def place(
    piece: Floats, reference: Floats, *, whiten: bool = True, overlap: float = 0.3
) -> JointPlace | None:
    """Find where a piece of sound stands in another.

    Args:
        piece, reference: ndarray (N,), (M,). One channel at `RATE`.
        whiten: Compare phases only (room sound); False for a known signal of its own shape.
        overlap: Seconds that the two must share at least.

    Returns:
        None for silence, or where no lag, or more than one, stands out.
    """
    least = round(overlap * RATE)
    if min(piece.size, reference.size) < least or min(_rms(piece), _rms(reference)) < _RMS_LEAST:
        return None
    length = 1 << (piece.size + reference.size - 1).bit_length()
    cross = np.fft.rfft(_tapered(reference), length) * np.conj(np.fft.rfft(_tapered(piece), length))
    frequency = np.fft.rfftfreq(length, 1 / RATE)
    cross[(frequency < _BAND[0]) | (frequency > _BAND[1])] = 0
    if whiten:
        cross /= np.abs(cross) + 0.02 * np.abs(cross).mean() + 1e-30
    raw = np.fft.irfft(cross, length)
    lags = np.arange(-(piece.size - least), reference.size - least + 1)
    score = raw[lags % length]
    shared = np.minimum(np.minimum(lags + piece.size, reference.size - lags), piece.size)
    score = score / np.sqrt(np.maximum(shared, least))
    return _peak(score, lags)


def _peak(score: Floats, lags: npt.NDArray[np.int64]) -> JointPlace | None:
    top = int(np.argmax(score))
    away = np.abs(lags - lags[top]) > _APART * RATE
    if away.sum() < RATE / 10:
        return None
    rest = score[away]
    spread = float(rest.std())
    if spread <= 0:
        return None
    clear = float(score[top] / spread)
    if clear < _CLEAR or float(rest.max()) > _ALONE * score[top]:
        return None
    shift = 0.0
    if 0 < top < score.size - 1:
        a, b, c = score[top - 1 : top + 2]
        shift = float(0.5 * (a - c) / (a - 2 * b + c)) if a - 2 * b + c else 0.0
    # A twentieth of a cycle of the middle of the band, and one sample for the filters.
    return JointPlace((float(lags[top]) + shift) / RATE, 0.25e-3, clear)


def _tapered(samples: Floats) -> Floats:
    """Fade both ends: two cuts would fit each other better than the sounds do."""
    edge = min(round(_FADE * RATE), samples.size // 4)
    ramp = np.sin(0.5 * np.pi * (np.arange(edge) + 0.5) / edge) ** 2
    faded = samples.copy()
    faded[:edge] *= ramp
    faded[-edge:] *= ramp[::-1]
    return faded


def _rms(samples: Floats) -> float:
    return float(np.sqrt(np.mean(samples**2)))


def sweep() -> Floats:
    """Return the sweep of the clock page as far as `RATE` carries it, from its start."""
    ratio = math.log(SWEEP_HIGH / SWEEP_LOW)
    end = SWEEP_S * math.log(0.45 * RATE / SWEEP_LOW) / ratio
    t = np.arange(int(end * RATE)) / RATE
    phase = 2 * np.pi * SWEEP_LOW * SWEEP_S / ratio * np.expm1(t / SWEEP_S * ratio)
    return np.asarray(np.sin(phase))
