"""Sharpness: the finest detail that is kept, in the middle and towards the corners."""

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

_SFR = "Finest stripes that keep half of their contrast; 0.5 is the most a pixel grid can carry."
_LINES = (
    "Lines over the height of the picture that keep half of their contrast; the same for any frame "
    "size."
)
_ENDS = "Lines over the height of the picture that keep a tenth of their contrast: detail's end."
_PLACES = (
    "centre", "top_left", "top", "top_right", "left", "right", "bottom_left", "bottom",
    "bottom_right", "corner_mean",
)  # fmt: skip

# fmt: off
PROCEDURE = Procedure(
    id="sharpness",
    title="Sharpness",
    question="How much detail does it keep, in the middle and in the corners?",
    version=7,
    yields=(
        *(
            Measurand(
                f"mtf{level}_ph_{where}",
                f"MTF{level}, {where.replace('_', ' ')}, per picture height",
                "LW/PH",
                better="more",
                also=("sharpness", "resolution") if (level, where) == (50, "centre") else (),
                least=0.0,
                meaning=meaning,
            )
            for level, places, meaning in (
                (50, _PLACES, _LINES),
                (10, ("centre", "corner_mean"), _ENDS),
            )
            for where in places
        ),
        *(
            Measurand(
                f"mtf50_{where}",
                f"MTF50, {where.replace('_', ' ')}",
                "cy/px",
                better="more",
                least=0.0,
                per_frame=True,
                meaning=_SFR,
            )
            for where in _PLACES
        ),
        Measurand("lateral_colour", "colour fringe in the corner", "%", better="nearer", ideal=0.0,
                  also=("chromatic aberration", "lateral colour", "colour fringes"),
                  meaning="How far red or blue lies outside of green, of the picture height."),
        Measurand("focus_evenness", "focus evenness", "", better="nearer", ideal=1.0, least=0.0,
                  meaning="Corners against the centre; 1 is even."),
        Measurand("decentring", "decentring", "", better="nearer", ideal=1.0, least=0.0,
                  meaning="Sharpest corner over softest; 1 is a straight lens."),
        Measurand("edge_overshoot", "edge overshoot", "%", better="less", least=0.0,
                  meaning="In-camera sharpening: halos at edges."),
    ),
    order=90,
    findings=(
        Finding("edges_from", "", "Our target, or a marked region."),
        Finding("places_measured", "",
                "Places of the frame that were measured; of others nothing is known."),
        Finding("edges_used", "", "Edges that were measured."),
        Finding("edges_refused", "", "Edges that were left out."),
        Finding("frames", "", "Still frames that were averaged."),
        Finding("sharpened", "", "Whether the camera sharpens its picture."),
        Finding("highest_response", "", "Largest response; over 1 the picture was sharpened."),
        Finding("lateral_colour_px", "px",
                "Red and blue against green: outward in the frame's corner, and where it is "
                "largest (1 is the corner); null where the edges cannot tell."),
        Finding("tone", "", "Where the tone curve comes from that was undone."),
    ),
    files=(
        Files("", ("clip", "still"), "Ten still seconds of the edges target, frame filled."),
        TONE_CURVE,
    ),
    readings=(
        Reading("printed_length", "mm",
                "The 'measure me' length as printed, kept for those who repeat the test; figures "
                "per pixel need no scale.", EXAMPLES["sharpness.printed_length"]),
    ),
    options=(
        Option("region", "An edge of any scene: x,y,w,h in px.", "600,300,60,90", (), True),
        Option("mirrored", "The camera mirrors its picture.", "yes", ("yes", "no")),
    ),
    steps=(
        Step("Print the edges target (seeworthy target edges) and fix it flat on a wall."),
        Step("Light it evenly from both sides, no window glare."),
        Step("Camera on a tripod, facing it squarely, the target filling the frame; let it focus."),
        Step("Record ten seconds without touching it."),
    ),
    kit=("the printed edges target", "a tripod or clamp", "two lamps or an overcast window"),
    whole_pictures=True,
    setup="target",
    minutes=6.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
