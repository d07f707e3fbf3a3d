"""White balance: whether grey comes out grey, told from grey steps in one kind of light."""

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
    id="white-balance",
    title="White balance",
    question="Does grey come out grey in this light?",
    version=2,
    yields=(
        Measurand("grey_tint", "tint of mid-grey", "", better="less", least=0.0, feels=("light",),
                  also=("white balance", "colour cast", "tint"),
                  meaning="Δu'v' of mid-grey from neutral; 0.003 is seen side by side, 0.01 is "
                          "plain."),
        Measurand("grey_tint_drift", "tint between light and dark greys", "", better="less",
                  least=0.0, feels=("light",),
                  meaning="Δu'v' between light and dark greys: no one white balance mends that."),
    ),
    order=112,
    findings=(
        Finding("hue", "", "Where mid-grey goes, in words."),
        Finding("steps", "", "Every step: Δu' and Δv' from neutral, length, interval, hue."),
        Finding("gains", "", "What red, green and blue light times these makes grey of mid-grey."),
        Finding("chroma", "", "C*ab of mid-grey as a colour of that lightness."),
        Finding("moved", "", "How far the tint moved in the clip, Δu'v' from first to last."),
        Finding("left_out", "", "Steps that were clipped, drowned or too small."),
        Finding("patches_from", "", "Our grey steps, or marked regions."),
        Finding("tone", "", "Where the tone curve comes from that was undone."),
    ),
    files=(
        Files("", ("clip",), "Five still seconds of the grey steps in the light to be tried."),
        TONE_CURVE,
    ),
    readings=(
        Reading("light", "text", "What the light meter shows at the scale.",
                EXAMPLES["white-balance.light"]),
        Reading("chart_tint", "",
                "Most that the chart's own greys are from neutral, Δu'v'; left out: 0.014, of "
                "office paper with brightener.", EXAMPLES["white-balance.chart_tint"],
                positive=False),
    ),
    options=(
        Option("region", "A grey patch, even and flat: x,y,w,h in px.", "600,300,60,60", (), True),
        Option("illuminant", "The kind of light: only tests in one kind are compared.", "overcast",
               ("sunlight", "overcast", "shade", "low sun", "tungsten", "warm LED", "cold LED",
                "fluorescent")),
        Option("mirrored", "The camera mirrors its picture.", "yes", ("yes", "no")),
    ),
    steps=(
        Step("Print the grey steps (seeworthy target greys) in black ink alone on paper without "
             "brightener, or use a grey card whose tint is known."),
        Step("Put it into the light that you fly in, one kind alone, no coloured wall beside it."),
        Step("Switch off a flat look (log, low contrast), or measure its tone curve first "
             "(oecf): by the file's tag tints come out too small."),
        Step("Fill the middle of the frame; no gloss. Wait until the colours have settled."),
        Step("Record five seconds; note the kind of light, and the light meter if there is one."),
        Step("Do it again in every other light (each is a take of its own)."),
    ),
    cautions=("sun",),
    kit=("the printed grey steps or a grey card", "a light meter"),
    setup="greys",
    drawing="target",
    minutes=4.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
