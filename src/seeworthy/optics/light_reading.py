"""Light as the meter shows it: EV of a flat or dome receptor, reflected EV, footcandle, lux.

ISO 2720:1974 (relations and constants as in public quotations; clause numbers not
seen): incident ``E = C · 2^EV / S``, reflected ``L = K · 2^EV / S``, S the ISO speed
the meter is set to. From a reflected reading of a card with reflectance ρ the light
on it is ``E = π L / ρ`` (a matt card). The meter's constant is an input with an
uncertainty like any other.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from seeworthy.ground.errors import BadQuantity
from seeworthy.ground.propagation import u_rectangular
from seeworthy.ground.quantities import Quantity, parse

Kind = Literal["flat", "dome", "reflected", "illuminance", "luminance"]

CONSTANTS: dict[Kind, tuple[float, float]] = {
    "flat": (250.0, u_rectangular(25.0)),
    "dome": (330.0, u_rectangular(10.0)),
    "reflected": (12.5, u_rectangular(1.5)),
}
"""C or K and its standard uncertainty where the meter's leaflet is not at hand: makers use
C = 250 for flat receptors, 320 to 340 for domes, K = 12.5 to 14 (a judgement on those)."""
METER_EV = 0.1
"""Standard uncertainty of a meter's EV where none is typed (a judgement)."""
METER_SHARE = 0.05
"""The same for a lux or footcandle meter, share of the reading (a judgement)."""
GREY_CARD = (0.18, 0.01)
"""Reflectance of the card that a reflected reading is taken from, and its uncertainty."""

_EXAMPLE = "Write '12.3 EV dome', '9.7 EV flat C=250', '11 EV reflected', '50 fc' or '540 lx'."
_KINDS: dict[str, Kind] = {
    **dict.fromkeys(("flat", "disc", "disk", "plane"), "flat"),
    **dict.fromkeys(("dome", "hemisphere", "incident"), "dome"),
    **dict.fromkeys(("reflected", "spot", "card", "grey"), "reflected"),
}
_WORD = re.compile(r"(?<![\w=])(" + "|".join(_KINDS) + r")(?![\w=])", re.I)
_SETTING = re.compile(
    r"(?<!\w)(?:(?P<name>[CK]|rho|ρ|reflectance)\s*=\s*|(?P<iso>(?:at\s+)?ISO)\s*=?\s*)"
    r"(?P<value>[\d.,]+\s*%?(?:\s*(?:±|\+/-)\s*[\d.,]+\s*%?)?)",
    re.I,
)
_EV = re.compile(r"(?<![\w.])EV(?!\w)", re.I)


@dataclass(frozen=True, slots=True)
class LightReading:
    """One reading of a light meter.

    Attributes:
        illuminance: In lx, with everything that is uncertain about it.
        kind: ``flat``, ``dome``, ``reflected`` (EV); ``illuminance`` (lux, footcandle) or
            ``luminance`` (candela per square metre, of the card).
        notes: What was assumed, one sentence each.
    """

    illuminance: Quantity
    kind: Kind
    notes: tuple[str, ...] = ()


def parse_light(text: str) -> Quantity:
    """Return the illuminance in lx for what the meter shows; see `read_light`."""
    return read_light(text).illuminance


def read_light(text: str) -> LightReading:
    """Read what a light meter shows.

    Args:
        text: ``12.3 EV dome``, ``9.7 EV flat C=250 ± 10``, ``EV 11.0 ± 0.1 reflected K=14``, ``12
            EV dome ISO 400``, ``50 fc``, ``540 lx ± 5 %``, ``31 cd/m2 reflectance=18 %``. A bare
            number is lux.

    Raises:
        BadQuantity: No reading, another kind of quantity, or EV without the receptor.
    """
    body = " ".join(text.split())
    settings = {_setting(m): m.group("value") for m in _SETTING.finditer(body)}
    body = _SETTING.sub(" ", body)
    words = [_KINDS[w.lower()] for w in _WORD.findall(body)]
    body = " ".join(_WORD.sub(" ", body).replace(",", ".").split())
    if _EV.search(body):
        return _from_ev(_EV.sub(" ", body).strip(), words, settings, text)
    if settings.keys() & {"C", "K", "ISO"}:
        raise BadQuantity(f"'{text}' gives a meter's constant but no EV.", _EXAMPLE)
    bare = parse(body)
    if bare.unit and _is_luminance(bare):
        return _from_luminance(parse(body, "cd/m2", positive=True), settings, text)
    found = parse(body, "lx", positive=True)
    if found.stated:
        return LightReading(Quantity(found.value, "lx", found.u, True, text), "illuminance")
    u = max(found.u, METER_SHARE * found.value)
    note = f"The meter's error was not given: {100 * METER_SHARE:.0f} % is taken."
    return LightReading(Quantity(found.value, "lx", u, False, text), "illuminance", (note,))


def _setting(match: re.Match[str]) -> str:
    if match.group("iso"):
        return "ISO"
    name = match.group("name")
    return name.upper() if name.upper() in ("C", "K") else "reflectance"


def _is_luminance(quantity: Quantity) -> bool:
    try:
        quantity.to("cd/m2")
    except BadQuantity:
        return False
    return True


