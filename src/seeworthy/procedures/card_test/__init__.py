"""Card test: what one memory card costs a camera in frames and waits."""

from __future__ import annotations

from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Option, Procedure, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="card-test",
    title="Memory cards",
    question="Does this card keep up with the camera?",
    version=1,
    yields=(
        Measurand("card_wait_rate", "waits for the card", "1/min", better="less", least=0.0,
                  meaning="How often in a minute the recording leaves out frames.",
                  feels=("temperature",)),
        Measurand("card_loss", "frames lost", "%", better="less", least=0.0,
                  meaning="Share of the frames that are missing from the recording.",
                  feels=("temperature",)),
        Measurand("card_peak_rate", "fullest second written", "Mbit/s", better="none", least=0.0,
                  meaning="The most that camera and card wrote in one second of these clips: a "
                          "card that was asked for less was not tested.", of_take=True),
    ),
    order=175,
    findings=(
        Finding("longest_wait_ms", "ms", "Longest time between two frames."),
        Finding("waits", "", "Waits: count, and file and frame before each."),
        Finding("lost", "", "Frames that these waits left out."),
        Finding("minutes", "min", "Recording looked at, all files together."),
        Finding("undecidable", "", "Places where a wait may be a lost frame or not."),
        Finding("card", "", "The card, as typed."),
    ),
    files=(Files("", ("clip",), "Clips of one mode on one card, as the camera wrote them.", 1, 0),),
    options=(Option("card", "Which card, for `compare --by card`.", "red"),),
    steps=(
        Step("Format the card in the camera; note its name."),
        Step("Film grass, leaves or rippled water, hand-held, at the highest bit rate: the card "
             "must be given much to write."),
        Step("Let it run ten minutes or more: waits are rare, and few minutes tell little."),
        Step("Do the same with the next card, in the same mode, and give each its own take."),
    ),
    kit=("two cards or more",),
    cautions=("lithium",),
    minutes=25.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
