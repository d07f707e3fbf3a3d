"""A planned flight from the fields of a form: the same TOML that a file would hold."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a plan: ``section.key``, what it means, an example, choices."""

    name: str
    what: str
    typical: str
    choices: tuple[str, ...] = ()


ENTRIES: tuple[Entry, ...] = (
    Entry("motion.speed", "Speed over the ground, or past what is looked at", "14 m/s ± 2 m/s"),
    Entry("motion.distance", "To what is looked at; the height when looking down", "60 m ± 10 m"),
    Entry("motion.looks", "Which way the camera looks", "down", ("down", "side", "ahead")),
    Entry("motion.moves_along", "Side of the frame along which the world passes", "width",
          ("width", "height")),
    Entry("motion.spin", "Turns per second", "0.5 Hz"),
    Entry("motion.spin_moves", "What the spin moves in the frame", "turns",
          ("width", "height", "turns")),
    Entry("motion.swing", "Half swing", "6 deg"),
    Entry("motion.swing_period", "Time of a whole swing", "2.5 s"),
    Entry("motion.vibration", "Amplitude of the vibration, an angle or a length", "0.05 deg"),
    Entry("motion.vibration_frequency", "Its frequency", "90 Hz"),
    Entry("scene.light", "Light on the ground", "20000 lx"),
    Entry("scene.temperature", "Air temperature", "4 degC"),
    Entry("recording.duration", "How long it must record", "25 min"),
    Entry("recording.card", "Size of the card", "32 GB"),
    Entry("recording.power", "What feeds the camera", "own", ("own", "external")),
    Entry("load.peak", "Largest load that is felt", "9 g ± 2 g"),
    Entry("load.boost_time", "How long the push lasts", "0.8 s"),
    Entry("accept.lean", "Most lean of uprights", "3 deg"),
    Entry("accept.wobble", "Most wobble", "3 px"),
    Entry("accept.blur", "Most blur", "2 px"),
    Entry("accept.ground_pixel", "Largest ground pixel", "10 cm"),
)  # fmt: skip


def flight_text(title: str, typed: Mapping[str, str]) -> str:
    """Return the TOML of a plan; fields that say nothing are left out."""
    lines = [f"title = {_quoted(title or 'A flight')}"]
    section = ""
    for entry in ENTRIES:
        value = typed.get(entry.name, "").strip()
        if not value:
            continue
        head, _, key = entry.name.partition(".")
        if head != section:
            section = head
            lines += ["", f"[{section}]"]
        lines.append(f"{key} = {_quoted(value)}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    # A JSON string is a TOML basic string, once DEL is escaped too.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
