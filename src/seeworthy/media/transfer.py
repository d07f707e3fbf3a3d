"""Transfer functions by their ITU-T H.273 code points, both ways, without clipping."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Transfer:
    """A transfer function, continued with odd symmetry below black and on above white.

    Attributes:
        decode: Signal (0 black, 1 white) to linear light.
        encode: Linear light to signal.
    """

    name: str
    decode: Callable[[Doubles], Doubles]
    encode: Callable[[Doubles], Doubles]


def _odd(function: Callable[[Doubles], Doubles]) -> Callable[[Doubles], Doubles]:
    def both_signs(x: Doubles) -> Doubles:
        out: Doubles = np.copysign(function(np.abs(x)), x)
        return out

    return both_signs


def _pieces(name: str, knee: float, slope: float, a: float, power: float) -> Transfer:
    """Straight from 0 to `knee` (in linear light), then ``(1 + a)·L**power − a``."""

    def encode(light: Doubles) -> Doubles:
        return np.where(light < knee, slope * light, (1 + a) * light**power - a)

    def decode(signal: Doubles) -> Doubles:
        # The standards' rounded constants leave a step of 0.0002 at the knee; hold it level.
        curved = np.maximum(((signal + a) / (1 + a)) ** (1 / power), knee)
        return np.where(signal < slope * knee, signal / slope, curved)

    return Transfer(name, _odd(decode), _odd(encode))


def _gamma(name: str, exponent: float) -> Transfer:
    return Transfer(name, _odd(lambda v: v**exponent), _odd(lambda x: x ** (1 / exponent)))


# BT.709-6 item 1.2 and BT.601-7 share one curve; BT.2020-2 Table 4 has it with more digits at
# 12 bit. IEC 61966-2-1:1999 for sRGB (its knee in the signal is 0.04045 = 12.92 · 0.0031308).
_BT709 = _pieces("BT.709", 0.018, 4.5, 0.099, 0.45)
_CURVES: dict[int, Transfer] = {
    1: _BT709,
    4: _gamma("gamma 2.2", 2.2),
    5: _gamma("gamma 2.8", 2.8),
    6: Transfer("BT.601", _BT709.decode, _BT709.encode),
    7: _pieces("SMPTE 240M", 0.0228, 4.0, 0.1115, 0.45),
    8: Transfer("linear", lambda v: v * 1.0, lambda x: x * 1.0),
    11: Transfer("IEC 61966-2-4", _BT709.decode, _BT709.encode),
    13: _pieces("sRGB", 0.0031308, 12.92, 0.055, 1 / 2.4),
    14: Transfer("BT.2020", _BT709.decode, _BT709.encode),
    15: _pieces("BT.2020 12 bit", 0.0181, 4.5, 0.0993, 0.45),
}
_OTHERS = {
    9: "logarithmic (100:1)",
    10: "logarithmic (316:1)",
    12: "BT.1361 extended gamut",
    16: "PQ (SMPTE ST 2084)",
    17: "SMPTE ST 428-1",
    18: "HLG (ARIB STD-B67)",
}


def transfer_of(code: int) -> Transfer:
    """Return the transfer function of an H.273 code point.

    Raises:
        CannotMeasure: High dynamic range, logarithmic or unknown curves: named in the message.
    """
    if code in _CURVES:
        return _CURVES[code]
    name: Any = _OTHERS.get(code, f"code point {code} of ITU-T H.273")
    raise CannotMeasure(
        f"The clip is tagged with the tone curve {name}; its code values cannot be turned into "
        "scene light here.",
        "Set the camera to standard dynamic range (no HDR, no log) and film again.",
    )
