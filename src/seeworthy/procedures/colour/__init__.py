"""Colour: how far the camera's colours are from a reference, and what post can mend."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.colour.words import MEANINGS
from seeworthy.procedures.declare import TONE_CURVE, Files, Option, Procedure, Reading, Step, later

_DE = "Colour difference against the reference: 1 is just visible, over 10 is another colour."
_STATISTICS = (("mean", "mean"), ("p95", "95th percentile"), ("max", "largest"))

# fmt: off
PROCEDURE = Procedure(
    id="colour",
    title="Colour",
    question="Are the colours right, or washed out?",
    version=1,
    yields=(
        *(
            Measurand(
                f"de00_{stat}",
                f"colour difference, {words}",
                "",
                better="less",
                feels=("light",),
                least=0.0,
                meaning=_DE,
            )
            for stat, words in _STATISTICS
        ),
        *(
            Measurand(
                f"de00_{stat}_matched",
                f"colour difference, {words}, exposure matched",
                "",
                better="less",
                least=0.0,
                meaning=_DE,
            )
            for stat, words in _STATISTICS
        ),
        Measurand("chroma_ratio", "chroma ratio", "", better="nearer", ideal=1.0, feels=("light",),
                  least=0.0, meaning="Below 1 is washed out, above 1 is oversaturated."),
        Measurand("white_shift", "white shift", "", better="less", feels=("light",), least=0.0,
                  meaning="Tint of white against the reference, in Δu'v'."),
        Measurand("de00_mean_corrected", "colour difference after the best matrix", "",
                  better="less", least=0.0, meaning="What is left after correction in post."),
    ),
    order=110,
    findings=MEANINGS,
    files=(
        Files("", ("clip", "still"), "The coloured objects, filmed by the camera under test."),
        Files("reference", ("still", "table"),
              "A still of the same scene by a good camera, or a table of known patch values."),
        TONE_CURVE,
    ),
    readings=(
        Reading("light", "text", "What the light meter shows at the objects.",
                EXAMPLES["colour.light"]),
    ),
    options=(
        Option("region", "A plain-coloured place: x,y,w,h in px.", "600,300,60,60", (), True),
        Option("white", "White that a table's values are relative to.", "D50", ("D50", "D65")),
    ),
    steps=(
        Step("Lay some thirty small plain objects of many colours and grey on matt black cloth."),
        Step("Use even daylight from the side or shade, no gloss and no shadows of your own."),
        Step("Read the light meter at the objects."),
        Step("Take a still with a camera you trust: white balance for this light, nothing "
             "clipped, saved as sRGB or with its profile."),
        Step("Put the camera under test at the same place, framed alike, at once: light changes."),
        Step("Record five seconds without touching anything; then check that no object moved."),
    ),
    kit=("thirty plain coloured objects", "black cloth", "a good still camera", "a light meter"),
    setup="black cloth",
    minutes=8.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
