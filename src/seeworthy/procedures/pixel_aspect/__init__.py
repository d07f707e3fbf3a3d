"""Pixel aspect: whether circles stay round."""

from __future__ import annotations

from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Option, Procedure, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="pixel-aspect",
    title="Pixel aspect",
    question="Do circles stay round?",
    version=2,
    yields=(
        Measurand("pixel_aspect", "pixel aspect ratio", "", better="nearer", ideal=1.0, feels=(),
                  least=0.0, meaning="1 means that circles stay round."),
    ),
    order=60,
    steps=(
        Step("Print the rings (`seeworthy target rings`) at 100 %, or take any flat, true ring."),
        Step("Fix it flat on a board or box and set the camera on a stand facing it, the ring in "
             "the middle of the frame and half its height or more."),
        Step("Film five seconds without touching anything."),
        Step("Turn board and all by 90° in the picture and film again: give this clip as turned=."),
    ),
    conclude=later(__name__, "conclude"),
    prepare=later(__name__, "prepare"),
    kit=("the printed rings", "a flat board", "a stand for the camera"),
    findings=(
        Finding("claimed_aspect", "",
                "sample aspect ratio that the file states, null where it states none"),
        Finding("shown_stretch_percent", "%", "how much too wide a player will show things"),
        Finding("claim_agrees", "", "whether the stated ratio lies in the 95 % interval"),
        Finding("tilt_deg", "deg", "tilt of the target in each take, as far as it can be seen"),
        Finding("print_stretch_percent", "%",
                "how much wider than high the print is (turned takes only)"),
        Finding("circles", "", "circular edges used in each take"),
        Finding("frames", "", "frames averaged in each take"),
        Finding("fit_rms_px", "px", "edge points about the model"),
    ),
    files=(
        Files("", ("clip", "still"), "A clip or still of the ring as it stands."),
        Files("turned", ("clip", "still"), "The same with the target turned by 90°.", 0, 1),
    ),
    options=(Option("region", "Look for the ring only there, px.", "200,100,800,500"),),
    setup="rings",
    drawing="target",
    minutes=4.0,
)
# fmt: on
