"""Low light: sharpness, noise and frame rate as the light goes down, and where it stops."""

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
    id="low-light",
    title="Low light",
    question="Down to how little light is the picture of use?",
    version=2,
    yields=(
        Measurand("usable_lux", "least usable light", "lx", better="less",
                  also=("low light", "night", "minimum illumination"), feels=("temperature",),
                  least=0.0, meaning="Light below which the picture stops being usable."),
        Measurand("sharpness_kept", "sharpness kept", "", better="more", feels=("light",),
                  least=0.0, meaning="MTF50 against bright light."),
        "snr_18",
        "frame_rate",
    ),
    order=140,
    findings=(
        Finding("criterion", "", "What the picture must keep to be called usable."),
        Finding("fails_first", "", "Which of these is lost first."),
        Finding("crossed_at_lux", "lx", "Light at which each is lost, or none."),
        Finding("like", "",
                "A typical light of about that level, for orientation, and who says so."),
        Finding("mid_grey_percent", "%", "Light of 18 % grey in each picture, of full scale."),
        Finding("darker_stops", "stops",
                "How much darker each picture is than the brightest take's."),
        Finding("exposure_at_most_ms", "ms",
                "No exposure is longer than the time between two frames."),
        Finding("edges_from", "", "Our target, a marked region, or an edge of the scene."),
        Finding("tone", "", "Where the tone curve comes from that was undone."),
    ),
    files=(
        Files("", ("clip",), "Ten still seconds at each light level, the same target.", 2, 0),
        TONE_CURVE,
    ),
    readings=(
        Reading("light", "text",
                "What the meter shows at the target, once per file, in their order.",
                EXAMPLES["low-light.light"], required=True, repeat=True),
    ),
    options=(
        Option("region", "The edge that is measured: x,y,w,h in px.", "600,300,60,90"),
        Option("grey", "A grey card of 18 % in the picture: x,y,w,h in px.", "200,300,60,60"),
        Option("least_snr", "Least signal over noise that is usable, dB; default 20.", "26"),
        Option("least_sharpness", "Least share of sharpness; default 0.5.", "0.6"),
        Option("least_rate", "Least share of the frame rate; default 0.75.", "0.9"),
        Option("mirrored", "The camera mirrors its picture.", "yes", ("yes", "no")),
    ),
    steps=(
        Step("Print the edges target (seeworthy target edges) and fix it flat on a wall."),
        Step("Camera on a tripod, the target filling the frame; touch neither from here on."),
        Step("Light it evenly and brightly; read the meter at the target; record ten seconds."),
        Step("Take light away, about two stops (a quarter is left): farther lamps, fewer lamps, "
             "blinds. Wait until the picture has settled, read the meter, record ten seconds."),
        Step("Go on until the picture is of no use. For orientation: office 320 to 500 lx, "
             "living room 50 lx, end of civil twilight 3.4 lx (public tables)."),
    ),
    cautions=("mains",),
    kit=("the printed edges target", "a tripod or clamp", "a light meter", "lamps or blinds"),
    setup="edges",
    drawing="target",
    minutes=15.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
