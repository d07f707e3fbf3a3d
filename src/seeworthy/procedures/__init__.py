"""Procedures: one file each, found by name; third parties add theirs.

A module in this package with a ``PROCEDURE`` is a procedure, and so is every
entry point of the group ``seeworthy.procedures`` that loads one.
"""

from __future__ import annotations

import importlib
import pkgutil
from functools import lru_cache
from importlib.metadata import entry_points

from seeworthy.ground.errors import WrongCall
from seeworthy.procedures.declare import Procedure

GROUP = "seeworthy.procedures"


@lru_cache(maxsize=1)
def all_procedures() -> dict[str, Procedure]:
    """Return every procedure by id, built-in ones in the order of the design, then others."""
    found: dict[str, Procedure] = {}
    for module in sorted(m.name for m in pkgutil.iter_modules(__path__)):
        item = getattr(importlib.import_module(f"{__name__}.{module}"), "PROCEDURE", None)
        if isinstance(item, Procedure):
            found[item.id] = item
    order = {name: i for i, name in enumerate(_ORDER)}
    found = dict(sorted(found.items(), key=lambda kv: (order.get(kv[0], len(order)), kv[0])))
    for point in entry_points(group=GROUP):
        item = point.load()
        if not isinstance(item, Procedure):
            raise WrongCall(
                f"The add-on '{point.name}' ({point.value}) is not a procedure.",
                "Uninstall it or ask its author; it must load a seeworthy Procedure.",
            )
        if item.id in found:
            raise WrongCall(
                f"The add-on '{point.value}' brings a second procedure '{item.id}'.",
                "Uninstall one of them.",
            )
        found[item.id] = item
    return found


_ORDER = (
    "body", "stream", "timing", "stamp", "native", "pixel-aspect", "view", "lens", "sharpness",
    "shading", "colour", "readout", "noise", "low-light", "exposure", "battery", "continuity",
    "endurance", "load", "survival", "sound", "sync",
)  # fmt: skip


def procedure(name: str) -> Procedure:
    """Return a procedure by id.

    Raises
    ------
    WrongCall
        No procedure of that id.
    """
    found = all_procedures()
    if name in found:
        return found[name]
    import difflib

    near = difflib.get_close_matches(name, found, 1, 0.4)
    hint = f"Did you mean '{near[0]}'?" if near else "`seeworthy procedures` lists them."
    raise WrongCall(f"There is no procedure '{name}'.", hint)
