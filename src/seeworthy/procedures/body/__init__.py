"""Body: what the camera weighs and how large it is."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Procedure, Reading, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="body",
    title="Size and mass",
    question="Does it fit the bay, and can the craft lift it?",
    version=2,
    yields=(
        Measurand("length", "length", "mm", better="less", also=("size", "depth"), feels=(),
                  than=("longer", "shorter"), least=0.0,
                  meaning="Whether it fits the bay of the craft."),
        Measurand("width", "width", "mm", better="less", feels=(), than=("wider", "narrower"),
                  least=0.0, meaning="Whether it fits the bay of the craft."),
        Measurand("height", "height", "mm", better="less", feels=(), than=("higher", "lower"),
                  least=0.0, meaning="Whether it fits the bay of the craft."),
        Measurand("mass", "mass", "g", better="less", also=("weight",), feels=(),
                  than=("heavier", "lighter"), least=0.0,
                  meaning="What the craft must lift; it moves the balance point."),
        Measurand("volume", "volume of the enclosing box", "cm3", better="less", feels=(),
                  than=("larger", "smaller"), least=0.0, meaning="Space it takes in the bay."),
    ),
    order=10,
    steps=(
        Step("Fly-ready: put in the card and the cell that will fly, take off caps and straps."),
        Step("Set the scale to zero, weigh three times and lift the camera off in between; note "
             "what the scale's leaflet says about its error."),
        Step("Measure length (along the lens axis), width and height over everything that sticks "
             "out, with closed but not pressed jaws."),
        Step("Type each reading with its uncertainty; repeat a reading to give its repeats."),
    ),
    cautions=("lithium",),
    kit=("calliper or steel rule", "scale that shows 0.1 g"),
    readings=(
        Reading("length", "mm", "Along the lens axis.", EXAMPLES["body.length"], repeat=True),
        Reading("width", "mm", "Side to side.", EXAMPLES["body.width"], repeat=True),
        Reading("height", "mm", "Bottom to top.", EXAMPLES["body.height"], repeat=True),
        Reading("mass", "g", "With card and cell.", EXAMPLES["body.mass"], repeat=True),
    ),
    conclude=later(__name__, "conclude"),
    setup="table",
    minutes=3,
)
# fmt: on
