"""Interval: how evenly a time lapse is taken."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Procedure, Reading, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="interval",
    title="Time-lapse interval",
    question="Does it take its pictures as often as it was told?",
    version=2,
    yields=(
        Measurand("shot_interval", "interval between shots", "s", better="none", least=0.0,
                  also=("time lapse", "interval"), of_take=True,
                  meaning="From one picture to the next, missing ones counted."),
        Measurand("interval_error", "error of the interval", "%", better="nearer", ideal=0.0,
                  feels=("temperature",), than=("longer", "shorter"),
                  meaning="How much longer than set it waits: pictures per flight follow from it."),
        Measurand("interval_scatter", "scatter of the intervals", "ms", better="less", least=0.0,
                  feels=("light", "temperature"),
                  meaning="Unevenness from shot to shot; overlap of mapping pictures follows "
                          "from it."),
    ),
    order=175,
    findings=(
        Finding("shots", "", "Pictures whose time is known."),
        Finding("median_s", "s", "Middle of the intervals that were not missed."),
        Finding("longest_s", "s", "Longest wait between two pictures."),
        Finding("longest_after", "", "Picture before it, counted from 1."),
        Finding("missed_shots", "", "Pictures that are missing.", better="less", claimed=True),
        Finding("missed_after", "", "Pictures before the holes, counted from 1, and how many."),
        Finding("unread", "", "Pictures in which the clock could not be read."),
    ),
    files=(
        Files("", ("clip", "still"),
              "A time-lapse clip of the bench clock, or the stills of one series.", 1, 0),
    ),
    readings=(
        Reading("set_interval", "s", "The interval set.", EXAMPLES["interval.set_interval"]),
    ),
    steps=(
        Step("Put the card that will fly into the camera and a full cell; set the interval."),
        Step("Open the bench clock (`seeworthy target clock`, or Targets in `serve`) and fill "
             "most of the picture with it, in light in which the exposure is short."),
        Step("Let it take thirty pictures or more without touching it; a hundred find rare holes."),
        Step("Without a clock, stills that carry their capture time do for intervals of three "
             "seconds and more, and for shorter ones where the camera notes fractions of the "
             "second."),
    ),
    cautions=("lithium",),
    kit=("a laptop or phone as clock", "a tripod or clamp"),
    setup="clock",
    drawing="clock",
    minutes=10,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
