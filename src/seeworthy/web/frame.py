"""What stands around every page: the bench's name, the way to the other pages, the settings."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from seeworthy.bench.settings import Settings

if TYPE_CHECKING:
    from seeworthy.web.site import Site

PLACES: tuple[tuple[str, str], ...] = (
    ("/", "Watch log"),
    ("/shoot", "Shoot sheet"),
    ("/import", "Card in"),
    ("/procedures", "Tests"),
    ("/takes", "Takes"),
    ("/compare", "Compare"),
    ("/suit", "Suit"),
    ("/plan", "Plan"),
    ("/mend", "Mend"),
    ("/reports", "Reports"),
    ("/targets", "Targets"),
    ("/settings", "Settings"),
)


@dataclass(frozen=True, slots=True)
class Frame:
    """The frame around a page.

    Attributes:
        bench: Name of the bench, ``""`` where there is none yet.
        places: tuple of (address, words, here). The index of the pages.
        busy: A measuring run goes on.
    """

    bench: str = ""
    places: tuple[tuple[str, str, bool], ...] = ()
    settings: Settings = field(default_factory=Settings)
    busy: bool = False

    @classmethod
    def of(cls, site: Site, path: str) -> Frame:
        """Return the frame for the page at an address."""
        places = tuple((a, w, _here(a, path)) for a, w in PLACES)
        if not site.has_bench:
            return cls(places=places)
        name = site.bench.folder.name.replace("-", " ").replace("_", " ")
        return cls(name, places, site.settings(), site.keeper.busy)


def _here(address: str, path: str) -> bool:
    return path == address if address == "/" else path == address or path.startswith(address + "/")
