"""A planned flight from the fields of a form: the same TOML that a file would hold."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

from seeworthy.ground.examples import EXAMPLES


@dataclass(frozen=True, slots=True)
class FormEntry:
    """One line of a plan: ``section.key``, what it means, an example, choices."""

    name: str
    what: str
    typical: str
    choices: tuple[str, ...] = ()


def _entry(name: str, what: str) -> FormEntry:
    return FormEntry(name, what, EXAMPLES[f"plan.{name}"])


ENTRIES: tuple[FormEntry, ...] = (
    _entry("motion.speed", "Speed over the ground, or past what is looked at"),
    _entry("motion.distance", "To what is looked at; the height when looking down"),
    FormEntry("motion.looks", "Which way the camera looks", "down", ("down", "side", "ahead")),
    FormEntry("motion.moves_along", "Side of the frame along which the world passes", "width",
          ("width", "height")),
    _entry("motion.spin", "Turns per second"),
    FormEntry("motion.spin_moves", "What the spin moves in the frame", "turns",
          ("width", "height", "turns")),
    _entry("motion.swing", "Half swing"),
    _entry("motion.swing_period", "Time of a whole swing"),
    _entry("motion.vibration", "Amplitude of the vibration, an angle or a length"),
    _entry("motion.vibration_frequency", "Its frequency"),
    _entry("scene.light", "Light on the ground"),
    _entry("scene.temperature", "Air temperature"),
    _entry("recording.duration", "How long it must record"),
    _entry("recording.card", "Size of the card"),
    FormEntry("recording.power", "What feeds the camera", "own", ("own", "external")),
    _entry("load.peak", "Largest load that is felt"),
    _entry("load.boost_time", "How long the push lasts"),
    _entry("accept.lean", "Most lean of uprights"),
    _entry("accept.wobble", "Most wobble"),
    _entry("accept.blur", "Most blur"),
    _entry("accept.ground_pixel", "Largest ground pixel"),
    _entry("accept.ground_detail", "Stripe on the ground that must still show"),
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
