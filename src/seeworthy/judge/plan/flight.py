"""A planned flight as a TOML file: motion, light, cold, time, and what is acceptable.

``template.toml`` beside this module has every key with an example and a word on it;
``seeworthy plan --template`` prints it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from importlib import resources
from typing import Any

from seeworthy.ground.quantities import Quantity
from seeworthy.ground.toml_text import TomlText

_MOTION = {
    "speed": "m/s",
    "distance": "m",
    "spin": "Hz",
    "swing": "deg",
    "swing_period": "s",
    "vibration_frequency": "Hz",
}
_WORDS = {
    "looks": ("down", "side", "ahead"),
    "moves_along": ("width", "height"),
    "spin_moves": ("width", "height", "turns"),
    "swing_moves": ("width", "height", "turns"),
}
_SECTIONS: dict[str, dict[str, str]] = {
    "scene": {"light": "lx", "temperature": "degC"},
    "recording": {"duration": "min", "card": "GB"},
    "load": {"peak": "standard_gravity", "boost_time": "s"},
    "accept": {
        "lean": "deg",
        "wobble": "px",
        "blur": "px",
        "ground_pixel": "m",
        "ground_detail": "cm",
    },
}  # fmt: skip
# Common practice, no source: what people who looked at much flown footage put up with.
ACCEPT = {"lean": 3.0, "wobble": 3.0, "blur": 2.0}


@dataclass(frozen=True)
class Leg:
    """Speed (m/s) and distance (m) from a time (s) on."""

    time: float
    speed: Quantity
    distance: Quantity


@dataclass(frozen=True)
class PlannedFlight:
    """A planned flight.

    Attributes:
        given: Every number, by ``section.key``, in the units of the module text.
        words: ``looks``, ``moves_along``, ``spin_moves``, ``swing_moves``, ``power``.
        accept: Largest acceptable values: lean (deg), wobble (px), blur (px), ground_pixel (m),
            ground_detail (cm).
        legs: In order of time; empty when speed and distance are single values.
    """

    title: str
    given: Mapping[str, Quantity]
    words: Mapping[str, str]
    accept: Mapping[str, float]
    legs: tuple[Leg, ...] = ()

    def get(self, name: str) -> Quantity | None:
        """Return a number by ``section.key``, None when the plan does not say."""
        return self.given.get(name)

    def word(self, name: str) -> str:
        """Return a choice, its default when the plan does not say."""
        defaults = {
            "looks": "down",
            "moves_along": "width",
            "spin_moves": "width",
            "swing_moves": "width",
            "power": "own",
        }
        return self.words.get(name, defaults[name])

    def with_given(self, **changes: Quantity) -> PlannedFlight:
        """Return a copy with other numbers (``scene__light=…`` for ``scene.light``)."""
        named = {k.replace("__", "."): v for k, v in changes.items()}
        return replace(self, given={**self.given, **named})

    def with_words(self, **changes: str) -> PlannedFlight:
        """Return a copy with other choices."""
        return replace(self, words={**self.words, **changes})


@dataclass
class _Reader:
    text: TomlText
    given: dict[str, Quantity] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)

    def section(self, name: str) -> dict[str, Any]:
        table = self.text.data.get(name, {})
        if not isinstance(table, dict):
            raise self.text.fail(self.text.table_line(name), f"write [{name}] as a table.")
        return table

    def numbers(self, name: str, units: Mapping[str, str], table: Mapping[str, Any]) -> None:
        for key, unit in units.items():
            if key in table:
                line = self.text.key_line(name, key)
                value = table[key]
                if unit == "standard_gravity":
                    value = _gravity(value)
                found = self.text.quantity(value, unit, line)
                if found.value < 0 and key != "temperature":
                    raise self.text.fail(line, f"{key} cannot be negative.")
                self.given[f"{name}.{key}"] = found

    def motion(self) -> None:
        table = self.section("motion")
        self.text.only(table, {*_MOTION, *_WORDS, "vibration"}, "motion")
        self.numbers("motion", _MOTION, table)
        if "vibration" in table:
            line = self.text.key_line("motion", "vibration")
            self.given["motion.vibration"] = self.text.quantity(table["vibration"], None, line)
        for key, choices in _WORDS.items():
            if key in table:
                if table[key] not in choices:
                    line = self.text.key_line("motion", key)
                    raise self.text.fail(line, f"{key} is one of: {', '.join(choices)}.")
                self.words[key] = str(table[key])
        for one, other in (("swing", "swing_period"), ("vibration", "vibration_frequency")):
            if (one in table) != (other in table):
                line = self.text.table_line("motion")
                raise self.text.fail(line, f"{one} and {other} go together.")

    def legs(self) -> tuple[Leg, ...]:
        found: list[Leg] = []
        tables = self.text.data.get("leg", [])
        for index, table in enumerate(tables):
            self.text.only(table, {"time", "speed", "distance"}, "leg", index)
            values = []
            for key, unit in (("time", "s"), ("speed", "m/s"), ("distance", "m")):
                if key not in table:
                    raise self.text.fail(
                        self.text.table_line("leg", index), f"the leg has no {key}."
                    )
                line = self.text.key_line("leg", key, index)
                values.append(self.text.quantity(table[key], unit, line))
            if found and values[0].value <= found[-1].time:
                line = self.text.key_line("leg", "time", index)
                raise self.text.fail(line, "the times of the legs must rise.")
            found.append(Leg(values[0].value, values[1], values[2]))
        return tuple(found)


def _gravity(value: Any) -> Any:
    # '9 g ± 2 g' in a plan is load, not mass.
    return re.sub(r"\bg\b", "standard_gravity", value) if isinstance(value, str) else value


def template() -> str:
    """Return a plan with every key that can be written, to start one's own from."""
    return resources.files("seeworthy.judge.plan").joinpath("template.toml").read_text("utf-8")


def read_flight(text: str, name: str) -> PlannedFlight:
    """Read a planned flight from TOML text.

    Raises:
        WrongCall: With the line number and the reason.
    """
    reader = _Reader(TomlText(text, f"Flight '{name}'"))
    data = reader.text.data
    reader.text.only(data, {"title", "motion", "leg", *_SECTIONS}, "")
    reader.motion()
    for section, units in _SECTIONS.items():
        table = reader.section(section)
        reader.text.only(table, {*units, *(["power"] if section == "recording" else [])}, section)
        reader.numbers(section, units, table)
    power = reader.section("recording").get("power")
    if power is not None:
        if power not in ("own", "external"):
            line = reader.text.key_line("recording", "power")
            raise reader.text.fail(line, "power is one of: own, external.")
        reader.words["power"] = power
    accept = dict(ACCEPT)
    for key in _SECTIONS["accept"]:
        quantity = reader.given.pop(f"accept.{key}", None)
        if quantity is not None:
            accept[key] = quantity.value
    legs = reader.legs()
    return PlannedFlight(str(data.get("title", name)), reader.given, reader.words, accept, legs)
