"""Softness: why is the picture of a flight soft, and how long was it exposed?"""

from __future__ import annotations

from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Procedure, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="softness",
    title="Why it is soft",
    question="Why is the picture of this flight soft, and how long was each frame exposed?",
    version=4,
    yields=(
        Measurand("flight_exposure", "exposure time in flight", "ms", better="less", least=0.0,
                  meaning="How long each frame of this clip was exposed; motion smears for as "
                          "long.", of_take=True),
        Measurand("motion_blur", "motion blur", "px", better="less", least=0.0,
                  meaning="How far motion smeared the picture; 95 % of this clip's frames stay "
                          "below.", of_take=True),
    ),
    order=237,
    findings=(
        Finding("lost_to_motion", "", "What motion during the exposure takes off the contrast."),
        Finding("lost_everywhere", "", "The same, of what is soft everywhere: focus and lens."),
        Finding("lost_to_shake", "", "The same, of blur that comes and goes with a rhythm."),
        Finding("lost_to_fog", "", "The same, of a veil that grows over minutes."),
        Finding("lost_to_coding", "", "The same, of coarse coding."),
        Finding("rests_on", "", "What each of these rests on, or why it cannot be told."),
        Finding("softest_cause", "", "The one that takes most for certain, 5 % and more."),
        Finding("edge_px", "px", "Width (standard deviation) of strong edges along the motion."),
        Finding("shake_seen_hz", "Hz", "How often blur comes and goes, as frames show it."),
        Finding("exposure_share", "", "Exposure as a share of the frame interval."),
        Finding("speed_px", "px", "Motion per frame that 95 % of the frames stay below."),
        Finding("coder_step", "", "The coder's step in 8-bit codes, median."),
        Finding("patches", "", "Patches that the exposure rests on."),
    ),
    files=(Files("", ("clip",), "A clip of the flight, steadying off."),),
    steps=(
        Step("Switch steadying off, and sharpening to low, if the camera lets you."),
        Step("Fly as you mean to, over things rich in detail: houses, trees, stones. The camera "
             "must turn or swing: at one speed blur looks like texture."),
        Step("Let half a minute run; two minutes and more show a lens that fogs over."),
        Step("For fog let the camera come from the warm into the cold as it will on the day; "
             "keep its cell within the maker's limits."),
    ),
    cautions=("airspace", "propellers", "launch", "lithium", "sun", "verdict"),
    whole_pictures=True,
    setup="flight",
    minutes=2.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