def _from_ev(number: str, words: list[Kind], settings: dict[str, str], text: str) -> LightReading:
    if len(set(words)) > 1:
        raise BadQuantity(f"'{text}' names two receptors.", _EXAMPLE)
    if not words:
        raise BadQuantity(f"'{text}' does not say how the meter looks at the light.", _EXAMPLE)
    kind = words[0]
    letter, wrong = ("K", "C") if kind == "reflected" else ("C", "K")
    if wrong in settings:
        raise BadQuantity(f"A {kind} reading takes {letter}, not {wrong}.", _EXAMPLE)
    ev = parse(number)
    if ev.unit:
        raise BadQuantity(f"'{text}' is not a reading in EV.", _EXAMPLE)
    if not -10 <= ev.value <= 25:
        raise BadQuantity(f"{ev.value:g} EV is outside what meters show.", "Check the digits.")
    notes = []
    u_ev = ev.u
    if not ev.stated:
        u_ev = max(ev.u, METER_EV)
        notes.append(f"The meter's error was not given: {METER_EV} EV is taken.")
    constant, u_constant = CONSTANTS[kind]
    if letter in settings:
        given = parse(settings[letter], "", positive=True)
        constant, u_constant = given.value, given.u
    else:
        notes.append(
            f"The meter's {letter} was not given: {constant:g} ± {u_constant:.2g} is taken."
        )
    speed = parse(settings["ISO"], "", positive=True).value if "ISO" in settings else 100.0
    value = constant * 2.0**ev.value / speed
    share = math.hypot(u_constant / constant, math.log(2) * u_ev)
    if kind != "reflected":
        return LightReading(Quantity(value, "lx", value * share, ev.stated, text), kind, (*notes,))
    return _on_card(value, share, ev.stated, kind, settings, notes, text)


def _from_luminance(found: Quantity, settings: dict[str, str], text: str) -> LightReading:
    notes = []
    share = found.u / found.value
    if not found.stated:
        share = max(share, METER_SHARE)
        notes.append(f"The meter's error was not given: {100 * METER_SHARE:.0f} % is taken.")
    return _on_card(found.value, share, found.stated, "luminance", settings, notes, text)


def _on_card(
    luminance: float,
    share: float,
    stated: bool,
    kind: Kind,
    settings: dict[str, str],
    notes: list[str],
    text: str,
) -> LightReading:
    """Turn the luminance of a matt card into the light that falls on it."""
    rho, u_rho = GREY_CARD
    if "reflectance" in settings:
        given = parse(settings["reflectance"], "", positive=True)
        rho, u_rho = given.value, given.u
        if rho > 1:
            raise BadQuantity(f"'{text}': a reflectance is between 0 and 1.", "Write 18 %.")
    else:
        notes.append(
            f"Taken off a grey card of ({100 * rho:.0f} ± {100 * u_rho:.0f}) % reflectance."
        )
    value = math.pi * luminance / rho
    u = value * math.hypot(share, u_rho / rho)
    return LightReading(Quantity(value, "lx", u, stated, text), kind, tuple(notes))


@dataclass(frozen=True, slots=True)
class LightLevel:
    """A typical level for orientation: lx from `low` to `high` (or about `low`)."""

    condition: str
    low: float
    high: float | None
    source: str


_RCA = "RCA EOH-11"
_LUX = "Lux table (public)"
_ORDERS = "Orders-of-magnitude table (public)"
LEVELS: tuple[LightLevel, ...] = (
    LightLevel("Direct sunlight", 107527, None, _RCA),
    LightLevel("Full daylight, sun not direct", 10752, None, _RCA),
    LightLevel("Overcast day", 1075, None, _RCA),
    LightLevel("Very dark day", 107, None, _RCA),
    LightLevel("Twilight", 10.8, None, _RCA),
    LightLevel("Deep twilight", 1.08, None, _RCA),
    LightLevel("Full moon", 0.108, None, _RCA),
    LightLevel("Quarter moon", 0.0108, None, _RCA),
    LightLevel("Starlight", 0.0011, None, _RCA),
    LightLevel("Overcast starlight", 0.0001, None, _RCA),
    LightLevel("Direct sunlight", 32000, 100000, _LUX),
    LightLevel("Full daylight, not direct", 10000, 25000, _LUX),
    LightLevel("Overcast day; TV studio", 1000, None, _LUX),
    LightLevel("Sunrise/sunset, clear day", 400, None, _LUX),
    LightLevel("Office", 320, 500, _LUX),
    LightLevel("Very dark overcast day", 100, None, _LUX),
    LightLevel("Living room", 50, None, _LUX),
    LightLevel("End of civil twilight, clear", 3.4, None, _LUX),
    LightLevel("Full moon, clear", 0.05, 0.3, _LUX),
    LightLevel("Moonless clear, airglow", 0.002, None, _LUX),
    LightLevel("Moonless overcast", 0.0001, None, _LUX),
    LightLevel("Bright sunlight", 110000, None, _ORDERS),
    LightLevel("Brightest sunlight", 120000, None, _ORDERS),
    LightLevel("Shade, clear blue sky, midday", 20000, None, _ORDERS),
    LightLevel("Typical overcast, midday", 10000, 25000, _ORDERS),
    LightLevel("Fully overcast sunset/sunrise", 40, None, _ORDERS),
    LightLevel("Darkest storm clouds, midday (upper bound)", 200, None, _ORDERS),
)
"""RCA EOH-11: Electro-Optics Handbook (1974), as quoted in public code, the page not seen; the
others from public tables. The sources disagree by factors of two and more."""


def like(lux: float) -> LightLevel:
    """Return the typical level nearest to an illuminance, in stops.

    Raises:
        ValueError: Not above zero.
    """
    if not lux > 0:
        raise ValueError("an illuminance is above zero")

    def stops(level: LightLevel) -> float:
        high = level.high or level.low
        nearest = min(max(lux, level.low), high)
        return abs(math.log2(lux / nearest))

    return min(LEVELS, key=stops)
