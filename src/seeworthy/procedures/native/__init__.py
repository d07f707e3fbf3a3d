"""Native resolution: how many pixels the camera really took, across and down."""

from __future__ import annotations

from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Procedure, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="native",
    title="Native resolution",
    question="Does the camera really take as many pixels as its files have?",
    version=2,
    yields=(
        Measurand("native_width", "native width", "px", better="more",
                  also=("upscaling", "interpolation"), feels=(), least=0.0,
                  meaning="Pixels across that the sensor really delivered, before any enlarging."),
        Measurand("native_height", "native height", "px", better="more", feels=(), least=0.0,
                  meaning="Pixels down that the sensor really delivered, before any enlarging."),
    ),
    order=50,
    findings=(
        Finding("upscaled", "", "The picture was enlarged from fewer pixels: yes, no or undecided.",
                title="picture blown up from fewer pixels", better="none", claimed=True),
        Finding("upscaled_across", "", "The same across."),
        Finding("upscaled_down", "", "The same down."),
        Finding("marks_across", "",
                "Sizes at which the columns bear marks, with their strength; marks like those of "
                "the coder's blocks count only when they are stronger than blocks make."),
        Finding("marks_down", "", "The same for the rows."),
        Finding("key_frames", "", "Key frames that were looked at."),
    ),
    files=(Files("", ("clip",), "A scene full of fine detail, the camera moving slowly."),),
    steps=(
        Step("Choose something full of fine detail in good light: gravel, foliage, print, grass."),
        Step("Use the highest bit rate, and no digital zoom or stabiliser."),
        Step("Film ten seconds in focus, moving the camera slowly."),
    ),
    kit=("a scene with fine detail",),
    whole_pictures=True,
    setup="any clip",
    minutes=2.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
    look=True,
)
# fmt: on
