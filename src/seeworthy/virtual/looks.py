"""Tone curves of cameras that are not the one their file names: light 0 to 1 to signal 0 to 1.

Written from formulas of their own; nothing here is shared with what measures.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from seeworthy.virtual.tone import bt709

Curve = Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]


def _power(exponent: float) -> Curve:
    return lambda light: np.power(light, exponent)


def _s_shaped(amount: float) -> Curve:
    """Contrast as a "vivid" look has it (common practice, no source)."""

    def curve(light: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        signal = bt709(light)
        return np.asarray(signal + amount * signal * (1 - signal) * (2 * signal - 1))

    return curve


def _logarithmic(light: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """A flat look: logarithmic over five stops, straight near black."""
    strength = 31.0
    return np.asarray(np.log1p(strength * light) / np.log1p(strength))


def _shoulder(light: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """BT.709 to the middle, and from there on bent to hold highlights back."""
    signal = bt709(light)
    knee = 0.55
    over = np.maximum(signal - knee, 0) / (1 - knee)
    # Of slope 1 at the knee, 0.45 at white, scaled to end at 1.
    bent = over - 0.275 * over**2
    whole = knee + (1 - knee) * 0.725
    return np.asarray(np.minimum(signal, knee + (1 - knee) * bent) / whole)


LOOKS: dict[str, Curve] = {
    "gamma 2.2": _power(1 / 2.2),
    "gamma 2.6": _power(1 / 2.6),
    "S 0.6": _s_shaped(0.6),
    "S 1.0": _s_shaped(1.0),
    "logarithmic": _logarithmic,
    "shoulder": _shoulder,
}
"""By name; none of them is BT.709, which their files name."""


def signal_of(light: npt.ArrayLike, look: str) -> npt.NDArray[np.float64]:
    """Return the signal, 0 to 1, that a camera of this look makes of light, cut at 0 and 1."""
    return LOOKS[look](np.clip(np.asarray(light, np.float64), 0.0, 1.0))
