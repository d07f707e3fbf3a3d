"""Sync: does the sound come with the picture, and does it stay there?"""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Procedure, Reading, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="sync",
    title="Sound against picture",
    question="Does the sound fit the picture, and does it stay so?",
    version=1,
    yields=(
        Measurand("av_offset", "sound against picture", "ms", better="nearer", ideal=0.0,
                  also=("lip sync",), feels=("temperature",),
                  meaning="Positive: the sound comes late."),
        Measurand("av_drift", "drift of sound against picture", "ppm", better="nearer", ideal=0.0,
                  feels=("temperature",), meaning="Growth of the offset with time."),
    ),
    order=220,
    findings=(
        Finding("beeps_heard", "", "Beeps heard in the clip."),
        Finding("beeps_used", "", "Beeps that the clock in the picture times."),
        Finding("frames_read", "", "Frames in which the clock was read."),
        Finding("frames_looked_at", "", "Frames that were looked at."),
        Finding("screen_delay_ms", "ms", "Delay of the screen that was taken off."),
        Finding("sound_path_ms", "ms", "Time of the sound through the air that was taken off."),
        Finding("constants_u_ms", "ms",
                "Standard uncertainty of what does not change from beep to beep."),
    ),
    files=(Files("", ("clip",), "A minute or more of the bench clock with its beep on."),),
    readings=(
        Reading("screen_delay", "ms", "How late the screen shows what it is told.",
                EXAMPLES["sync.screen_delay"]),
        Reading("distance", "m", "From loudspeaker to microphone.", EXAMPLES["sync.distance"]),
    ),
    steps=(
        Step("Open the clock page on a laptop or phone (`seeworthy target clock`, or Targets in "
             "`serve`), whole screen."),
        Step("Press Beep (B). Use the built-in loudspeaker: a wireless one comes far too late."),
        Step("Lay the camera 40 cm away so that the clock fills most of the picture, and still."),
        Step("Film for a minute; for the drift ten minutes or the length of your flight."),
        Step("Measure the file as it comes from the card: sharing it through an app changes it."),
    ),
    kit=("a laptop or phone with loudspeaker", "a quiet room"),
    cautions=("flashing", "hearing"),
    setup="clock",
    minutes=4.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
