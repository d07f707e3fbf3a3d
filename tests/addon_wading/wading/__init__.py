"""An add-on as one folder: declaration here, what computes in `run`, its study in `study`."""

from seeworthy.procedures.declare import (
    Finding,
    Measurand,
    Procedure,
    Reading,
    Step,
    later,
)

PROCEDURE = Procedure(
    id="wading",
    title="Wading depth",
    question="How deep may the camera stand in the surf?",
    version=1,
    yields=(
        Measurand(
            "wade_depth",
            "wading depth",
            "cm",
            better="more",
            feels=("temperature",),
            also=("paddle", "tide depth"),
            meaning="Depth at which the first drop comes in.",
        ),
    ),
    findings=(
        Finding("splash_rate_per_min", "per min", "Splashes that hit the lens.", better="less"),
        Finding("sealed", "", "Whether the lid was taped.", title="lid taped", claimed=True),
    ),
    steps=(Step("Lower the camera on a rod until a drop shows in its window."),),
    conclude=later(__name__, "conclude"),
    readings=(
        Reading("depth", "cm", "Depth at the first drop.", "14 cm", required=True, repeat=True),
        Reading("splashes", "", "Splashes in a minute.", "6"),
    ),
    kit=("a rod with marks",),
    setup="rock pool",
    drawing="pool.svg",
    order=55,
    minutes=4,
)
