"""Sharpness: the finest detail that is kept, in the middle and towards the corners."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.procedures.declare import Files, Option, Procedure, Reading, Step, later

PROCEDURE = Procedure(
    id="sharpness",
    title="Sharpness",
    question="How much detail does it keep, in the middle and in the corners?",
    version=1,
    yields=(
        "mtf50_centre",
        "mtf50_top_left",
        "mtf50_top",
        "mtf50_top_right",
        "mtf50_left",
        "mtf50_right",
        "mtf50_bottom_left",
        "mtf50_bottom",
        "mtf50_bottom_right",
        "mtf50_corner_mean",
        "focus_evenness",
        "decentring",
        "edge_overshoot",
    ),
    findings={
        "edges_from": "Our target, a marked region, or edges of the scene.",
        "edges_used": "Edges that were measured.",
        "edges_refused": "Edges that were left out.",
        "frames": "Still frames that were averaged.",
        "sharpened": "Whether the camera sharpens its picture.",
        "highest_response": "Largest response; over 1 the picture was sharpened.",
    },
    files=(Files("", ("clip", "still"), "Ten still seconds of the edges target, frame filled."),),
    readings=(
        Reading(
            "printed_length",
            "mm",
            "The 'measure me' length as printed, kept for those who "
            "repeat the test; figures per pixel need no scale.",
            EXAMPLES["sharpness.printed_length"],
        ),
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
    setup="target",
    minutes=6.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
