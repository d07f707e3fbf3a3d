"""The usual cautions, by id. Every face shows them before the steps.

They are reminders, not a safety code: local law, the maker's data and licensed practice come first.
"""

from __future__ import annotations

CAUTIONS: dict[str, str] = {
    "lithium": (
        "Lithium cells can catch fire. Charge with the maker's charger on a surface that cannot "
        "burn, never unattended; do not use a cell that is swollen, dented or wet. For cold or "
        "warm runs stay within the maker's limits, never charge below 0 °C, and let a cold cell "
        "warm up and dry first."
    ),
    "road": (
        "On a moving vehicle a passenger films, never the driver. Standing by a road, stay off "
        "the carriageway and where drivers see you; keep to local traffic law."
    ),
    "launch": (
        "Launches and pressure vessels: follow your range's safety code and its officer, keep the "
        "distances, wear eye protection, and never lean over a loaded or pressurised craft."
    ),
    "sun": "Never look through a lens at the sun, and do not leave a lens pointing at it.",
    "flashing": (
        "Flashing light can trigger seizures in people with photosensitive epilepsy. Warn those "
        "near, and stop at once if anybody feels unwell."
    ),
    "heights": "Work at heights only with secure footing and someone near; mind what may fall.",
    "airspace": (
        "Flying: keep to local airspace rules, distances from people and power lines, and the "
        "privacy of those you film."
    ),
    "propellers": (
        "Propellers start without warning: take them off, or disconnect the battery, before hands "
        "or faces come near the craft; keep people and animals away when it is armed."
    ),
    "mains": (
        "Mains lamps: use them as sold, do not open them, keep them dry, and let a licensed "
        "electrician do any wiring."
    ),
    "hearing": (
        "Sweeps and tones: start quietly and keep ears away from the loudspeaker; loud tones "
        "harm hearing, and animals nearby hear more than you do."
    ),
    "power-cut": (
        "Cutting power can damage a card's file system: copy the card first, use one you can lose."
    ),
    "verdict": (
        "A figure here is about pictures and recording, never about the safety of a flight."
    ),
}
