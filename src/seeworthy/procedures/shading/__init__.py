"""Shading: dark or tinted corners, and hot spots."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import TONE_CURVE, Files, Finding, Procedure, Reading, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="shading",
    title="Shading",
    question="Are the corners dark or tinted?",
    version=6,
    yields=(
        Measurand("corner_shading", "corner shading", "stops", better="less",
                  also=("vignetting", "vignette"), feels=(),
                  meaning="How dark the corners are, mean of four."),
        Measurand("corner_shading_worst", "worst corner shading", "stops", better="less", feels=(),
                  meaning="How dark the darkest corner is."),
        Measurand("colour_shading", "colour shading", "", better="less", feels=("light",),
                  least=0.0, meaning="Largest tint against the centre, in Δu'v'."),
    ),
    order=100,
    findings=(
        Finding("hot_spot", "",
                "A compact coloured spot: place, size, Δu'v' and word for the hue; see wide_tint."),
        Finding("wide_tint", "",
                "A wide part of another hue than the border: place, size, Δu'v' and word for the "
                "hue."),
        Finding("optical_centre_px", "px", "Where the picture is brightest."),
        Finding("slope_stops", "stops", "Slope of the light across and down."),
        Finding("slope_is", "", "Whether the slope was told from the lens."),
        Finding("frames", "", "Frames that were averaged."),
        Finding("wall_stops", "stops",
                "How dark the wall's own corners are, told by the shifted take."),
        Finding("tone", "", "Where the tone curve comes from that was undone."),
    ),
    files=(
        Files("", ("clip", "still"), "A white wall, overcast sky, or paper on the lens."),
        Files("turned", ("clip", "still"), "The same with the camera turned by 180°.", 0),
        Files("moved", ("clip", "still"), "The same with the camera shifted along the wall.", 0),
        TONE_CURVE,
    ),
    steps=(
        Step("Find an evenly lit plain surface: overcast sky, a white wall, or white paper."),
        Step("Hold the camera close so that nothing but the surface is seen, out of focus."),
        Step("Record five seconds; the picture should be mid-grey, not white."),
        Step("With a flat look (log, low contrast) measure its tone curve first (oecf): by the "
             "file's tag the corners come out too little dark."),
        Step("Turn the camera by 180° about its line of sight and record again (turned=)."),
        Step("On a wall: shift the camera by a quarter of what it sees, right and down, neither "
             "nearer nor turned, and record again (moved=); note both as shares of the picture."),
    ),
    readings=(
        Reading("evenness", "stops",
                "How far the surface itself is uneven over the picture, by a meter moved over it; "
                "left out: 0.1 stops at 60° of view, growing as its square.",
                EXAMPLES["shading.evenness"], positive=False),
        Reading("moved_right", "",
                "How far the camera of moved= was shifted to the right, as a share of the width "
                "of wall that the picture shows.", EXAMPLES["shading.moved_right"], positive=False),
        Reading("moved_down", "", "The same downwards, as a share of the height.",
                EXAMPLES["shading.moved_down"], positive=False),
        Reading("dfov", "deg", "Angle of view across the diagonal.", EXAMPLES["shading.dfov"]),
    ),
    cautions=("sun",),
    kit=("a plain white surface", "even light"),
    setup="wall",
    drawing="flat-field",
    minutes=4.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
