"""Run of `colour`: what it asks to see, and what it concludes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Outcome, Result, result
from seeworthy.observe.colour_mean import SteadyColour
from seeworthy.observe.marked import marked_box
from seeworthy.optics.light_reading import parse_light
from seeworthy.optics.tone import Tone
from seeworthy.procedures.colour import PROCEDURE
from seeworthy.procedures.colour.figures import figures, pictures
from seeworthy.procedures.colour.measure import Colour, measure_colour
from seeworthy.procedures.colour.plates import Compared, compare, is_still, pairs_of
from seeworthy.procedures.colour.words import doubts, findings, sentence
from seeworthy.procedures.declare import Inputs, Seen, Watch


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Average the steadiest frames of a clip; stills are read whole later."""
    for text in inputs.options.get("region", ()):
        marked_box(text)
    reading = inputs.reading("light")
    if reading is not None:
        parse_light(reading.text)
    return (
        [] if is_still(inputs.file()) else [Watch(inputs.file(), SteadyColour(light=inputs.light))]
    )


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Compare the cells of clip and reference."""
    watcher: SteadyColour | None = seen.watches[0].observer if seen.watches else None  # type: ignore[assignment]
    found = compare(inputs, watcher)
    drawn = pictures(found)
    stage = None if watcher is None else watcher.stage
    tone = Tone() if stage is None else inputs.tone(stage)
    try:
        colour = measure_colour(pairs_of(found))
    except CannotMeasure as error:
        raise CannotMeasure(error.message, _hint(found, error.hint), drawn) from None
    return Outcome(
        tuple(_results(inputs, found, colour, tuple(p.name for p in drawn))),
        {**findings(found, colour), "tone": tone.words},
        (*doubts(found, colour), *tone.said),
        drawn,
        figures(found, colour),
        found.method,
        sentence(colour),
        _correction(found, colour),
    )


def _hint(found: Compared, hint: str) -> str:
    """Add what was left out to the hint of a refusal."""
    lost = ", ".join(f"{n} {reason}" for reason, n in found.cells.left_out.items() if n)
    return f"{hint} Left out: {lost}." if lost else hint


def _results(
    inputs: Inputs, found: Compared, colour: Colour, evidence: tuple[str, ...]
) -> list[Result]:
    reading = inputs.reading("light")
    how: dict[str, Any] = {"method": found.method}
    if reading is not None:
        how["light"] = parse_light(reading.text).value
    made = []
    for name in PROCEDURE.measurand_ids:
        figure = colour.figures.get(name)
        if figure is None:
            continue
        n = (
            colour.neutrals or len(found.cells.discs)
            if name == "white_shift"
            else len(found.cells.discs)
        )
        made.append(
            result(
                name, figure.value, n=n, interval=(figure.low, figure.high), budget=figure.budget,
                conditions=how, evidence=evidence,
            )
        )  # fmt: skip
    return made


def _correction(found: Compared, colour: Colour) -> dict[str, Any]:
    """Return gain and matrix where they help colours that they were not fitted to."""
    if colour.matrix is None or not colour.worth:
        return {}
    left = colour.figures["de00_mean_corrected"]
    return {
        "kind": "colour",
        "matrix": [[round(float(v), 6) for v in row] for row in colour.matrix],
        "exposure": round(colour.gain, 6),
        "cells": len(found.cells.discs),
        "de00_mean_before": round(float(colour.per_cell["recorded"].mean()), 3),
        "de00_mean_after": round(left.value, 3),
    }
