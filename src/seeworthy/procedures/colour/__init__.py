"""Colour: how far the camera's colours are from a reference, and what post can mend."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.procedures.colour.words import MEANINGS
from seeworthy.procedures.declare import Files, Option, Procedure, Reading, Step, later

PROCEDURE = Procedure(
    id="colour",
    title="Colour",
    question="Are the colours right, or washed out?",
    version=1,
    yields=(
        "de00_mean",
        "de00_p95",
        "de00_max",
        "de00_mean_matched",
        "de00_p95_matched",
        "de00_max_matched",
        "chroma_ratio",
        "white_shift",
        "de00_mean_corrected",
    ),
    findings=MEANINGS,
    files=(
        Files("", ("clip", "still"), "The coloured objects, filmed by the camera under test."),
        Files(
            "reference",
            ("still", "table"),
            "A still of the same scene by a good camera, or a table of known patch values.",
        ),
    ),
    readings=(
        Reading(
            "light", "text", "What the light meter shows at the objects.", EXAMPLES["colour.light"]
        ),
    ),
    options=(
        Option("region", "A plain-coloured place: x,y,w,h in px.", "600,300,60,60", (), True),
        Option("white", "White that a table's values are relative to.", "D50", ("D50", "D65")),
    ),
    steps=(
        Step("Lay some thirty small plain objects of many colours and grey on matt black cloth."),
        Step("Use even daylight from the side or shade, no gloss and no shadows of your own."),
        Step("Read the light meter at the objects."),
        Step(
            "Take a still with a camera you trust: white balance for this light, nothing clipped, "
            "saved as sRGB or with its profile."
        ),
        Step("Put the camera under test at the same place, framed alike, at once: light changes."),
        Step("Record five seconds without touching anything; then check that no object moved."),
    ),
    kit=("thirty plain coloured objects", "black cloth", "a good still camera", "a light meter"),
    setup="black cloth",
    minutes=8.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
