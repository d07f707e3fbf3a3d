"""Tone curve: what code values a camera makes of light (OECF, ISO 14524)."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Option, Procedure, Reading, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="oecf",
    title="Tone curve",
    question="Does the picture have the tone curve that its file names?",
    version=1,
    yields=(
        Measurand("mid_tone_slope", "slope of the tones at mid-grey", "", better="none",
                  also=("gamma", "contrast", "tone curve"), feels=(),
                  meaning="Power of the picture's light, by its tag, over the scene's: 1 is as "
                          "tagged, above it a contrasty look."),
    ),
    order=125,
    findings=(
        Finding("mode", "", "Frame size, rate and tags that the curve holds for."),
        Finding("seen_stops", "stops", "From the brightest step to the darkest that was used."),
        Finding("steps_used", "", "Steps behind the curve, of all clips."),
        Finding("left_out", "", "Steps that were clipped, drowned or too small."),
        Finding("patches_from", "", "Our grey steps, or marked regions."),
        Finding("uneven_stops", "stops", "Light and lens over the scale, brightest over darkest."),
        Finding("exposure_stops", "stops", "Exposure of each further clip over the first one's."),
        Finding("worst_stops", "stops", "Farthest that light by the tag is off, within the steps."),
        Finding("u_stop", "stops",
                "Standard uncertainty of one stop by this curve, about mid-grey."),
    ),
    files=(
        Files("", ("clip",),
              "Five still seconds of the grey steps; further clips in other light reach further.",
              1, 0),
    ),
    readings=(
        Reading("densities", "text",
                "The measured density of every step, in order; left out: nominal, far less "
                "certain.", EXAMPLES["oecf.densities"]),
    ),
    options=(
        Option("region", "A patch, even and flat: x,y,w,h in px.", "600,300,60,60", (), True),
        Option("mirrored", "The camera mirrors its picture.", "yes", ("yes", "no")),
    ),
    steps=(
        Step("Print the grey steps (seeworthy target greys), matt, and fix them flat on a wall."),
        Step("Measure the density of every step, or have it measured, and note it."),
        Step("Light them evenly, black cloth around them, no gloss and no lamp in the picture."),
        Step("Camera on a tripod, the scale filling the middle of the frame, out of focus a bit."),
        Step("Record five seconds in the mode that you fly: this size, rate and look."),
        Step("Record again with half of the light, and with a quarter (further clips)."),
    ),
    kit=("the printed grey steps", "a tripod or clamp", "even light"),
    setup="greys",
    drawing="target",
    minutes=6.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
