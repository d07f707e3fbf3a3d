"""Exposure control: what the camera does as the light goes up and down."""

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
    id="exposure-control",
    title="Exposure control",
    question="How short does it expose, how bright is grey, and what clips, in how much light?",
    version=1,
    yields=(
        Measurand("shortest_exposure", "shortest exposure", "ms", better="less", least=0.0,
                  feels=("temperature",), also=("fastest shutter", "minimum exposure"),
                  meaning="Motion blur in bright light; more light than that is clipped."),
        Measurand("grey_per_light", "change of grey with the light", "", better="nearer", ideal=0.0,
                  feels=("temperature",), also=("automatic exposure",),
                  meaning="Stops of mid-grey in the picture per stop of light: 0 is held, 1 is "
                          "not controlled at all."),
        Measurand("mid_grey", "mid-grey in the picture", "%", better="none", least=0.0,
                  feels=("light", "temperature"),
                  meaning="Light of an 18 % surface in the picture, of white."),
        "exposure_time",
        "clipped_share",
    ),
    order=152,
    findings=(
        Finding("takes", "", "Every take: light, exposure, mid-grey, clipped share, gain."),
        Finding("exposure_from", "", "The blur of a moving edge, the bench clock, or nothing."),
        Finding("least_reached", "", "Whether the exposure stayed the same in more light."),
        Finding("longest_ms", "ms", "Longest exposure of all takes."),
        Finding("gain_stops", "stops", "Amplification in the least light over that in the most."),
        Finding("tone", "", "Where the tone curve comes from that was undone."),
    ),
    files=(
        Files("", ("clip",), "One clip at each light level: a passing edge, or the bench clock.", 2,
              0),
        Files("rest", ("clip",),
              "The same edge at rest: once, or once at each level in the clips' order.", 0, 0),
        TONE_CURVE,
    ),
    readings=(
        Reading("light", "text", "What the meter shows at the card, once per clip, in their order.",
                EXAMPLES["exposure-control.light"], required=True, repeat=True),
    ),
    options=(
        Option("grey", "A grey card of 18 % that nothing passes in front of: x,y,w,h in px.",
               "200,300,60,60"),
        Option("clock", "The bench clock is in the picture.", "yes", ("yes", "no")),
    ),
    steps=(
        Step("Fix a dark card with straight sides, a few degrees off the upright, before a light "
             "wall, a grey card of 18 % beside its way; or open the bench clock beside a grey "
             "card."),
        Step("Camera on a tripod; neither wall nor grey card moves in the picture."),
        Step("In bright light (outdoors, in shade and sun) read the meter at the card."),
        Step("Record two seconds at rest (rest=), then the card sliding past evenly in a second."),
        Step("Again with about two stops of light less, and less, down to a dim room; wait each "
             "time until the picture has settled, and read the meter."),
    ),
    cautions=("sun", "mains"),
    kit=("a dark card", "a grey card", "a light wall", "a light meter", "a tripod or clamp"),
    whole_pictures=True,
    setup="card and wall",
    minutes=15.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
