"""View: the angle of view by tape measure."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Finding, Option, Procedure, Reading, Step, Way, later

# fmt: off
PROCEDURE = Procedure(
    id="view",
    title="Angle of view by tape",
    question="How much of the land do you see?",
    version=3,
    yields=(
        Measurand("hfov", "horizontal angle of view", "deg",
                  also=("fov", "field of view", "angle of view"), feels=(),
                  than=("wider", "narrower"), least=0.0,
                  meaning="How much of the land you see from side to side."),
        Measurand("vfov", "vertical angle of view", "deg",
                  also=("fov", "field of view", "angle of view"), feels=(),
                  than=("wider", "narrower"), least=0.0,
                  meaning="How much you see from top to bottom."),
        Measurand("dfov", "diagonal angle of view", "deg",
                  also=("fov", "field of view", "angle of view", "wide angle"), feels=(),
                  than=("wider", "narrower"), least=0.0,
                  meaning="The figure sellers like to quote."),
        Measurand("entrance_offset", "entrance pupil behind the lens front", "mm", feels=(),
                  meaning="Where the rays really meet; corrects the tape."),
    ),
    order=70,
    steps=(
        Step("Lay a tape across a wall at lens height and set the camera square in front of it, "
             "at a distance that it will still see sharply."),
        Step("Look at what it records (not at a phone preview, which may be cropped) and read "
             "where the left and the right edge of the frame cut the tape: their difference is "
             "the width."),
        Step("Turn the camera until both edges are equally far from the point straight ahead, "
             "and measure the distance from the front of the lens square to the wall."),
        Step("Do it again at twice the distance or more (width2, distance2): that cancels the "
             "few millimetres between the lens front and the point where the rays meet."),
        Step("For the other axis hang the tape and read height and height2 in the same way."),
    ),
    cautions=(),
    kit=("tape measure", "wall or fence", "something to hold the camera still"),
    findings=(
        Finding("angle_kind", "",
                "Which angle this is; a lens that bends lines has another true edge ray."),
        Finding("hfov_one_distance", "", "What the farther set-up alone says, its offset unknown."),
        Finding("vfov_one_distance", "", "What the farther set-up alone says, its offset unknown."),
        Finding("methods_agree", "",
                "Whether one and two distances agree within their uncertainties."),
    ),
    readings=(
        Reading("width", "m", "Width that fills the frame.", EXAMPLES["view.width"]),
        Reading("distance", "m", "From lens front to target.", EXAMPLES["view.distance"],
                required=True),
        Reading("width2", "m", "Width at the second distance.", EXAMPLES["view.width2"]),
        Reading("distance2", "m", "Second distance.", EXAMPLES["view.distance2"]),
        Reading("height", "m", "Height that fills the frame.", EXAMPLES["view.height"]),
        Reading("height2", "m", "Height at the second distance.", EXAMPLES["view.height2"]),
        Reading("entrance_offset", "m",
                "Where the rays meet behind the lens front, if known from an earlier two-distance "
                "run (one distance only).", EXAMPLES["view.entrance_offset"], positive=False),
        Reading("squareness", "deg",
                "How far out of square target and tape may be (standard uncertainty; 2 deg if not "
                "given). What that does on the average is taken off.", EXAMPLES["view.squareness"]),
    ),
    options=(Option("aspect", "Width to height of the frame, for the angles not taped.", "16:9"),),
    ways=(
        Way("one", "At one distance", ("width", "height", "entrance_offset")),
        Way("two", "At two distances", ("width", "width2", "distance2", "height", "height2")),
    ),
    conclude=later(__name__, "conclude"),
    setup="tape and wall",
    minutes=8,
)
# fmt: on
