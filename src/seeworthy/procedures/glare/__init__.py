"""Veiling glare: how much light of a bright field the lens spreads over a black."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import (
    TONE_CURVE,
    Files,
    Finding,
    Option,
    Procedure,
    Reading,
    Step,
    later,
)

# fmt: off
PROCEDURE = Procedure(
    id="glare",
    title="Veiling glare",
    question="How much does bright light around wash out the blacks?",
    version=1,
    yields=(
        Measurand("veiling_glare", "veiling glare index", "%", better="less", least=0.0, feels=(),
                  also=("glare", "flare", "contrast loss"),
                  meaning="Light over a black, of the bright field around it: 1 % is a clean "
                          "lens, 10 % is a milky picture against the sky."),
    ),
    order=118,
    findings=(
        Finding("found", "", "How trap and field were found: by themselves, or marked."),
        Finding("trap_percent", "%", "Light in the trap, of the field's, before its own is off."),
        Finding("field_percent", "%", "Light of the field at the trap, of white."),
        Finding("field_share_percent", "%", "Part of the picture that the bright field fills."),
        Finding("trap_share_percent", "%", "Part of the picture that the trap fills."),
        Finding("black_from", "", "A clip of the covered lens, or the code of black."),
        Finding("tone", "", "Where the tone curve comes from that was undone."),
    ),
    files=(
        Files("", ("clip",), "Five still seconds of the black trap in a bright even field."),
        Files("dark", ("clip",), "The lens covered, in the same mode: what black is.", 0),
        TONE_CURVE,
    ),
    readings=(
        Reading("light", "text", "What the light meter shows at the field.",
                EXAMPLES["glare.light"]),
        Reading("trap_reflectance", "%",
                "Light of the trap's hole over the field's beside it; left out: 0 to 0.5 %.",
                EXAMPLES["glare.trap_reflectance"], positive=False),
    ),
    options=(
        Option("trap", "Inside the black hole: x,y,w,h in px.", "600,340,60,40"),
        Option("field", "Bright field beside it, best on both sides: x,y,w,h in px.",
               "480,340,60,40", (), True),
    ),
    steps=(
        Step("Make a black trap: a box of 20 cm or more, painted matt black or lined with black "
             "velvet inside, with a hole of 6 cm in a side that is white outside."),
        Step("Set it into a bright even field that fills the picture and some more on every "
             "side: a white sheet in shade, a wall, an overcast sky. Never the sun itself."),
        Step("See that no lamp shines into the hole and that the field is not clipped."),
        Step("The hole fills 3 to 10 % of the width, in the middle; film five still seconds."),
        Step("Cover the lens and film five seconds more (dark=); then the hole in a corner."),
        Step("Measure the tone curve in this mode (oecf) with two clips in less light: a black "
             "is six stops and more below white, where the tag says little."),
    ),
    cautions=("sun",),
    kit=("a black box with a hole", "black velvet or matt black paint", "a white sheet"),
    setup="flat field",
    minutes=8.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
