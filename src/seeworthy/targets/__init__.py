"""Printed targets, and finding them in a picture.

Each target is one module with a ``layout()``; printing, finding and rendering all
read the same `Layout`.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

from seeworthy.ground.errors import WrongCall
from seeworthy.targets import board, edges, greys, rings, slate
from seeworthy.targets.layout import Layout


def _edges_high() -> Layout:
    return edges.layout("high")


_LAYOUTS: dict[str, Callable[[], Layout]] = {
    "board": board.layout,
    "edges": edges.layout,
    "edges-high": _edges_high,
    "rings": rings.layout,
    "greys": greys.layout,
    "slate": slate.layout,
}

NAMES = tuple(_LAYOUTS)


@lru_cache(maxsize=16)
def target(name: str) -> Layout:
    """Return a target's layout by name.

    Raises:
        WrongCall: No target of that name.
    """
    try:
        return _LAYOUTS[name]()
    except KeyError:
        raise WrongCall(
            f"There is no target '{name}'.", f"The targets: {', '.join(NAMES)}."
        ) from None


@lru_cache(maxsize=1)
def owners() -> dict[int, str]:
    """Return, for each marker number, the target that carries it."""
    return {marker.id: name for name in NAMES for marker in target(name).markers}
