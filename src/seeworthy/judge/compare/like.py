"""Like with like: which results may be compared, and what keeps the others apart."""

from __future__ import annotations

import math
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from seeworthy.ground.measurands import known_measurand
from seeworthy.ground.results import Result

# How far apart two readings of a condition may be and still count as the same. Light is
# seen by the camera in stops: a third of a stop is the step of a usual light meter.
LIGHT_STOPS = 1 / 3
TEMPERATURE_K = 3.0
# What a take that names no temperature is taken for, °C, and how far from it a named one may be
# (a heated room; a judgement).
ROOM = 20.0
ROOM_K = 5.0
# How it was measured and what it told: a bound stands beside a figure of the same conditions.
_NOT_A_CONDITION = {"method", "bound"}
_READ_OFF = ("light", "temperature")  # numbers off an instrument; what feels them is declared


@dataclass(frozen=True, slots=True)
class Like:
    """Conditions that a set of results shares.

    Attributes:
        words: Conditions that are words (position, orientation, channel), sorted.
        light, temperature: Centre of the readings, lx and °C; None where the results name none.
    """

    words: tuple[tuple[str, str], ...] = ()
    light: float | None = None
    temperature: float | None = None

    def __str__(self) -> str:
        parts = [v.replace("_", " ") for _, v in self.words]
        if self.light is not None:
            parts.append(f"{float(f'{self.light:.3g}'):g} lx")
        if self.temperature is not None:
            parts.append(f"{self.temperature:.0f} °C")
        return ", ".join(parts)

    def near(self, light: float | None, temperature: float | None) -> bool:
        """Tell whether a result whose words are these belongs here."""
        return _near_light(self.light, light) and _near_temperature(self.temperature, temperature)


def _words(conditions: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    kept = {
        k: str(v)
        for k, v in conditions.items()
        if k not in _NOT_A_CONDITION and k not in _READ_OFF and v is not None
    }
    return tuple(sorted(kept.items()))


def _number(conditions: Mapping[str, Any], name: str) -> float | None:
    value = conditions.get(name)
    return None if value is None else float(value)


def _near_light(a: float | None, b: float | None) -> bool:
    if a is None or b is None:
        return a is b
    if a <= 0 or b <= 0:
        return a == b
    return abs(math.log2(a / b)) <= LIGHT_STOPS


def _near_temperature(a: float | None, b: float | None) -> bool:
    if a is None or b is None:
        known = ROOM if a is b else b if a is None else a
        return known is not None and abs(known - ROOM) <= ROOM_K
    return abs(a - b) <= TEMPERATURE_K


def conditions_that_matter(result: Result) -> dict[str, Any]:
    """Return a result's conditions without those that its measurand is declared not to feel.

    The room's temperature does not change an angle of view, nor the light a mass;
    takes that name them are still alike.
    """
    entry = known_measurand(result.measurand)
    felt = _READ_OFF if entry is None else entry.feels
    return {k: v for k, v in result.conditions.items() if k not in _READ_OFF or k in felt}


def sort_alike(results: Iterable[Result]) -> list[tuple[Like, list[int]]]:
    """Sort results of one measurand into sets of like conditions.

    Returns:
        list of (Like, indices). In order of first appearance; light and temperature are chained
        only within their tolerance of the set's first member, so that sets do not creep.
    """
    found: list[tuple[Like, list[int]]] = []
    per: dict[tuple[tuple[str, str], ...], list[tuple[Like, list[int]]]] = {}
    for index, result in enumerate(results):
        conditions = conditions_that_matter(result)
        words = _words(conditions)
        light, temperature = _number(conditions, "light"), _number(conditions, "temperature")
        same = per.setdefault(words, [])
        place = next((m for like, m in same if like.near(light, temperature)), None)
        if place is None:
            place = []
            same.append((Like(words, light, temperature), place))
            found.append(same[-1])
        place.append(index)
    return found


def oddity(conditions: Mapping[str, Any], named: Container[str] = ()) -> float:
    """Return how far conditions lie from ordinary use: a bright scene at room temperature.

    In kelvin from the room, and as much again for every half stop below 1000 lx (a judgement:
    a stop darker counts like two kelvin). Conditions in `named` were asked for and are not odd.
    """
    odd = 0.0
    temperature, light = _number(conditions, "temperature"), _number(conditions, "light")
    if "temperature" not in named and temperature is not None:
        odd += max(0.0, abs(temperature - ROOM) - ROOM_K)
    if "light" not in named and light is not None:
        odd += max(0.0, 2 * math.log2(1000.0 / max(light, 1e-3)))
    return odd + (1000.0 if conditions.get("basis") == "predicted" else 0.0)


def why_apart(likes: Sequence[Like]) -> str:
    """Say in one sentence what keeps sets of results apart."""
    reasons = []
    if len({dict(like.words).get("frame") for like in likes}) > 1:
        reasons.append("frame size (a pixel of one is not a pixel of another)")
    if len({tuple(w for w in like.words if w[0] != "frame") for like in likes}) > 1:
        reasons.append("place or direction in the picture")
    if len({like.light for like in likes}) > 1:
        reasons.append("light (or one names none)")
    if len({like.temperature for like in likes}) > 1:
        reasons.append("temperature")
    return f"Not compared with each other: they differ in {' and '.join(reasons)}."
