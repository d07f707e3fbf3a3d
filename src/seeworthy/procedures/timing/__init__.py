"""Timing: frame rate, jitter, and frames lost, shown twice or damaged."""

from __future__ import annotations

from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Option, Procedure, Step, later
from seeworthy.procedures.timing.words import FINDINGS, READING

# fmt: off
PROCEDURE = Procedure(
    id="timing",
    title="Frame timing",
    question="Does it record every frame, evenly?",
    version=6,
    yields=(
        Measurand("frame_rate", "frame rate", "Hz", better="more",
                  also=("fps", "frames per second"), least=0.0,
                  meaning="Pictures per second that are really in the file.",
                  stricter="distinct_rate"),
        Measurand("distinct_rate", "different pictures a second", "Hz", better="more",
                  also=("real frame rate", "real fps"), least=0.0,
                  meaning="Pictures per second that are not the one before again."),
        Measurand("frame_jitter", "frame jitter", "ms", better="less", also=("jitter",), least=0.0,
                  meaning="Unevenness of motion."),
        Measurand("rate_error", "clock rate error", "ppm", better="nearer", ideal=0.0,
                  meaning="How fast the camera's clock drifts against true time."),
    ),
    order=30,
    findings=(
        Finding("dropped_frames", "",
                "frames missing from the cadence of the time stamps: count, and the frame before "
                "each gap, once per missing frame; frames lost before stamping leave no gap",
                title="dropped frames", better="less", claimed=True),
        Finding("duplicated_frames", "",
                "frames that show the picture before again: count and numbers",
                title="duplicated frames", better="less", claimed=True),
        Finding("corrupt_frames", "", "frames the decoder could not read whole: count and numbers",
                title="corrupt frames", better="less", claimed=True),
        Finding("first_pause_ms", "ms",
                "wait after the first frame where the recording was still starting"),
        Finding("longest_gap_ms", "ms", "longest time between two frames"),
        Finding("frames", "", "frames in the file"),
        Finding("rate_regime", "",
                "'constant', 'uneven' (one rate, but the waits scatter by more than a "
                "twentieth), 'two rates' or 'variable' (long exposures in the dark)"),
        Finding("cadences", "", "rates that the recording keeps, and their share of the intervals"),
        Finding("undecidable", "",
                "ranges of frames where lost or repeated frames cannot be known, and why"),
        Finding("blind_key_frames", "", "key frames at which a repeated picture would not show"),
        *FINDINGS,
    ),
    files=(
        Files("", ("clip",),
              "A clip of a minute or more, best of something that moves all over the picture."),
    ),
    readings=(READING,),
    options=(
        Option("clock",
               "Read the on-screen clock in the clip, for the error of the camera's own clock.",
               "yes", ("yes", "no")),
    ),
    steps=(
        Step("Charge the cell and use the card that will fly; format it in the camera."),
        Step("Film a minute of a detailed scene in good light while turning slowly and evenly, "
             "so that every picture differs from the one before."),
        Step("Film another minute in dim light: many cameras lower their rate in the dark."),
        Step("Copy the file from the card as it is; sharing it through an app changes it."),
        Step("Frames that the camera loses before it stamps them leave no gap in the file. To "
             "find those, film the bench clock (`seeworthy serve`, Targets, or `seeworthy target "
             "clock`) for a minute or more, in a dim room, the camera fixed and the screen at a "
             "quarter of the picture's width or more, and give --option clock=yes. Ten minutes "
             "tell the rate of the camera's clock to a part in a million, as far as the screen's "
             "own is known."),
    ),
    cautions=("lithium", "flashing", "verdict"),
    kit=("the camera and its card", "a computer to copy the file"),
    setup="any clip",
    minutes=5.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
    look=True,
)
# fmt: on
