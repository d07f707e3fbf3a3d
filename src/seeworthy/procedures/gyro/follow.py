"""Whether the picture follows the gyroscope as fast as the camera turned, or was steadied."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.signal import welch

from seeworthy.observe.steadied import band_of, line_of
from seeworthy.optics.turning import AXES

Floats = npt.NDArray[np.float64]

# What a steadied picture keeps and what it takes out (Hz): cameras smooth over some tenths of
# a second to a second, which halves what turns at 0.2 to 0.6 Hz (judgements).
_SLOW, _FAST = (0.05, 0.3), (1.0, 4.0)
_CLEAR = 5.0  # times of that noise's density that fast turning must have
_LOST = 0.7  # share of the slow gain; a clock 30 ms off loses less at 4 Hz
_SURE = 4.0  # standard errors
# Share of the turning that may be left out, noise of single frames apart. A real flight over
# near ground leaves out 0.00, the same one steadied over 0.2 s 0.14 (a judgement).
_LEFT_OUT = 0.1


def held_back(picture: Floats, told: Floats, interval: float) -> str:
    """Return how the picture lags behind the gyroscope, in words; ``""`` where it does not.

    Args:
        picture, told: (n, 3). Rotation by the picture and by the log, rad/s, a row a frame.
        interval: s between frames.
    """
    seen = np.isfinite(picture).all(axis=1)
    for axis in (0, 1):  # roll takes in what leaning rows add
        shown = np.where(seen, picture[:, axis], told[:, axis])
        slow, u_slow = _gain(shown, told[:, axis], _SLOW, interval)
        fast, u_fast = _gain(shown, told[:, axis], _FAST, interval)
        clear = _stands_out(told[:, axis], interval)
        if clear and slow > 0 and fast + _SURE * (u_fast + u_slow) < _LOST * slow:
            return (
                f"of the {AXES[axis]} by the gyroscope it shows {100 * fast / slow:.0f} % at "
                f"{_FAST[0]:g} to {_FAST[1]:g} Hz of what it shows below {_SLOW[1]:g} Hz"
            )
    axis = int(np.argmax(told[:, :2].var(axis=0)))
    left = _slow_rest((picture - told)[seen, axis]) / max(float(told[:, axis].std()), 1e-9)
    if left > _LEFT_OUT:
        return (
            f"{100 * left:.0f} % of the {AXES[axis]} by the gyroscope and by the picture are not "
            "the same motion"
        )
    return ""


def _slow_rest(rest: Floats) -> float:
    """Return the rms of what is left without what differs from frame to frame (white noise)."""
    return float(np.sqrt(max(rest.var() - (np.diff(rest) ** 2).mean() / 2, 0.0)))


def _gain(
    picture: Floats, told: Floats, band: tuple[float, float], interval: float
) -> tuple[float, float]:
    return line_of(band_of(told, band, interval), band_of(picture, band, interval))


def _stands_out(told: Floats, interval: float) -> bool:
    """Tell whether fast turning is clear of the gyroscope's own noise.

    That is white, so nowhere more than where there is least. A tenth of the densities of white
    noise lie below half of its mean where some six stretches are averaged (chi square of 12).
    """
    f, density = welch(told, 1 / interval, nperseg=min(128, len(told)))
    fast = (f >= _FAST[0]) & (f <= _FAST[1])
    white = 2 * np.quantile(density[f >= _FAST[0]], 0.1)
    return bool(density[fast].mean() > _CLEAR * white)
