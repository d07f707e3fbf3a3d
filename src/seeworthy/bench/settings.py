"""How people at this bench read numbers: units, clock, decimal sign. Kept in the bench."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from typing import Any

from seeworthy.bench.models import AboutRow
from seeworthy.bench.store import Bench
from seeworthy.ground.customary import customary_text
from seeworthy.ground.errors import WrongCall

CHOICES: dict[str, tuple[tuple[str, str], ...]] = {
    "units": (
        ("both", "metric, and US customary beside it"),
        ("us", "US customary, and metric beside it"),
        ("metric", "metric only"),
    ),
    "clock": (("24", "24 hours, 17:30"), ("12", "12 hours, 5:30 pm")),
    "numbers": (("point", "decimal point, 8.52"), ("comma", "decimal comma, 8,52")),
}
"""Names of the settings, their values, and what each means."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What was chosen.

    Attributes:
        units: ``both`` (metric first), ``us`` (US customary first) or ``metric``.
        clock: ``24`` or ``12``.
        numbers: ``point`` or ``comma``.
    """

    units: str = "both"
    clock: str = "24"
    numbers: str = "point"

    def said(self, text: Any) -> str:
        """Write a text with the chosen units first and the chosen decimal sign."""
        return self.mark(customary_text(str(text)) if self.units == "us" else text)

    def mark(self, text: Any) -> str:
        """Write a text with the chosen decimal sign alone."""
        words = str(text)
        if self.numbers != "comma":
            return words
        # 1.2.0 is a version and 192.0.2.7 an address, not a number.
        return re.sub(r"(?<![\d.])(\d+)\.(\d+)(?![\d]*\.\d)", r"\1,\2", words)

    def time(self, moment: Any) -> str:
        """Write the time of day of a moment, in the zone of this machine."""
        local = moment.astimezone()
        if self.clock == "12":
            return f"{local.hour % 12 or 12}:{local.minute:02d} {'am' if local.hour < 12 else 'pm'}"
        return f"{local.hour:02d}:{local.minute:02d}"


def read_settings(bench: Bench) -> Settings:
    """Return what was chosen at this bench; what was not chosen has its default."""
    with bench.reading() as session:
        rows = {f.name: session.get(AboutRow, f"settings.{f.name}") for f in fields(Settings)}
    known = {n: {value for value, _ in CHOICES[n]} for n in CHOICES}
    return Settings(**{n: r.value for n, r in rows.items() if r and r.value in known[n]})


def save_settings(bench: Bench, **chosen: str) -> Settings:
    """Keep choices.

    Raises:
        WrongCall: No such setting or value.
    """
    for name, value in chosen.items():
        if name not in CHOICES:
            raise WrongCall(f"There is no setting '{name}'.", f"Known: {', '.join(CHOICES)}.")
        if value not in {v for v, _ in CHOICES[name]}:
            raise WrongCall(f"The setting '{name}' cannot be '{value}'.", "Choose from the list.")
    with bench.changing() as session:
        for name, value in chosen.items():
            session.merge(AboutRow(name=f"settings.{name}", value=value))
    return read_settings(bench)
