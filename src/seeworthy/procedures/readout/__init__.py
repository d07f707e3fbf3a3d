"""Readout: how long the sensor takes from the first row to the last (rolling shutter)."""

from __future__ import annotations

from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Procedure, Way, later
from seeworthy.procedures.readout.words import FINDINGS, OPTIONS, READINGS, STEPS

# fmt: off
PROCEDURE = Procedure(
    id="readout",
    title="Read-out time (rolling shutter)",
    question="Do uprights lean, and will the picture wobble?",
    version=6,
    yields=(
        Measurand("readout_time", "read-out time", "ms", better="less",
                  also=("rolling shutter", "jello", "skew"), least=0.0,
                  meaning="First to last row; makes uprights lean and pictures wobble."),
        Measurand("row_time", "row time", "µs", better="less", least=0.0,
                  meaning="Time from one row to the next."),
        Measurand("skew_at", "lean of uprights", "deg", better="less", also=("rolling shutter",),
                  meaning="Lean at a stated speed, distance and view."),
    ),
    order=120,
    steps=STEPS,
    cautions=("road", "flashing", "mains", "airspace", "propellers"),
    kit=("uprights to pass, or a turntable", "or a flickering lamp of known frequency"),
    findings=FINDINGS,
    files=(Files("", ("clip",), "Uprights passing both ways, a lamp's light, or a flight.", 0, 1),),
    readings=READINGS,
    options=OPTIONS,
    prepare=later(__name__, "prepare"),
    ways=(
        Way("passing", "Uprights pass by",
            ("speed", "distance", "hfov", "roll", "lean", "size", "level", "steadying"),
            (("method", "passing"),)),
        Way("lamp", "By the bands of a lamp", ("lamp_frequency", "lamp"), (("method", "lamp"),)),
        Way("flight", "From a flight clip", ("steadying",), (("method", "flight"),)),
    ),
    conclude=later(__name__, "conclude"),
    whole_pictures=True,
    setup="passing",
    minutes=15,
    look=True,
)
# fmt: on
