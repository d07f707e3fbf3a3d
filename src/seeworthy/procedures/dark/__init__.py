"""Dark clip: what the camera records when no light comes in."""

from __future__ import annotations

from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Option, Procedure, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="dark",
    title="Dark clip",
    question="What does it record with the lens covered?",
    version=1,
    yields=(
        Measurand("dark_level", "dark signal", "%", better="less",
                  also=("black level", "dark current"), feels=("temperature",),
                  meaning="How far above black the picture stands without light: it greys the "
                          "shadows."),
        Measurand("dark_growth", "growth of the dark signal", "%/min", pint="percent/min",
                  better="less", feels=("temperature",),
                  meaning="How fast black turns grey while the camera warms up."),
        Measurand("hot_pixels", "hot pixels", "", better="less", least=0.0,
                  also=("stuck pixels", "bright pixels"), feels=("temperature",),
                  meaning="Dots that glow in every picture, by night and in a hot camera above "
                          "all."),
        Measurand("dark_banding", "banding of the dark", "%", better="less", least=0.0,
                  also=("row noise", "stripes"), feels=("temperature",),
                  meaning="Stripes that stand in the shadows of every picture."),
    ),
    order=132,
    findings=(
        Finding("hot", "",
                "Places of hot pixels (x, y from 0, of the file's picture) with how far each "
                "stands above its surroundings, % of the range; the strongest first."),
        Finding("hot_above_percent", "%", "From how far above its surroundings a pixel is hot."),
        Finding("coding_hides_below_percent", "%",
                "Dots weaker than that may have been wiped out by coding; left out where the "
                "clip does not tell how coarsely it was coded."),
        Finding("at_black_percent", "%", "Share of all code values that stand at black or below."),
        Finding("noise_percent", "%", "Scatter of a typical pixel over time, of the range."),
        Finding("duration_s", "s", "Length of the clip."),
        Finding("frames", "", "Frames that were summed up."),
    ),
    files=(Files("", ("clip",), "A minute or more with the lens covered."),),
    options=(
        Option("leave_out", "A burned-in stamp, left out: x,y,w,h in px.", "12,690,240,24", (),
               True),
    ),
    steps=(
        Step("Let the camera lie switched off until it has the temperature of the room."),
        Step("Cover the lens so that nothing comes in: cap or thick black cloth, then a box or a "
             "drawer. Room light creeps through thin caps and tape."),
        Step("Record ten minutes or more in the mode that flies, so that it warms up as it will; "
             "a minute is enough for hot pixels alone."),
        Step("Repeat it in the warmth or the cold that the flight will see, within the maker's "
             "limits, and note the temperature beside the take."),
    ),
    cautions=("lithium",),
    kit=("lens cap or thick black cloth", "box or drawer", "thermometer"),
    setup="table",
    drawing="table",
    minutes=12,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
