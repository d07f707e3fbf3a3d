"""Brightness: what of a clip is clipped, and when it is all black or all white."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Procedure, Reading, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="brightness",
    title="Brightness over the clip",
    question="How much of the picture is clipped, and when is it all black or all white?",
    version=2,
    yields=(
        Measurand("clipped_share", "clipped to white", "%", better="less", least=0.0,
                  meaning="Share of the picture that is white without detail, mean of the clip; "
                          "its interval says what another clip like it would show.", of_take=True),
        Measurand("black_share", "sunk into black", "%", better="less", least=0.0,
                  meaning="Share of the picture that is black without detail, mean of the clip.",
                  of_take=True),
    ),
    order=45,
    findings=(
        Finding("white_stretches", "s", "When nearly all of the picture is white: from, to."),
        Finding("black_stretches", "s", "When nearly all of it is black: from, to."),
        Finding("most_clipped_percent", "%", "The most of a frame that is clipped to white."),
        Finding("most_clipped_at", "s", "When that is."),
        Finding("mean_percent", "%", "Mean code value, of the way from black to white."),
        Finding("mean_range_percent", "%", "The same in the darkest and the brightest frame."),
        Finding("light_lux", "lx", "The light at which this was: the meter's or the sun's."),
        Finding("light_from", "", "Where that comes from."),
    ),
    files=(Files("", ("clip",), "Any clip."),),
    readings=(
        Reading("light", "text", "What the light meter showed.", EXAMPLES["brightness.light"]),
        Reading("sun_height", "degree", "Height of the sun above the horizon, under a clear sky.",
                EXAMPLES["brightness.sun_height"], positive=False),
    ),
    steps=(
        Step("Fly as you mean to, into the light and away from it; never aim at the sun itself."),
        Step("Read the light meter, or note the height of the sun and whether the sky is clear."),
    ),
    cautions=("sun", "airspace", "lithium"),
    setup="any clip",
    minutes=1.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
    look=True,
)
# fmt: on
