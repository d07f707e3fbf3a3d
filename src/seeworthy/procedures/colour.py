"""Colour: how far the camera's colours are from a reference, and what post can mend."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from seeworthy.errors import CannotMeasure
from seeworthy.procedures.colour_words import MEANINGS, doubts, findings, sentence
from seeworthy.procedures.declare import (
    Files,
    Inputs,
    Option,
    Procedure,
    Reading,
    Seen,
    Step,
    Watch,
)
from seeworthy.results import Outcome, Result, result

if TYPE_CHECKING:
    from seeworthy.measure.colour import Colour
    from seeworthy.procedures.colour_plates import Compared
    from seeworthy.targets.colour_mean import SteadyColour


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Average the steadiest frames of a clip; stills are read whole later."""
    from seeworthy.measure.light_reading import parse_light
    from seeworthy.procedures.colour_plates import is_still
    from seeworthy.targets.colour_mean import SteadyColour
    from seeworthy.targets.marked import marked_box

    for text in inputs.options.get("region", ()):
        marked_box(text)
    reading = inputs.reading("light")
    if reading is not None:
        parse_light(reading.text)
    return [] if is_still(inputs.file()) else [Watch(inputs.file(), SteadyColour())]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Compare the cells of clip and reference."""
    from seeworthy.measure.colour import measure_colour
    from seeworthy.procedures.colour_figures import figures, pictures
    from seeworthy.procedures.colour_plates import compare, pairs_of

    watcher: SteadyColour | None = seen.watches[0].observer if seen.watches else None  # type: ignore[assignment]
    found = compare(inputs, watcher)
    drawn = pictures(found)
    try:
        colour = measure_colour(pairs_of(found))
    except CannotMeasure as error:
        raise CannotMeasure(error.message, _hint(found, error.hint), drawn) from None
    return Outcome(
        tuple(_results(inputs, found, colour, tuple(p.name for p in drawn))),
        findings(found, colour),
        tuple(doubts(found, colour)),
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
    from seeworthy.measure.light_reading import parse_light

    reading = inputs.reading("light")
    how: dict[str, Any] = {"method": found.method}
    if reading is not None:
        how["light"] = parse_light(reading.text).value
    made = []
    for name in PROCEDURE.yields:
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
                name, figure.value, figure.u, n=n, interval=(figure.low, figure.high),
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


PROCEDURE = Procedure(
    id="colour",
    title="Colour",
    question="Are the colours right, or washed out?",
    version=1,
    yields=(
        "de00_mean", "de00_p95", "de00_max",
        "de00_mean_matched", "de00_p95_matched", "de00_max_matched",
        "chroma_ratio", "white_shift", "de00_mean_corrected",
    ),
    findings=MEANINGS,
    files=(
        Files("", ("clip", "still"), "The coloured objects, filmed by the camera under test."),
        Files(
            "reference", ("still", "table"),
            "A still of the same scene by a good camera, or a table of known patch values.",
        ),
    ),
    readings=(
        Reading("light", "text", "What the light meter shows at the objects.", "10.2 EV dome"),
    ),
    options=(
        Option("region", "A plain-coloured place: x,y,w,h in px.", "600,300,60,60", (), True),
        Option("white", "White that a table's values are relative to.", "D50", ("D50", "D65")),
    ),
    steps=(
        Step("Lay some thirty small plain objects of many colours and grey on matt black cloth."),
        Step("Use even daylight from the side or shade, no gloss and no shadows of your own."),
        Step("Read the light meter at the objects."),
        Step("Take a still with a camera you trust: white balance for this light, nothing clipped, "
             "saved as sRGB or with its profile."),
        Step("Put the camera under test at the same place, framed alike, at once: light changes."),
        Step("Record five seconds without touching anything; then check that no object moved."),
    ),
    kit=("thirty plain coloured objects", "black cloth", "a good still camera", "a light meter"),
    setup="black cloth",
    minutes=8.0,
    prepare=prepare,
    conclude=conclude,
)  # fmt: skip
