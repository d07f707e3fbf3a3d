"""The registry of measurands: every quantity that a procedure can yield.

Ids are stable; code, JSON, store and reports use them. A measurand is declared by the
procedure that yields it (`seeworthy.procedures.declare.Procedure.yields`), ours and
those of add-ons alike; an add-on may also `register` one when its module is imported.
"""

from __future__ import annotations

import difflib
import importlib
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from seeworthy.ground.errors import WrongCall

Better = Literal["more", "less", "nearer", "none"]
Condition = Literal["light", "temperature"]
_TIMES = ("h", "min", "s", "ms", "µs")


@dataclass(frozen=True, slots=True)
class Measurand:
    """One quantity.

    Attributes:
        title: As a person says it.
        unit: The unit in which results are given, as the trade writes it; ``""`` for a ratio.
            `pint_unit` is what the units library calls it.
        procedure: Id of the procedure that yields it first; a declaration fills it in.
        better: {"more", "less", "nearer", "none"}. ``nearer``: to `ideal`.
        meaning: One sentence for a flyer.
        least: What it cannot be below by its nature (a length, a share: 0): no interval and no
            value of a result reaches below it.
        feels: tuple of {"light", "temperature"}. Conditions that may change it: results are
            compared only where these are alike. Both, unless the declaration says that it cannot
            feel one (the room's temperature for an angle of view); such a one is told and kept, and
            keeps nothing apart.
        also: Other words that people type for it (``fps``); they are met with its id.
        of_take:
            It is a figure of one take or flight (the length of a clip, the bit rate of a
            scene), so that cameras are not compared by it.
        per_frame: It counts pixels of the delivered frame (cy/px), so that it says nothing across
            frame sizes: compared only where results name one and the same `frame`.
        stricter: Id of what the same test gives where this one flatters (a clip that shows every
            picture twice): a claim is held against it instead.
        than: How it is said to be more and less than claimed: ``("heavier", "lighter")``.
        pint: Name of the unit in the units library where that is another one than the trade writes:
            flyers say ``g`` for multiples of standard gravity.
    """

    id: str
    title: str
    unit: str
    procedure: str = ""
    better: Better = "none"
    meaning: str = ""
    ideal: float | None = None
    feels: tuple[Condition, ...] = ("light", "temperature")
    also: tuple[str, ...] = ()
    pint: str = ""
    of_take: bool = False
    per_frame: bool = False
    stricter: str = ""
    than: tuple[str, str] = ("", "")
    least: float | None = None

    @property
    def more_and_less(self) -> tuple[str, str]:
        """Words for more and for less of it: as declared, by its unit, or just these."""
        if all(self.than):
            return self.than
        return ("longer", "shorter") if self.unit in _TIMES else ("more", "less")

    @property
    def pint_unit(self) -> str:
        """The unit by the name that `seeworthy.ground.quantities` converts from."""
        return self.pint or self.unit


# Declarations stand floors above and are found by name, as those of add-ons are.
_DECLARED_IN = "seeworthy.procedures"
_REGISTRY: dict[str, Measurand] = {}
_FILLING = threading.RLock()
_busy = False
_CLOSE = 0.6  # a judgement: one slip in five letters is still met, another word is not
_WHOLE_WORD = 4  # letters from which a word inside a title counts; a judgement
MEASURANDS_LISTED = "`seeworthy procedures --measurands` lists them."


def register(entry: Measurand) -> Measurand:
    """Add a measurand; the same entry twice is fine, another one of that id is not."""
    old = _REGISTRY.get(entry.id)
    if old is not None and old != entry:
        raise WrongCall(f"The measurand '{entry.id}' is registered already by '{old.procedure}'.")
    _REGISTRY[entry.id] = entry
    return entry


def measurand(name: str) -> Measurand:
    """Return the entry of an id.

    Raises:
        WrongCall: No measurand of that id.
    """
    entry = known_measurand(name)
    if entry is None:
        near = " or ".join(f"'{one}'" for one in nearest(name))
        raise WrongCall(
            f"There is no measurand '{name}'.",
            f"Did you mean {near}?" if near else MEASURANDS_LISTED,
        )
    return entry


def known_measurand(name: str) -> Measurand | None:
    """Return the entry of an id, None where no procedure that is installed declares it."""
    if name not in _REGISTRY:
        _declared()
    return _REGISTRY.get(name)


def nearest(typed: str, further: Mapping[str, Sequence[str]] | None = None) -> list[str]:
    """Return up to three ids that a person may have meant, best first.

    Args:
        further: mapping of id to words. Other things than measurands that would do.
    """
    words = {m.id: (m.id, m.title, *m.also) for m in all_measurands().values()}
    words = {**words, **{name: tuple(said) for name, said in (further or {}).items()}}
    meant = _plain(typed)
    by_word: dict[str, list[str]] = {}
    for name, said in words.items():
        for word in map(_plain, said):
            by_word.setdefault(word, []).append(name)
    close = difflib.get_close_matches(meant, by_word, 5, _CLOSE)
    found = [name for word in close for name in by_word[word]]
    if meant in by_word:  # the very word: what only looks like it is not asked about
        found = by_word[meant]
    elif len(meant) >= _WHOLE_WORD:
        found += [
            name for word, names in by_word.items() if meant in word.split() for name in names
        ]
    return list(dict.fromkeys(found))[:3]


def _plain(text: str) -> str:
    return text.casefold().replace("_", " ").replace("-", " ").strip()


def all_measurands() -> dict[str, Measurand]:
    """Return a copy of the registry, in order of procedures."""
    entries = [*_declared(), *_REGISTRY.values()]
    return {entry.id: entry for entry in entries}


def _declared() -> list[Measurand]:
    """Return what all procedures declare, in their order, and see that it is registered."""
    global _busy
    with _FILLING:
        if _busy:  # an add-on asks while it is being loaded
            return []
        _busy = True
        try:
            found = importlib.import_module(_DECLARED_IN).all_procedures()
            return [entry for one in found.values() for entry in one.brings]
        finally:
            _busy = False
