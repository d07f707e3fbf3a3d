"""Lens: angles of view, focal length and distortion from the board."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Option, Procedure, Reading, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="lens",
    title="Lens",
    question="How wide does the lens really see, and how much does it bend straight lines?",
    version=6,
    yields=(
        "hfov",
        "vfov",
        "dfov",
        Measurand("focal_length", "focal length", "px", feels=(), than=("longer", "shorter"),
                  least=0.0, per_frame=True,
                  meaning="Scale of the picture: pixels per unit of slope."),
        Measurand("tv_distortion", "TV distortion", "%", better="nearer", ideal=0.0,
                  also=("distortion", "barrel", "fisheye"), feels=(),
                  meaning="How much straight lines bend; 0 is straight."),
        Measurand("reprojection_rms", "reprojection error", "px", better="less", of_take=True,
                  least=0.0, meaning="How well the lens model explains the target."),
    ),
    order=80,
    steps=(
        Step("Print the board (`seeworthy target board`) at 100 %, glue it on something stiff."),
        Step("Measure the ruler on the print; read it as printed_length."),
        Step("Fix the camera or the board, in even light, in the mode that you fly with."),
        Step("Film the board in the middle, then let it reach into every corner of the frame."),
        Step("Tip it left, right, up and down by 20° to 40° and turn it; hold each of a dozen or "
             "more positions still for a second."),
    ),
    conclude=later(__name__, "conclude"),
    prepare=later(__name__, "prepare"),
    kit=("the printed board", "a stiff flat backing", "a steel rule"),
    findings=(
        Finding("board_bow_mm", "mm",
                "How far the board's edge stands off its plane, fitted along with the lens."),
        Finding("model", "",
                "pinhole (radial and tangential polynomial) or fisheye (polynomial in the angle)"),
        Finding("coefficients", "", "distortion coefficients with standard uncertainty"),
        Finding("intrinsics", "",
                "focal lengths and principal point in px, and the frame they hold for"),
        Finding("rectilinear_deg", "deg",
                "angles that the focal length alone would give, without distortion"),
        Finding("halves_agree", "",
                "whether two halves of the views, fitted apart, give one lens; null of few views"),
        Finding("halves_differ", "",
                "difference of the two halves in angle (°) and k1, and the uncertainty it was "
                "held to"),
        Finding("directions", "deg",
                "angle of every place of a grid from the middle, and its standard uncertainty"),
        Finding("views", "", "views of the board that were used"),
        Finding("corners_left_out", "", "corners that were taken for another one and left out"),
        Finding("spread_deg", "deg", "largest angle between two positions of the board"),
        Finding("reach", "", "how far out corners were seen; 1 is the frame's corner"),
        Finding("held_out_px", "px", "how well each model foretells views it was not fitted to"),
        Finding("print_scale", "", "printed over drawn size of the board"),
        Finding("distance_mm", "mm", "nearest and farthest position of the board"),
    ),
    files=(
        Files("", ("clip", "still"), "A clip of the board at many angles, or stills of it.", 1, 0),
    ),
    readings=(
        Reading("printed_length", "mm", "The ruler on the print.", EXAMPLES["lens.printed_length"]),
        Reading("square", "mm", "The side of a chessboard's square.", EXAMPLES["lens.square"]),
    ),
    options=(
        Option("board", "A plain chessboard instead: its inner corners along and down.", "9x6"),
        Option("mirrored", "The camera mirrors its picture left to right.", "yes", ("yes", "no")),
    ),
    whole_pictures=True,
    setup="board",
    drawing="target",
    minutes=8.0,
)
# fmt: on
