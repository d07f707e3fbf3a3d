"""Figures in a sentence in US customary units, with what was measured beside them."""

from __future__ import annotations

import math
import re

# Factors: exact by definition (NIST SP 811, appendix B); footcandle = lumen per square foot.
_FOOT = 0.3048
_TO: dict[str, tuple[str, float]] = {
    "mm": ("in", 1 / 25.4),
    "cm": ("in", 1 / 2.54),
    "km": ("mi", 1 / 1.609344),
    "m": ("ft", 1 / _FOOT),
    "kg": ("lb", 1 / 0.45359237),
    "g": ("oz", 1 / 28.349523125),
    "km/h": ("mph", 1 / 1.609344),
    "m/s": ("mph", 3.6 / 1.609344),
    "m/s2": ("ft/s²", 1 / _FOOT),
    "m/s²": ("ft/s²", 1 / _FOOT),
    "cm3": ("in³", 1 / 16.387064),
    "cm³": ("in³", 1 / 16.387064),
    "°C": ("°F", 1.8),
    "degC": ("°F", 1.8),
    "lx": ("fc", _FOOT**2),
}
_NUMBER = r"(?<![\w.,])[−-]?\d+(?:\.\d+)?(?!\w)"
_FIGURE = re.compile(
    rf"(?P<every>\bevery )?(?P<numbers>{_NUMBER}(?:(?: ± | to ){_NUMBER})*)"
    r"(?P<gap>[ \u00a0\u202f]?)"
    rf"(?P<unit>{'|'.join(sorted(map(re.escape, _TO), key=len, reverse=True))})(?![\w/²³*^])"
)
_ONE = re.compile(_NUMBER)
# A line that has them already, or quotes what somebody typed, is left as it is.
_THERE = re.compile(r"\d[\s\u00a0\u202f]?(?:in|ft|mi|oz|lb|mph|fc|°F|ft/s²|in³)(?!\w)")
# Metric readers get a speed twice; beside mph the second is one too many.
_TWICE = re.compile(r"(\d m/s) \([\d.]+ km/h\)")
_QUOTED = re.compile(r"(\"[^\"]*\"|“[^”]*”|'[^']*\d[^']*'|`[^`]*`)")
# 'g' is a load as often as a mass, and lenses are named by millimetres everywhere.
_OF_MASS = re.compile(r"mass|weigh|heav|lighter|gram|carr|lift", re.IGNORECASE)
_FOCAL = re.compile(r"focal", re.IGNORECASE)


def customary_text(text: str, *, about: str = "") -> str:
    """Return a text with its metric figures in US customary units, the metric ones in brackets.

    ``width 25.2 ± 0.8 m`` becomes ``width 82.7 ± 2.6 ft (25.2 ± 0.8 m)``; as many digits as the
    metric figure has.

    Args:
        about: What it is about, where the text itself does not say it (a cell of a table).
    """
    if _THERE.search(text):
        return text
    text = _TWICE.sub(r"\1", text)
    mass, focal = bool(_OF_MASS.search(text + about)), bool(_FOCAL.search(text + about))

    def turned(found: re.Match[str]) -> str:
        unit, gap = found["unit"], found["gap"]
        if (unit == "g" and not mass) or (unit == "mm" and focal):
            return found[0]
        to, factor = _TO[unit]
        offset = 32.0 if to == "°F" and not found["every"] else 0.0
        numbers = found["numbers"]
        parts, last = [], 0
        for one in _ONE.finditer(numbers):
            between = numbers[last : one.start()]
            parts += [between, _turned(one[0], factor, 0.0 if "±" in between else offset)]
            last = one.end()
        return f"{found['every'] or ''}{''.join(parts)}{gap}{to} ({numbers}{gap}{unit})"

    pieces = _QUOTED.split(text)
    return "".join(p if i % 2 else _FIGURE.sub(turned, p) for i, p in enumerate(pieces))


def customary_unit(unit: str, *, about: str = "") -> tuple[str, float, float] | None:
    """Return the US customary unit, its factor and offset; None where there is none.

    Args:
        about: What the figure is, in words: ``g`` may be a load, ``mm`` a focal length.
    """
    known = _TO.get(unit)
    if known is None or (unit == "g" and not _OF_MASS.search(about)):
        return None
    if unit == "mm" and _FOCAL.search(about):
        return None
    return (*known, 32.0 if known[0] == "°F" else 0.0)


def _turned(text: str, factor: float, offset: float) -> str:
    """Convert one number; its last digit is worth at most twice what it was."""
    step = 10.0 ** -len(text.partition(".")[2]) * factor
    digits = max(0, math.ceil(-math.log10(2.0 * step)))
    value = float(text.replace("−", "-")) * factor + offset
    shown = f"{value:.{digits}f}"
    return shown.replace("-", "−") if "−" in text or value < 0 else shown
