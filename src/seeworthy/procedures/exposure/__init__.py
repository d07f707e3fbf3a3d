"""Exposure: how long each picture is exposed, and how long the camera takes to adapt."""

from __future__ import annotations

from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import TONE_CURVE, Files, Finding, Procedure, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="exposure",
    title="Exposure",
    question="How long is each picture exposed, and how fast does the camera adapt to light?",
    version=4,
    yields=(
        Measurand("exposure_time", "exposure time", "ms", better="less",
                  also=("shutter", "shutter speed"), least=0.0,
                  meaning="Longer means more motion blur."),
        Measurand("adaptation_time", "exposure adaptation time", "s", better="less", least=0.0,
                  meaning="Time to get used to a change of light: 10 to 90 % of the way in stops."),
    ),
    order=150,
    findings=(
        Finding("image_speed_px_s", "px/s", "Speed of the edge in the picture (median)."),
        Finding("blur_px", "px", "How far the edge is smeared (median)."),
        Finding("edge_at_rest_px", "px",
                "Width of the edge at rest: what lens and sensor blur by themselves."),
        Finding("light_step_stops", "stops", "How far the picture jumped at each step of light."),
        Finding("adaptation_time_linear_s", "s",
                "The same run from 10 to 90 % of the way in linear light."),
        Finding("tone", "", "Where the tone curve comes from that was undone."),
        Finding("overshoots", "", "The exposure goes too far and comes back."),
    ),
    files=(
        Files("", ("clip",), "A passing upright edge, or a step of light; two clips for both.", 1,
              2),
        Files("rest", ("clip",), "The same edge in the same place and light, at rest.", 0),
        TONE_CURVE,
    ),
    steps=(
        Step("Fix a dark card with straight sides, a few degrees off the upright, before a light "
             "wall."),
        Step("See that neither card nor wall is clipped; note the light, it decides the figure."),
        Step("Record two seconds at rest (rest=), a side of the card in the middle."),
        Step("Record while the card slides past, or the camera pans, evenly, in about one second."),
        Step("For the adaptation film a still scene, wait five seconds, switch a lamp on, and "
             "keep still for ten seconds more."),
    ),
    cautions=("mains", "flashing"),
    kit=("a dark card", "a light wall", "a lamp"),
    whole_pictures=True,
    setup="card and wall",
    minutes=6.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
