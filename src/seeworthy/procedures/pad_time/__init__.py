"""Pad time: how long it waits ready, what that costs, how fast it starts."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Procedure, Reading, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="pad-time",
    title="Waiting at the start",
    question="How long does it wait ready, and how soon does it film?",
    version=1,
    yields=(
        Measurand("ready_time", "time it stays ready", "min", better="more", least=0.0,
                  also=("auto power off", "stand-by time"), feels=("temperature",),
                  meaning="Until it switches itself off: longer than your longest hold."),
        Measurand("standby_cost", "cost of standing by", "%/h", pint="percent/hour", better="less",
                  least=0.0, also=("stand-by drain",), feels=("temperature",),
                  meaning="How much of the recording time an hour of waiting eats."),
        Measurand("start_delay", "from button to first picture", "s", better="less", least=0.0,
                  also=("shutter lag", "start-up time"), feels=("light", "temperature"),
                  meaning="Press that much before what you want to see."),
    ),
    order=165,
    findings=(
        Finding("starts", "", "From button to first picture, s, start by start."),
        Finding("ready_at_least", "", "It was not seen to switch off: the time is a bound."),
    ),
    files=(
        Files("", ("clip",), "Clips of the bench clock, one per start, begun by the button.", 0, 0),
        Files("witness", ("clip",),
              "For each, in the same order, a second camera's clip of the button and the same "
              "clock.", 0, 0),
    ),
    readings=(
        Reading("pressed", "s",
                "Second of the witness clip at which the button goes down; in order.",
                EXAMPLES["pad-time.pressed"], repeat=True),
        Reading("waited", "min", "From switching on, untouched, until it switched itself off.",
                EXAMPLES["pad-time.waited"], repeat=True),
        Reading("still_ready", "min", "It was still ready after so long, when you gave up.",
                EXAMPLES["pad-time.still_ready"]),
        Reading("run_fresh", "min", "Recording time of the full cell without waiting (`battery`).",
                EXAMPLES["pad-time.run_fresh"], repeat=True),
        Reading("run_stood", "min", "Recording time of the same cell, full, after standing by.",
                EXAMPLES["pad-time.run_stood"], repeat=True),
        Reading("stood", "h", "How long it stood by before.", EXAMPLES["pad-time.stood"]),
    ),
    steps=(
        Step("Switch on with a full cell, touch nothing, and note when it switches itself off; "
             "or note after how long it was still ready."),
        Step("Charge again, let it stand by for a timed hour (wake it as you would at the "
             "field), then record until the cell is empty, and note both times."),
        Step("Open the bench clock (`seeworthy target clock`, or Targets in `serve`) and fill "
             "the camera's picture with it."),
        Step("Let a phone film the same clock and the camera's button together; then press it. "
             "Repeat five times: once from off, once from stand-by; keep the two apart as takes."),
        Step("In a player find the picture of the phone's clip in which the button goes down, "
             "and note its second."),
        Step("How long it waits between two files is what `continuity` measures."),
    ),
    cautions=("lithium", "launch"),
    kit=("a stop watch", "a laptop as clock", "a phone as witness"),
    setup="clock",
    drawing="clock",
    minutes=20,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
