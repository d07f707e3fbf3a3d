"""Survival: does it measure the same after a flight as before?"""

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
    id="survival",
    title="Survival of a flight",
    question="Is it still the same camera after the flight?",
    version=2,
    yields=(
        Measurand("sharpness_change", "change of sharpness", "", better="nearer", ideal=1.0,
                  of_take=True, least=0.0, meaning="After over before; 1 is unchanged."),
        Measurand("decentring_change", "change of decentring", "", better="nearer", ideal=1.0,
                  of_take=True, least=0.0, meaning="After over before; 1 is unchanged."),
        Measurand("timing_change", "change of frame rate", "ppm", better="nearer", ideal=0.0,
                  of_take=True, meaning="After against before; 0 is unchanged."),
        Measurand("flights_survived", "flights survived", "", better="more", feels=(), least=0.0,
                  meaning="Flights after which the camera measured the same."),
        Measurand("failure_bound", "upper bound of failure probability", "", better="less",
                  feels=(), least=0.0, meaning="Per flight, at 95 % confidence."),
    ),
    order=200,
    findings=(
        Finding("survived", "", "yes, no or cannot tell."),
        Finding("flights", "", "Flights between the two sets of takes."),
        Finding("files_broken_after", "", "Files after the flight that do not open."),
        Finding("compared", "", "Figures that both sides have."),
        Finding("changed", "",
                "Figures that changed (Holm-corrected) and are not within what matters."),
        Finding("answers", "", "Unchanged, changed or cannot tell, per figure."),
    ),
    files=(
        Files("before", ("clip",), "Clips of the edges target before the flight.", 1, 0),
        Files("after", ("clip",), "Clips of the edges target after the flight.", 1, 0),
        TONE_CURVE,
    ),
    readings=(
        Reading("flights", "", "How many flights lie between.", EXAMPLES["survival.flights"]),
    ),
    options=(
        Option("region", "An edge of any scene: x,y,w,h in px.", "600,300,60,90", (), True),
        Option("anew", "Every take was set up anew and shows what that changes.", "yes",
               ("yes", "no")),
        Option("mirrored", "The camera mirrors its picture.", "yes", ("yes", "no")),
    ),
    steps=(
        Step("Before flying, film the edges target as for `sharpness`, ten still seconds. Better "
             "three takes, each set up anew (--option anew=yes), here and after the flight."),
        Step("Fly, with a logging altimeter beside the camera if you have one (`load`)."),
        Step("After landing, look at camera, lens and cell; do not charge a dented cell."),
        Step("Film the same target again from the same place in the same light."),
    ),
    cautions=("launch", "airspace", "propellers", "lithium", "verdict"),
    kit=("the printed edges target", "a tripod or clamp"),
    setup="target",
    minutes=12.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
