"""Tie: a knock that clip and logger both felt puts them on one time axis."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Option, Procedure, Reading, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="tie",
    title="Clip and logger tied by a knock",
    question="Which moment of the logger's record is which picture of the clip?",
    version=1,
    yields=(
        Measurand("log_offset", "clock offset of the logger", "ms",
                  meaning="What to add to the clip's time to get the logger's, at the middle "
                          "knock.", feels=(), of_take=True),
        Measurand("log_rate", "rate of the logger's clock", "ppm", better="nearer", ideal=0.0,
                  feels=("temperature",), of_take=True,
                  meaning="How much faster than the clip's it runs; 100 ppm are 6 ms a minute."),
    ),
    order=237,
    findings=(
        Finding("knocks", "", "Each knock: second of the clip, second of the log."),
        Finding("heard", "", "Sudden sounds in the clip."),
        Finding("logged", "", "Sudden short shocks in the log."),
        Finding("seen", "", "Knocks at which the picture jumps, too."),
        Finding("sound_late_ms", "ms", "Sound against picture, by reading or by the jumps."),
        Finding("middle_s", "s", "Second of the clip for which the offset holds."),
    ),
    files=(
        Files("", ("clip",), "A clip with sound in which camera and logger are knocked on."),
        Files("log", ("table",), "The logger's record: time and acceleration."),
    ),
    readings=(
        Reading("av_offset", "ms",
                "Sound against picture, positive where the sound is late (`sync`).",
                EXAMPLES["tie.av_offset"], positive=False, measurand="av_offset"),
    ),
    options=(
        Option("columns", "Which column is what.", "time:t"),
        Option("units", "Units of the columns, where the log does not say.", "acceleration:g"),
    ),
    steps=(
        Step("Fix camera and logger in the craft as they will fly; start both."),
        Step("Hold the craft still, with something sharp in view, in a quiet place."),
        Step("Knock on it three times with a knuckle or a pencil, unevenly (short, long), hard "
             "enough that the picture jumps. Do not touch the cell or the propellers."),
        Step("Fly. After landing, before anything is switched off, knock three times again."),
        Step("The knocks before and after tell how fast the two clocks drift apart."),
    ),
    cautions=("launch", "lithium", "airspace", "propellers"),
    kit=("a logger with an accelerometer, fixed to the camera",),
    setup="flight",
    minutes=3.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
