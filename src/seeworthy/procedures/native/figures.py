"""Figures of the native procedure, as data."""

from __future__ import annotations

from typing import Any

import numpy as np

from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.procedures.native.measure import AxisAnswer as Direction
from seeworthy.procedures.native.measure import Native

_POINTS = 160  # of the line: more show nothing more (a judgement)
_FLOOR = 1e-3  # code values squared; rounding to whole codes alone is 0.08


def figures(found: Native) -> tuple[Figure, ...]:
    """Return the spectra and, for each axis, how strongly every size is marked."""
    return (
        _spectrum(found),
        _marks(found.across, "across", "Marks of resizing across"),
        _marks(found.down, "down", "Marks of resizing down"),
    )


def _spectrum(found: Native) -> Figure:
    columns: dict[str, list[Any]] = {"frequency": [], "power": [], "direction": []}
    for axis, word in ((found.across, "across"), (found.down, "down")):
        edges = np.linspace(0.01, 0.5, _POINTS + 1)
        place = np.digitize(axis.lines.frequency, edges) - 1
        for k in range(_POINTS):
            inside = axis.lines.power[place == k]
            if len(inside):
                power = 10 * float(np.log10(max(inside.mean(), _FLOOR)))
                columns["frequency"].append(round(float(edges[k] + edges[k + 1]) / 2, 4))
                columns["power"].append(round(power, 2))
                columns["direction"].append(word)
    rules = _limits(found)
    limits = (
        "The rules mark half the native size: what lies beyond them is an image of what lies "
        "before."
        if rules
        else "No native limit below the frame's own was found."
    )
    return Figure(
        "spectrum",
        "Detail by fineness",
        f"Spectra of the key frames, across and down. {limits}",
        columns,
        Axis("frequency", "spatial frequency", "cy/px"),
        Axis("power", "power of detail", "dB"),
        (Mark("line", y="power", series="direction"), *rules),
    )


def _limits(found: Native) -> list[Mark]:
    """Return a rule at half the native size of each enlarged axis; one where both agree."""
    at = {
        word: axis.native / axis.delivered / 2
        for word, axis in (("across", found.across), ("down", found.down))
        if axis.answer == "yes" and axis.native is not None
    }
    if len(at) == 2 and abs(at["across"] - at["down"]) < 0.01:
        at = {"across and down": at["across"]}
    return [Mark("rule", value=v, across="x", label=f"native limit {w}") for w, v in at.items()]


def _marks(axis: Direction, word: str, title: str) -> Figure:
    lines = axis.lines
    keep = max(1, len(lines.sizes) // 400)
    # Thinned by maximum, so that no line falls between two kept sizes.
    starts = range(0, len(lines.sizes), keep)
    tops = [i + int(lines.strength[i : i + keep].argmax()) for i in starts]
    rules: tuple[Mark, ...] = ()
    if axis.answer == "yes" and axis.native is not None:
        rules = (Mark("rule", value=axis.native, across="x", label="native size"),)
    return Figure(
        f"marks_{word}",
        title,
        "How far every candidate size stands out from its neighbours; sizes at sixteenths of the "
        "frame may be marked by the coder's blocks too.",
        {
            "size": [int(lines.sizes[i]) for i in tops],
            "strength": [round(float(lines.strength[i]), 3) for i in tops],
        },
        Axis("size", f"candidate size {word}", "px"),
        Axis("strength", "strength over neighbours", "", zero=True),
        (Mark("line", y="strength"), *rules),
    )
