"""Sound against picture: beeps at whole seconds of the bench clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.errors import CannotMeasure

BEEP_HZ = 1000.0
BEEP_S = 0.05
_ABOVE = 8.0
_LEAST = 5


@dataclass(frozen=True, slots=True)
class Sync:
    """Sound against picture over a clip.

    Attributes
    ----------
    offset_ms, offset_u_ms : float
        At the middle of the clip, positive where the sound is late; random part only: the
        delays of screen and loudspeaker are constants of the set-up and come on top.
    drift_ppm, drift_u_ppm : float
        Change of the offset over time.
    n : int
        Beeps.
    """

    offset_ms: float
    offset_u_ms: float
    drift_ppm: float
    drift_u_ppm: float
    n: int


def beep_starts(samples: npt.NDArray[np.float64], rate: float) -> npt.NDArray[np.float64]:
    """Seconds from the first sample at which beeps start.

    Parameters
    ----------
    samples : ndarray (N,)
        One channel.
    rate : float
        Samples per second.

    Returns
    -------
    ndarray (M,)
        In order; empty for silence, or where no tone of 1 kHz stands out.
    """
    long = round(BEEP_S * rate)
    if samples.size <= 2 * long:
        return np.empty(0)
    tone = samples * np.exp(-2j * np.pi * BEEP_HZ / rate * np.arange(samples.size))
    total = np.concatenate(([0], np.cumsum(tone)))
    level = np.abs(total[long:] - total[:-long])  # peaks where the window holds a whole beep
    floor = float(np.median(level))
    limit = max(_ABOVE * floor, 0.5 * float(level.max()))
    if float(level.max()) <= max(_ABOVE * floor, 1e-9):
        return np.empty(0)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], level > limit, [0]))))
    spans = edges.reshape(-1, 2)
    # The window slides in as it slides out: the peak is midway between equal levels.
    return np.asarray((spans[:, 0] + spans[:, 1] - 1) / 2 / rate, np.float64)


def fit_sync(starts: npt.NDArray[np.float64]) -> Sync:
    """Offset and drift from the clock times at which beeps were recorded.

    Parameters
    ----------
    starts : ndarray (M,)
        Start of each beep in seconds of the bench clock, by the line that its frames give.

    Raises
    ------
    CannotMeasure
        With fewer than five beeps.
    """
    if starts.size < _LEAST:
        raise CannotMeasure(
            f"{starts.size} beeps of the clock were heard; {_LEAST} are needed.",
            "Switch the clock's beep on, turn the sound up, and film for ten seconds or more.",
        )
    turn = np.exp(2j * np.pi * starts)
    middle = float(np.angle(turn.mean()) / (2 * np.pi))
    off = (starts - middle + 0.5) % 1.0 - 0.5 + middle
    x = starts - starts.mean()
    drift = float(np.sum(x * off) / np.sum(x**2))
    rest = off - off.mean() - drift * x
    u = float(np.sqrt(np.sum(rest**2) / (starts.size - 2)))
    return Sync(
        float(off.mean()) * 1e3,
        u / float(np.sqrt(starts.size)) * 1e3,
        drift * 1e6,
        u / float(np.sqrt(np.sum(x**2))) * 1e6,
        int(starts.size),
    )
