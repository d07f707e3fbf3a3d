"""What a frame shows that mixes updates of a screen, and the exposures that its frames allow."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

PHASES = 128  # steps of 0.13 ms at 60 Hz: finer than what a band shows (NOISE_MS)
REACH = 0.9
"""How far, in updates, the moment may lie from the mean shown."""
NOISE_MS = 0.3
"""Standard deviation of the mean that a band shows, ms; that of the spread is `NOISE_SQUARE`."""
NOISE_SQUARE = 4.0  # ms²; judgements from rendered clips, as NOISE_MS
TONE = 0.1
"""Share by which a mixture of times may be weighted wrongly."""
WEIGHT = 3.0
"""Bands of one frame share what coding and pixels do to them: all together count as so many."""
_ANSWERS = (0.7, 2.0, 4.0, 8.0)
"""Time constants of a screen's pixels that are thought of, ms (common practice, no source:
quick gaming panels to slow office ones)."""
_EXPOSURES = 0.2
"""Step of the exposures that are tried, in their logarithm."""
_DELAYS = 9  # a quarter of an update apart; the best is refined afterwards
_ALLOWED = 2.0
"""Mean log-likelihood of a frame by which an exposure may be worse than the best one and still
be thought possible. Fitted on our own rendered clips (seed 5, in and out of step with the
screen): the true exposure was worse by up to 1.4 where it is not below an update anyway."""


def mixture(period: float, exposure: float, answer: float) -> tuple[Array, Array]:
    """What a frame shows whose exposure has its middle at each phase of the updates.

    Returns:
        mean, variance: ndarray (128,). Mean time shown less the moment, ms, plus half an update and
            `answer` so that it is 0 on average; variance of the times shown, ms².
    """
    phase = (np.arange(PHASES) + 0.5) / PHASES * period
    reach = math.ceil((exposure / 2 + 6 * answer) / period) + 1
    number = np.arange(-reach, reach + 2)
    late = phase[:, None] - number * period

    def gathered(t: Array) -> Array:
        t = np.maximum(t, 0.0)
        return t - answer * (1 - np.exp(-t / answer)) if answer > 0 else t

    begun = (gathered(late + exposure / 2) - gathered(late - exposure / 2)) / exposure
    share = begun[:, :-1] - begun[:, 1:]
    share[:, 0] += 1 - begun[:, 0]
    value = number[:-1] * period
    mean = share @ value
    return mean - phase + period / 2 + answer, share @ value**2 - mean**2


def allowed(
    time: Array, square: Array, heights: Array, phases: Array, period: float, blur_most: float
) -> tuple[float, float]:
    """Return the least and the largest exposure, ms, that explain the frames about as well.

    A camera in step with the screen sees one phase of its updates for ever, where short and
    long exposures may show the same; without a frame of one update alone the phase is not
    known either. So every phase, answer of the pixels and delay over the picture is tried with
    every exposure, and the answer is the union of what is left: it narrows by itself where the
    frames were seen to sweep over the updates.

    Args:
        time, square: ndarray (N, B). Mean and variance of the times shown, ms and ms²
            (`seeworthy.clock.moments.ShownClock`).
        heights: ndarray (B,).
        phases: ndarray (N,). Phase of the updates as the grid has it, ms; only its course is used.
        period: Between updates, ms.
        blur_most: Variance that optics may add, ms²: anything from none to this is free.
    """
    tried = np.exp(np.arange(math.log(0.06), math.log(3.0), _EXPOSURES)) * period
    best = np.full(len(tried), -np.inf)
    steps = period * np.linspace(-REACH, REACH, 41)
    at = (np.nanmean(time, axis=1)[:, None] + period / 2 + steps)[:, :, None]
    mixed = TONE * np.clip(square - blur_most / 2, 0, None)
    exact = (1 / (NOISE_MS**2 + (mixed / period) ** 2))[:, None, :]
    spread = (1 / (NOISE_SQUARE**2 + mixed**2))[:, None, :]
    shapes = [[mixture(period, e, answer) for answer in _ANSWERS] for e in tried]
    for delay in np.linspace(-1, 1, _DELAYS) * period:
        moment = at + delay * heights
        off = moment - (time + period / 2)[:, None, :]
        phase = ((moment - phases[:, None, None]) / period % 1 * PHASES).astype(np.intp)
        for shift in range(0, PHASES, 12):
            index = (phase + shift) % PHASES
            for number, shape in enumerate(shapes):
                for mean, variance in shape:
                    rest = square[:, None, :] - variance[index]
                    rest = np.where(rest > 0, np.maximum(rest - blur_most, 0), rest)
                    chi = (off + mean[index]) ** 2 * exact + rest**2 * spread
                    best[number] = max(best[number], likelihood(WEIGHT * np.nanmean(chi, axis=2)))
    possible = tried[best >= best.max() - _ALLOWED]
    edge = math.exp(_EXPOSURES)
    return float(possible.min()) / edge, float(possible.max()) * edge


def likelihood(misfit: Array) -> float:
    """Logarithm of the likelihood, mean over the frames, the moments being unknown."""
    least = misfit.min(axis=1)
    spread = np.log(np.mean(np.exp(-(misfit - least[:, None]) / 2), axis=1))
    return float(np.mean(np.maximum(spread - least / 2, -30.0)))
